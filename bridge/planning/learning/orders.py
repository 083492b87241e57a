"""The order in which an action releases and allocates: every one that gives what was seen.

An action does the same each time, so an order counts only where it gives, from each heap in which
the action was done, the heap that was seen behind it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import permutations

from bridge.heap.blocks import Block
from bridge.planning.actions import Alloc, Effect, Free, Which
from bridge.planning.arena import Cell
from bridge.planning.learning.ages import Ages, Known
from bridge.planning.learning.geometry import Geometry
from bridge.planning.learning.hidden import Hidden, placed, released, unknown
from bridge.planning.learning.models import Model
from bridge.planning.learning.observed import Play, allocations
from bridge.planning.learning.occurrences import Occurrence
from bridge.planning.learning.release_rules import fits
from bridge.planning.learning.tracking import Operations, ends_of, operations
from bridge.planning.simulation import order_matters

__all__ = ["MAX_ORDERS", "Order", "Orders", "Seen", "followed", "orders", "seen"]

MAX_ORDERS = 96
"""Orders of one action that are kept."""
_MAX_TRIED = 4000
_FIRST_ORDERS = (Which.LOWEST, Which.HIGHEST, Which.NEWEST, Which.OLDEST)


@dataclass(frozen=True, slots=True)
class Seen:
    """One time that an action was done, as its order is looked for in it."""

    occurrence: Occurrence
    steps: tuple[Operations, ...]
    before: tuple[Mapping[int, Block], ...]
    """For each step, the blocks in use before it, by where their cells start."""
    fresh: tuple[Mapping[int, Block], ...]
    """For each step, those that are new."""


@dataclass(frozen=True, slots=True)
class Order:
    """Effects, and which of two blocks that came in one frame came first where they give that."""

    effects: tuple[Effect, ...]
    within: frozenset[Known]


@dataclass(frozen=True, slots=True)
class Orders:
    """All that were found; where not ``complete`` there may be more."""

    found: tuple[Order, ...]
    complete: bool


@dataclass(frozen=True, slots=True)
class _Way:
    """How far one time has come: in step ``step``, with starts that are still to be released and
    blocks that are still to come, as bits; ``came`` are those that came, in their order."""

    hidden: Hidden
    step: int
    to_release: frozenset[int]
    to_place: int
    came: tuple[tuple[int, int], ...] = ()


def seen(occurrence: Occurrence, plays: Sequence[Play], geometries: Mapping[str, Geometry]) -> Seen:
    """One time that an action was done, made ready."""
    play = plays[occurrence.play]
    changes = [play.changes[at] for at in occurrence.changes]
    strides = geometries[play.build].strides
    return Seen(
        occurrence,
        tuple(operations(change, strides) for change in changes),
        tuple(
            {min(b.header, b.start): b for b in change.before.blocks if b.used}
            for change in changes
        ),
        tuple({min(b.header, b.start): b for b in allocations(change)} for change in changes),
    )


def orders(
    times: Sequence[Seen],
    rules: Sequence[tuple[Free, ...]],
    kinds: Counter[str],
    model: Model,
    ages: Ages,
) -> Orders:
    """Every order of one action under a model.

    ``rules`` are ways to say what it releases, ``kinds`` how many blocks of each kind it allocates.
    """
    search = _Search(times, model, ages)
    for variants in (_variants, _by_kind):
        for rule in rules:
            for frees in variants(rule, model):
                search.look(frees, kinds)
                if search.over:
                    return Orders(tuple(search.found), False)
        if search.found:
            break
    return Orders(tuple(search.found), True)


def followed(
    time: Seen, effects: Sequence[Effect], model: Model, ages: Ages, hidden: Iterable[Hidden]
) -> set[Hidden]:
    """What may stand behind one time that an action was done; nothing where *effects*, from any of
    *hidden*, do not give what was seen."""
    search = _Search([time], model, ages)
    ways = search.begun(time, hidden)
    for effect in effects:
        for _ in range(effect.count if isinstance(effect, Alloc) else 1):
            ways = frozenset(way for before in ways for way in search.ways(effect, before, time))
    return {way.hidden for before in ways for way in _onward(before, time) if _over(way, time)}


def _all_at(rule: tuple[Free, ...], model: Model) -> int | None:
    """Which of a rule's effects releases all, where it can matter in which order."""
    if not order_matters(model.policy):
        return None
    return next((n for n, each in enumerate(rule) if each.which is Which.ALL), None)


def _variants(rule: tuple[Free, ...], model: Model) -> Iterator[tuple[Free, ...]]:
    """What is released with its order said, where that can matter."""
    at = _all_at(rule, model)
    if at is None:
        yield rule
        return
    for first in _FIRST_ORDERS:
        yield (*rule[:at], replace(rule[at], order=first), *rule[at + 1 :])


def _by_kind(rule: tuple[Free, ...], model: Model) -> Iterator[tuple[Free, ...]]:
    """The same with one kind before or behind all others."""
    at = _all_at(rule, model)
    kinds = () if at is None else rule[at].kinds
    for kind in kinds if len(kinds) > 1 else ():
        assert at is not None
        others = tuple(each for each in kinds if each != kind)
        for groups in permutations(((kind,), others)):
            for first in _FIRST_ORDERS:
                parts = tuple(Free(group, Which.ALL, order=first) for group in groups)
                yield (*rule[:at], *parts, *rule[at + 1 :])


class _Search:
    def __init__(self, times: Sequence[Seen], model: Model, ages: Ages) -> None:
        self._times, self._model, self._ages = times, model, ages
        self._ends = ends_of(model.policy, both=model.both_ends)
        self._tried = 0
        self.found: list[Order] = []
        self.over = False

    def look(self, frees: tuple[Free, ...], kinds: Counter[str]) -> None:
        """All orders with these releases."""
        start = [self.begun(time) for time in self._times]
        self._further(start, (), list(frees), Counter(kinds))

    def begun(self, time: Seen, hidden: Iterable[Hidden] | None = None) -> frozenset[_Way]:
        """Right before a time that the action was done."""
        if hidden is None:
            place = time.occurrence.play, time.occurrence.changes[0]
            hidden = self._model.before.get(place) or unknown(time.steps[0].before)
        return frozenset(
            _Way(each, 0, frozenset(time.steps[0].released), _all(time.steps[0])) for each in hidden
        )

    def _further(
        self,
        ways: list[frozenset[_Way]],
        done: tuple[Effect, ...],
        frees: list[Free],
        kinds: Counter[str],
    ) -> None:
        if not frees and not kinds:
            self._end(ways, done)
            return
        following: list[tuple[Effect, list[Free], Counter[str]]] = [
            (free, [*frees[:at], *frees[at + 1 :]], kinds) for at, free in enumerate(frees)
        ]
        for kind in kinds:
            following.append((Alloc(kind), frees, kinds - Counter([kind])))
        for effect, left, still in following:
            if self.over:
                return
            after: list[frozenset[_Way]] = []
            for time, each in zip(self._times, ways, strict=True):
                self._tried += 1
                found = frozenset(way for before in each for way in self.ways(effect, before, time))
                if not found:
                    break
                after.append(found)
            else:
                self._further(after, (*done, effect), left, still)
            self.over |= self._tried > _MAX_TRIED

    def ways(self, effect: Effect, way: _Way, time: Seen) -> Iterator[_Way]:
        """How it may stand after one allocation, or all releases of one effect."""
        if isinstance(effect, Free):
            yield from self._released(effect, way, time)
            return
        assert isinstance(effect, Alloc)
        for at in _onward(way, time):
            step = time.steps[at.step]
            for number, (block, needed) in enumerate(zip(step.blocks, step.needs, strict=True)):
                if block.kind != effect.kind or not at.to_place >> number & 1:
                    continue
                for hidden in placed(at.hidden, self._model.policy, block, needed, self._ends):
                    came = (*at.came, (at.step, block.start))
                    yield replace(
                        at, hidden=hidden, to_place=at.to_place & ~(1 << number), came=came
                    )

    def _released(self, free: Free, way: _Way, time: Seen) -> Iterator[_Way]:
        """All of a rule's releases, one after another, through as many frames as they take."""
        there = [c for c in way.hidden.arena.cells if c.kind in free.kinds]
        known = self._known(way, time)
        if free.which is Which.ALL:
            wanted = list(there)
        else:
            left = {
                start
                for n in range(way.step, len(time.steps))
                for start in (way.to_release if n == way.step else time.steps[n].released)
            }
            wanted = [c for c in there if c.start in left][: free.count]
            if len(wanted) < free.count:
                return
            stayed = [known[c.start][0] for c in there if c not in wanted]
            gone = [known[c.start][0] for c in wanted]
            fresh = [block for block, new in known.values() if new]
            place = time.occurrence.play, time.occurrence.changes[0]
            if free.which is not Which.HELD and not fits(
                free.which, gone, stayed, place, self._ages, fresh
            ):
                return
        which = free.order if free.which is Which.ALL else free.which
        ordered = self._ordered(wanted, which, known, time)
        if ordered is None:
            # in which order they go hangs on ages that nobody knows: any is as good
            ordered = wanted
            if order_matters(self._model.policy):
                yield from self._in_any_order(wanted, way, time)
                return
        ways = [way]
        for cell in ordered:
            ways = [w for each in ways for w in self._one(cell.start, each, time)]
        yield from ways

    def _in_any_order(self, wanted: list[Cell], way: _Way, time: Seen) -> Iterator[_Way]:
        """As if nobody knew what the heap does not show, once all of them are gone."""
        ways = [way]
        for cell in wanted:
            ways = [w for each in ways for w in self._one(cell.start, each, time)]
        for each in ways:
            for hidden in unknown(each.hidden.arena.cells, [each.hidden]):
                cells = tuple(
                    cell if cell.used else replace(cell, age=None) for cell in hidden.arena.cells
                )
                yield replace(
                    each, hidden=replace(hidden, arena=replace(hidden.arena, cells=cells))
                )

    def _one(self, start: int, way: _Way, time: Seen) -> Iterator[_Way]:
        for at in _onward(way, time):
            if start in at.to_release:
                hidden = released(at.hidden, self._model.policy, start)
                yield replace(at, hidden=hidden, to_release=at.to_release - {start})

    def _known(self, way: _Way, time: Seen) -> dict[int, tuple[Block, bool]]:
        """The blocks that are there, by where their cells start, and whether they are new."""
        known = {start: (block, False) for start, block in time.before[0].items()}
        for step, start in way.came:
            known[start] = time.fresh[step][start], True
        return known

    def _ordered(
        self,
        cells: list[Cell],
        which: Which,
        known: Mapping[int, tuple[Block, bool]],
        time: Seen,
    ) -> list[Cell] | None:
        """Cells in the order of a rule; None where it hangs on what is not known."""
        if which in (Which.LOWEST, Which.HELD):
            return cells
        if which is Which.HIGHEST:
            return cells[::-1]
        place = time.occurrence.play, time.occurrence.changes[0]
        ordered: list[Cell] = []
        for cell in cells:
            at = 0
            for at in range(len(ordered) + 1):
                if at == len(ordered):
                    break
                one, other = known[cell.start], known[ordered[at].start]
                newer = one[1] if one[1] != other[1] else None
                if newer is None and not one[1]:
                    newer = self._ages.newer(*place, one[0], other[0])
                if newer is None:
                    return None
                if newer is (which is Which.NEWEST):
                    break
            ordered.insert(at, cell)
        return ordered

    def _end(self, ways: list[frozenset[_Way]], done: tuple[Effect, ...]) -> None:
        within: set[Known] = set()
        for time, each in zip(self._times, ways, strict=True):
            ended = [way for before in each for way in _onward(before, time) if _over(way, time)]
            if not ended:
                return
            orders_seen = [_pairs(way, time) for way in ended]
            within |= frozenset.intersection(*orders_seen)
        done = _with_ends(done, ways)
        self.found.append(Order(_grouped(done), frozenset(within)))
        self.over |= len(self.found) >= MAX_ORDERS


def _onward(way: _Way, time: Seen) -> Iterator[_Way]:
    """The same way, and where its frame is done with the one in which the next frame begins."""
    yield way
    while not way.to_release and not way.to_place and way.step + 1 < len(time.steps):
        if not _as_seen(way.hidden.arena.cells, time.steps[way.step].after):
            return
        step = way.step + 1
        following = time.steps[step]
        way = replace(
            way, step=step, to_release=frozenset(following.released), to_place=_all(following)
        )
        yield way


def _over(way: _Way, time: Seen) -> bool:
    return (
        not way.to_release
        and not way.to_place
        and way.step + 1 == len(time.steps)
        and _as_seen(way.hidden.arena.cells, time.steps[-1].after)
    )


def _as_seen(cells: Sequence[Cell], after: Sequence[Cell]) -> bool:
    return [(c.start, c.stride, c.kind) for c in cells] == [
        (c.start, c.stride, c.kind) for c in after
    ]


def _all(step: Operations) -> int:
    return (1 << len(step.blocks)) - 1


def _pairs(way: _Way, time: Seen) -> frozenset[Known]:
    play = time.occurrence.play
    found: set[Known] = set()
    for number, (step, start) in enumerate(way.came):
        change = time.occurrence.changes[step]
        for later, other in way.came[number + 1 :]:
            if later == step:
                fresh = time.fresh[step]
                found.add((play, change, fresh[start].start, fresh[other].start))
    return frozenset(found)


def _with_ends(effects: tuple[Effect, ...], ways: Sequence[frozenset[_Way]]) -> tuple[Effect, ...]:
    """Allocations with the end of the arena that each kind was seen to ask for."""
    ends = {kind: end for each in ways for way in each for kind, end in way.hidden.ends}
    return tuple(
        replace(each, end=ends.get(each.kind)) if isinstance(each, Alloc) else each
        for each in effects
    )


def _grouped(effects: Sequence[Effect]) -> tuple[Effect, ...]:
    """Allocations of one kind in a row made one effect."""
    found: list[Effect] = []
    for effect in effects:
        last = found[-1] if found else None
        if isinstance(effect, Alloc) and isinstance(last, Alloc) and effect.kind == last.kind:
            found[-1] = replace(last, count=last.count + 1)
        else:
            found.append(effect)
    return tuple(found)
