"""What the heap does not show, and how a model carries it through what is seen.

Of an allocator that goes on from a rover, or by when holes were made, the heap shows neither; and
how small a rest it still splits off is known only from the rests that were seen.  A ``Hidden`` is
one way in which all that may stand.  What is not known is None there, and allows any.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from bridge.planning.allocation import NotPossible, allocate, release
from bridge.planning.arena import HOLE, Arena, Cell
from bridge.planning.policy import End, Fit, HoleOrder, Policy

__all__ = ["Ends", "Hidden", "placed", "released", "unknown", "widest"]

Ends = tuple[tuple[str, End | None], ...]
"""By kind, in their order, the end of the arena that is asked for; None is the policy's own."""


@dataclass(frozen=True, slots=True)
class Hidden:
    """A heap with what it does not show.

    The cells' ages are those of holes, from 1 for the oldest that is known; blocks have none.  The
    least rest lies from ``least`` to ``most``, both included; ``most`` None is no limit.
    """

    arena: Arena
    least: int = 1
    most: int | None = None
    ends: Ends = ()


def unknown(cells: tuple[Cell, ...], before: Iterable[Hidden] = ()) -> set[Hidden]:
    """The heap of which nothing else is known; the least rest and the ends stay as they were."""
    arena = Arena(cells)
    return {replace(each, arena=arena) for each in before} or {Hidden(arena)}


def widest(found: Iterable[Hidden]) -> tuple[int, int | None]:
    """The lowest and the highest that the least rest may be."""
    found = list(found)
    most = [each.most for each in found]
    known = [each for each in most if each is not None]
    return min(each.least for each in found), None if len(known) < len(most) else max(known)


def placed(
    hidden: Hidden,
    policy: Policy,
    block: Cell,
    needed: int,
    ends: Sequence[End | None] = (None,),
) -> Iterator[Hidden]:
    """What may stand after an allocation of ``needed`` bytes that gave ``block``; nothing where the
    policy would have put it elsewhere.

    *ends* are those that a kind whose own is not known may ask for.  *policy* has no header and no
    alignment: ``needed`` is the stride.
    """
    covering = _covering(hidden.arena.cells, block, needed)
    if covering is None:
        return
    first, behind = covering
    cells = hidden.arena.cells
    rest = cells[behind - 1].end - cells[first].start - needed
    least, most = hidden.least, hidden.most
    if rest and block.stride == needed:
        if rest < least:
            return
        most = rest if most is None else min(most, rest)
    elif rest:
        if block.stride != needed + rest or (most is not None and rest >= most):
            return
        least = max(least, rest + 1)
    elif block.stride != needed:
        return
    known = dict(hidden.ends)
    arena: Arena | None = None
    for end in (known[block.kind],) if block.kind in known else ends:
        if (end or policy.carved_from) is End.LOW:
            if block.start != cells[first].start:
                continue
        elif block.end != cells[behind - 1].end:
            continue
        if arena is None:
            arena = _guessed(hidden.arena, policy, first, behind)
        try:
            after = allocate(arena, _with_rest(policy, least), needed, block.kind, end)
        except NotPossible:
            continue
        if not any(_same(cell, block) for cell in after.cells):
            continue
        if len(ends) > 1:
            known[block.kind] = end
        yield Hidden(_shown(after, policy, 1), least, most, tuple(sorted(known.items(), key=_key)))


def released(hidden: Hidden, policy: Policy, start: int) -> Hidden:
    """What stands after the block that starts there was released."""
    return replace(hidden, arena=_shown(release(hidden.arena, policy, start), policy, 0))


@lru_cache(1024)
def _with_rest(policy: Policy, least: int) -> Policy:
    return replace(policy, least_rest=least)


def _key(item: tuple[str, End | None]) -> str:
    return item[0]


def _covering(cells: Sequence[Cell], block: Cell, needed: int) -> tuple[int, int] | None:
    """The numbers of the hole that holds a block, first and one behind: one, or where it is too
    small all that touch, which an allocator joins when it is full."""
    for at, cell in enumerate(cells):
        if cell.end <= block.start:
            continue
        if cell.used:
            return None
        if cell.stride >= needed and block.end <= cell.end:
            return at, at + 1
        first, behind = at, at + 1
        while first and not cells[first - 1].used:
            first -= 1
        while behind < len(cells) and not cells[behind].used:
            behind += 1
        return (first, behind) if block.end <= cells[behind - 1].end else None
    return None


def _guessed(arena: Arena, policy: Policy, first: int, behind: int) -> Arena:
    """What is not known, as it must have been if the hole from *first* on was taken."""
    if policy.fit is Fit.NEXT:
        rover = arena.cells[first].start if arena.rover is None else arena.rover
        return replace(arena, rover=rover)
    if policy.order is HoleOrder.ADDRESS:
        return arena
    # older than all that are known; of these the newest is taken, or from high the oldest
    inside, outside = (0, None) if policy.tried_from is End.LOW else (None, 0)
    cells = tuple(
        cell
        if cell.kind != HOLE or cell.age is not None
        else Cell(cell.start, cell.stride, HOLE, inside if first <= at < behind else outside)
        for at, cell in enumerate(arena.cells)
    )
    return Arena(cells, arena.rover)


def _shown(arena: Arena, policy: Policy, oldest: int) -> Arena:
    """The arena with nothing in it that makes no difference: it is compared.

    Ages below *oldest* are not known.
    """
    ages: Mapping[int, int] = {}
    if policy.order is HoleOrder.RECENT and policy.fit is not Fit.NEXT:
        known = {
            cell.age
            for cell in arena.cells
            if cell.kind == HOLE and cell.age is not None and cell.age >= oldest
        }
        ages = {age: rank for rank, age in enumerate(sorted(known), 1)}
    cells = tuple(
        [cell if cell.age is None else _aged(cell, ages.get(cell.age)) for cell in arena.cells]
    )
    return Arena(cells, arena.rover if policy.fit is Fit.NEXT else None)


def _aged(cell: Cell, age: int | None) -> Cell:
    age = age if cell.kind == HOLE else None
    return cell if cell.age == age else Cell(cell.start, cell.stride, cell.kind, age)


def _same(one: Cell, other: Cell) -> bool:
    return (one.start, one.stride, one.kind) == (other.start, other.stride, other.kind)
