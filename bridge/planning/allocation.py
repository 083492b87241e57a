"""Handing out and taking back one block: the plain reference of the rules in ``policy.py``.

Every call goes through all cells and makes a new arena; what is fast is tested against this.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from bridge.planning.arena import HOLE, WALL, Arena, Cell
from bridge.planning.policy import End, Fit, HoleOrder, Merge, Policy, WhenFull

__all__ = ["NotKnown", "NotPossible", "allocate", "release"]


class NotPossible(Exception):
    """What was asked for cannot be done here; the text says why."""


class NotKnown(NotPossible):
    """It hangs on what nobody knows: an age, or where next fit goes on."""


def allocate(arena: Arena, policy: Policy, size: int, kind: str, end: End | None = None) -> Arena:
    """The arena with a new block of so many bytes of payload.

    Where no hole is enough it is the arena as it is (with ``when full`` joined) if the policy says
    ``carry on``, else NotPossible.
    """
    stride = policy.stride(size)
    if stride <= 0:
        raise ValueError(f"a block of {kind} takes no bytes")
    if end is not None:
        policy = replace(policy, tried_from=end, carved_from=end)
    hole = _chosen(arena, policy, stride)
    if hole is None and policy.merge is Merge.WHEN_FULL:
        arena = _joined(arena)
        hole = _chosen(arena, policy, stride)
    if hole is None:
        if policy.when_full is WhenFull.CARRY_ON:
            return arena
        raise NotPossible(f"no hole is large enough for {kind}: it takes 0x{stride:X} bytes")
    return _carved(arena, policy, hole, stride, kind)


def release(arena: Arena, policy: Policy, start: int) -> Arena:
    """The arena without the block that starts, with its header, at ``start``."""
    at = next(at for at, cell in enumerate(arena.cells) if cell.start == start)
    block = arena.cells[at]
    if block.kind in (HOLE, WALL):
        raise ValueError(f"no block to release at 0x{start:08X}")
    first, behind = at, at + 1
    if policy.merge in (Merge.BOTH, Merge.PREVIOUS) and at > 0 and not arena.cells[at - 1].used:
        first -= 1
    if (
        policy.merge in (Merge.BOTH, Merge.NEXT)
        and behind < len(arena.cells)
        and not arena.cells[behind].used
    ):
        behind += 1
    low, high = arena.cells[first].start, arena.cells[behind - 1].end
    hole = Cell(low, high - low, HOLE, _newest(arena.cells) + 1)
    return Arena(
        cells=(*arena.cells[:first], hole, *arena.cells[behind:]),
        rover=_swallowed(arena.rover, [hole]),
        held=None if arena.held == start else arena.held,
    )


def _chosen(arena: Arena, policy: Policy, stride: int) -> Cell | None:
    holes = _in_order(arena, policy)
    enough = [hole for hole in holes if hole.stride >= stride]
    if policy.keeps_last:
        others = [hole for hole in enough if not _is_last(hole, arena, policy)]
        enough = others or enough
    if not enough:
        return None
    if policy.fit is Fit.BEST:
        taken = min(enough, key=lambda hole: hole.stride)
    elif policy.fit is Fit.WORST:
        taken = max(enough, key=lambda hole: hole.stride)
    else:
        taken = enough[0]
    if policy.order is HoleOrder.RECENT and policy.fit is not Fit.NEXT:
        alike = [
            hole
            for hole in enough
            if hole.age == taken.age and (policy.fit is Fit.FIRST or hole.stride == taken.stride)
        ]
        if len(alike) > 1:
            raise NotKnown(
                f"of the holes from 0x{alike[0].start:08X} and from 0x{alike[1].start:08X} it is "
                "not known which is newer"
            )
    return taken


def _in_order(arena: Arena, policy: Policy) -> list[Cell]:
    """The holes as the policy goes through them."""
    holes = [cell for cell in arena.cells if not cell.used]
    if policy.fit is Fit.NEXT:
        rover = arena.rover
        if rover is None:
            raise NotKnown("where next fit goes on is not known")
        if policy.tried_from is End.LOW:
            return sorted(holes, key=lambda hole: (hole.start < rover, hole.start))
        return sorted(holes, key=lambda hole: (hole.start > rover, -hole.start))
    if policy.order is HoleOrder.RECENT:
        holes.sort(key=_age, reverse=True)
    if policy.tried_from is End.HIGH:
        holes.reverse()
    return holes


def _is_last(hole: Cell, arena: Arena, policy: Policy) -> bool:
    """Whether it touches the end of the arena that is tried last."""
    if policy.tried_from is End.LOW:
        return hole.end == arena.high
    return hole.start == arena.low


def _carved(arena: Arena, policy: Policy, hole: Cell, stride: int, kind: str) -> Arena:
    rest = hole.stride - stride
    if rest == 0 or rest < policy.least_rest:
        stride, rest = hole.stride, 0
    age = _newest(arena.cells) + 1
    if policy.carved_from is End.LOW:
        block = Cell(hole.start, stride, kind, age)
        parts = [block, Cell(block.end, rest, HOLE, hole.age)]
    else:
        block = Cell(hole.start + rest, stride, kind, age)
        parts = [Cell(hole.start, rest, HOLE, hole.age), block]
    cells: list[Cell] = []
    for cell in arena.cells:
        cells += [part for part in parts if part.stride] if cell == hole else [cell]
    rover = arena.rover
    if policy.fit is Fit.NEXT:
        rover = block.end if policy.tried_from is End.LOW else block.start
    return Arena(tuple(cells), rover, arena.held)


def _joined(arena: Arena) -> Arena:
    """All holes that touch made one, each run in the place of its newest."""
    cells: list[Cell] = []
    for cell in arena.cells:
        before = cells[-1] if cells else None
        if before is not None and not before.used and not cell.used:
            age = before.age if _age(before) > _age(cell) else cell.age
            cells[-1] = Cell(before.start, before.stride + cell.stride, HOLE, age)
        else:
            cells.append(cell)
    return replace(arena, cells=tuple(cells), rover=_swallowed(arena.rover, cells))


def _swallowed(rover: int | None, cells: Iterable[Cell]) -> int | None:
    """The rover, at the start of the hole that it stands in."""
    for cell in cells:
        if rover is not None and not cell.used and cell.start < rover < cell.end:
            return cell.start
    return rover


def _age(cell: Cell) -> int:
    """Its age; one that is not known is older than all that are."""
    return -1 if cell.age is None else cell.age


def _newest(cells: Iterable[Cell]) -> int:
    return max((cell.age for cell in cells if cell.age is not None), default=-1)
