"""An arena's cells as blocks by their payloads, as the heap's commands tell them, and back."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.planning.arena import HOLE, WALL, Arena, Cell
from bridge.planning.policy import Policy
from schemas.plan_file import BlockAt

__all__ = ["arena_of", "blocks_of"]


def blocks_of(arena: Arena, policy: Policy, *, ages: bool = False) -> tuple[BlockAt, ...]:
    """Every block and hole in the order of addresses; walls are no blocks and left out.

    A block's size is all that follows its header; *ages* tells whether ages stand with them.
    """
    return tuple(
        BlockAt(
            start=cell.start + policy.header,
            size=max(cell.stride - policy.header, 0),
            used=cell.used,
            owner=cell.kind,
            age=cell.age if ages else None,
        )
        for cell in arena.cells
        if cell.kind != WALL
    )


def arena_of(
    blocks: Sequence[BlockAt],
    policy: Policy,
    bounds: tuple[int, int],
    rover: int | None = None,
    held: int | None = None,
) -> Arena:
    """The arena from its first address to the one behind its last; between blocks there is wall.

    *held* is the payload of the block that is held.  Raises ValueError where blocks overlap or lie
    outside.
    """
    low, high = bounds
    cells: list[Cell] = []
    end = low
    for block in blocks:
        start = block.start - policy.header
        if start < end or block.start + block.size > high:
            where = "overlaps the one before" if low <= start < end else "is outside the arena"
            raise ValueError(f"the block at 0x{block.start:08X} {where}")
        if start > end:
            cells.append(Cell(end, start - end, WALL))
        kind = block.owner if block.used else HOLE
        cells.append(Cell(start, policy.header + block.size, kind, block.age))
        end = cells[-1].end
    if end < high:
        cells.append(Cell(end, high - end, WALL))
    return Arena(tuple(cells), rover, None if held is None else held - policy.header)
