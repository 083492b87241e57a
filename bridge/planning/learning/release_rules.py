"""Rules by which an action may choose what it releases: those that fit every time it was done."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from itertools import product

from bridge.heap.blocks import Block
from bridge.planning.actions import Free, Which
from bridge.planning.learning.ages import Ages
from bridge.planning.learning.observed import Play
from bridge.planning.learning.occurrences import Occurrence

__all__ = ["MAX_RULES", "fits", "release_rules"]

MAX_RULES = 64
_MAX_GROUPED = 5
"""Kinds that are put into groups in every way there is."""
_COUNTED = (Which.NEWEST, Which.OLDEST, Which.LOWEST, Which.HIGHEST)


def release_rules(
    occurrences: Sequence[Occurrence], plays: Sequence[Play], ages: Ages
) -> list[tuple[Free, ...]]:
    """Every way to say what is released, simplest first, at most MAX_RULES.

    Empty where no rule fits; one empty rule where nothing is released.
    """
    kinds = sorted({b.owner for each in occurrences for b in each.released(plays)})
    if not kinds:
        return [()]
    found: list[tuple[Free, ...]] = []
    for groups in sorted(_partitions(kinds), key=len):
        ways = [_group_rules(group, occurrences, plays, ages) for group in groups]
        if len(groups) > 1:
            # where all of a group go each time, a number of them is told with that
            ways = [_all_alone(way) for way in ways]
        for rules in product(*ways):
            # several groups of which all go are one
            if sum(rule.which is Which.ALL for rule in rules) < 2:
                found.append(rules)
        if len(found) >= MAX_RULES:
            return found[:MAX_RULES]
    return found


def _all_alone(rules: list[Free]) -> list[Free]:
    return [rule for rule in rules if rule.which is Which.ALL] or rules


def _partitions(kinds: Sequence[str]) -> Iterator[list[tuple[str, ...]]]:
    if len(kinds) > _MAX_GROUPED:
        yield [tuple(kinds)]
        yield [(kind,) for kind in kinds]
        for kind in kinds:
            yield [tuple(each for each in kinds if each != kind), (kind,)]
        return
    if not kinds:
        yield []
        return
    first, *others = kinds
    for groups in _partitions(others):
        yield [(first,), *groups]
        for number, group in enumerate(groups):
            yield [*groups[:number], (first, *group), *groups[number + 1 :]]


def _group_rules(
    kinds: tuple[str, ...], occurrences: Sequence[Occurrence], plays: Sequence[Play], ages: Ages
) -> list[Free]:
    """Rules for blocks of some kinds."""
    found: list[Free] = []
    if all(_all_gone(kinds, each, plays) for each in occurrences):
        found.append(Free(kinds, Which.ALL))
    counts = {sum(b.owner in kinds for b in each.released(plays)) for each in occurrences}
    if len(counts) != 1 or 0 in counts:
        return found
    (count,) = counts
    if found and count > 1:
        return found
    for which in _COUNTED:
        if all(_chosen(kinds, which, each, plays, ages) for each in occurrences):
            found.append(Free(kinds, which, count))
    if count == 1 and all(_held(kinds, each, plays) for each in occurrences):
        # it is hardly in hand time after time by chance
        found.insert(0 if len(occurrences) > 2 else len(found), Free(kinds, Which.HELD))
    return found


def _all_gone(kinds: Collection[str], occurrence: Occurrence, plays: Sequence[Play]) -> bool:
    if not occurrence.changes:
        return True  # there may have been none
    there = occurrence.first(plays).before.blocks
    gone = {block.start for block in occurrence.released(plays)}
    return all(b.start in gone for b in there if b.used and b.owner in kinds)


def _chosen(
    kinds: Collection[str],
    which: Which,
    occurrence: Occurrence,
    plays: Sequence[Play],
    ages: Ages,
) -> bool:
    there = [b for b in occurrence.first(plays).before.blocks if b.used and b.owner in kinds]
    new = [block for block in occurrence.allocated(plays) if block.owner in kinds]
    starts = {block.start for block in occurrence.released(plays) if block.owner in kinds}
    gone = [block for block in there if block.start in starts]
    place = occurrence.play, occurrence.changes[0]
    # what came in the same action may have been there by then, or not yet
    return any(
        fits(which, gone, [b for b in those if b.start not in starts], place, ages, new)
        for those in (there, [*there, *new])
    )


def fits(
    which: Which,
    gone: Sequence[Block],
    stayed: Sequence[Block],
    place: tuple[int, int],
    ages: Ages,
    new: Sequence[Block] = (),
) -> bool:
    """Whether nothing that stayed would have been chosen before something that is gone.

    *place* is numbers of play and change; *new* are those that came since.
    """
    born = {block.start for block in new}
    for one in gone:
        for other in stayed:
            if which is Which.LOWEST and other.start < one.start:
                return False
            if which is Which.HIGHEST and other.start > one.start:
                return False
            if which in (Which.NEWEST, Which.OLDEST):
                newer = True if other.start in born else ages.newer(*place, other, one)
                if newer is (which is Which.NEWEST):
                    return False
    return True


def _held(kinds: Collection[str], occurrence: Occurrence, plays: Sequence[Play]) -> bool:
    held = occurrence.first(plays).held[0]
    return any(b.start == held for b in occurrence.released(plays) if b.owner in kinds)
