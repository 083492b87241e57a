"""A layout, with wildcards or without, as what a plan is to bring about."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from bridge.heap.laid import Laid
from bridge.heap.wildcards import Wildcards
from bridge.planning.arena import HOLE, WALL, Arena
from bridge.planning.policy import Policy
from schemas.layout_file import BlockTable, LayoutFile

__all__ = ["LayoutPattern", "pattern_from", "pattern_of"]


@dataclass(frozen=True)
class LayoutPattern:
    """Whether cells, seen as the blocks of a heap, are as a layout has them.

    Sizes and places are those of payloads; walls between blocks are nobody's and do not count.
    """

    blocks: Sequence[Laid]
    ignore_sizes: bool = False

    @cached_property
    def _wildcards(self) -> Wildcards:
        return Wildcards(self.blocks, ignore_sizes=self.ignore_sizes)

    def matches(self, arena: Arena, policy: Policy) -> bool:
        """Whether every block and hole of the arena is as the layout has it."""
        header = policy.header
        cells = [cell for cell in arena.cells if cell.kind != WALL]
        base = cells[0].start if cells else 0
        blocks = [
            (cell.kind, max(0, cell.stride - header), cell.kind != HOLE, cell.start - base)
            for cell in cells
        ]
        return self._wildcards.first_difference(blocks) is None

    def settled(self, arena: Arena, policy: Policy) -> list[tuple[str, int]]:
        """Kind and address of the blocks and holes whose place is given: counted, or as told.

        Those whose sizes are all known up to them are counted, where no wall may lie between.
        """
        cells = [cell for cell in arena.cells if cell.kind != WALL]
        if self.ignore_sizes or not cells:
            return []
        low = cells[0].start
        at = low if len(cells) == len(arena.cells) else None
        found = []
        for block in self.blocks:
            if block.run:
                at = None
                continue
            start = at if block.at is None else low + block.at
            if start is not None and block.wildcard is None and block.used is not None:
                found.append((block.owner if block.used else HOLE, start))
            at = None
            if start is not None and block.size and len(cells) == len(arena.cells):
                at = start + policy.header + block.size
        return found


def pattern_from(file: LayoutFile, *, ignore_sizes: bool = False) -> LayoutPattern:
    """What a layout file asks for."""
    return pattern_of(file.blocks, ignore_sizes=ignore_sizes)


def pattern_of(blocks: Sequence[BlockTable], *, ignore_sizes: bool = False) -> LayoutPattern:
    """What the blocks of a layout ask for."""
    laid = (Laid(b.owner, b.size, b.used, b.at, b.wildcard) for b in blocks)
    return LayoutPattern(tuple(laid), ignore_sizes)
