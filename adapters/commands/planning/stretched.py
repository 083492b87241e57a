"""One scale for all strips of a plan on a build, so that what stays stands in one place.

Most of a heap is one great hole.  Where no strip of the plan has anything but a hole, the scale is
cut short, so that blocks are seen; what is cut is told.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from bridge.heap.blocks import Block
from schemas.plan_file import BlockAt, PlanFile

__all__ = ["Drawn", "Scale", "scale_of", "scale_of_layouts"]

_QUIET = 6
"""How many times longer all blocks together are than the longest stretch without any."""


@dataclass(frozen=True, slots=True)
class Drawn:
    """A block on the scale: from ``begin`` to ``end``, and whether some of it is left out."""

    block: BlockAt
    begin: int
    end: int
    cut: bool


@dataclass(frozen=True, slots=True)
class Scale:
    """From guest addresses to places from 0 to ``length``.

    ``marks`` are addresses at which the scale's slope changes, ``places`` where they are on it;
    blocks have ``header`` bytes before their payloads.
    """

    marks: tuple[int, ...]
    places: tuple[int, ...]
    header: int

    @property
    def length(self) -> int:
        """The place of the arena's end."""
        return self.places[-1]

    def place(self, address: int) -> int:
        """Where an address is; those outside are at the scale's ends."""
        address = min(max(address, self.marks[0]), self.marks[-1])
        n = min(bisect_right(self.marks, address), len(self.marks) - 1)
        low, high = self.marks[n - 1], self.marks[n]
        first, last = self.places[n - 1], self.places[n]
        return first + (address - low) * (last - first) // (high - low)

    def drawn(self, blocks: Sequence[BlockAt]) -> Iterator[Drawn]:
        """The blocks of one layout, with their headers."""
        for block in blocks:
            low, high = block.start - self.header, block.start + block.size
            begin, end = self.place(low), self.place(high)
            yield Drawn(block, begin, end, end - begin < high - low)

    def as_blocks(self, blocks: Sequence[BlockAt]) -> list[Block]:
        """The blocks of one layout as a strip of characters takes them, with the scale's sizes."""
        found: list[Block] = []
        end = 0

        def add(begin: int, size: int, used: bool, owner: str) -> None:
            found.append(Block(begin, size, used, len(found), owner, begin))

        for drawn in self.drawn(blocks):
            if drawn.begin > end:
                add(end, drawn.begin - end, True, "")
            end = drawn.end
            add(drawn.begin, end - drawn.begin, drawn.block.used, drawn.block.owner)
        if end < self.length:
            add(end, self.length - end, True, "")
        return found


def scale_of(plan: PlanFile, build: str) -> Scale:
    """The scale of one build's strips."""
    start = plan.start.builds[build]
    low, high = start.arena
    layouts = [start.blocks, *(step.layouts[build] for step in plan.steps)]
    wanted = [
        address
        for goal in plan.goals
        for address in (*goal.spans.get(build, ()), goal.addresses.get(build, low))
    ]
    return scale_of_layouts(layouts, (low, high), _header(low, start.blocks), wanted)


def scale_of_layouts(
    layouts: Iterable[Sequence[BlockAt]],
    arena: tuple[int, int],
    header: int,
    wanted: Iterable[int] = (),
) -> Scale:
    """One scale for several layouts of an arena, on which the *wanted* addresses are seen, too."""
    low, high = arena
    spans = [(at, min(at + 16, high)) for at in wanted if low <= at < high]
    for blocks in layouts:
        spans += [(b.start - header, b.start + b.size) for b in blocks if b.used]
    return _scale(low, high, header, _merged(spans))


def _header(low: int, blocks: Sequence[BlockAt]) -> int:
    """The bytes before every payload: the least that lies between two blocks."""
    ends = [low, *(block.start + block.size for block in blocks)]
    return min(block.start - end for block, end in zip(blocks, ends, strict=False))


def _merged(spans: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    """The same bytes without overlaps, in order."""
    merged: list[tuple[int, int]] = []
    for begin, end in sorted(spans):
        if merged and begin <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(merged[-1][1], end))
        else:
            merged.append((begin, end))
    return merged


def _scale(low: int, high: int, header: int, busy: Sequence[tuple[int, int]]) -> Scale:
    longest = max(sum(end - begin for begin, end in busy) // _QUIET, 16)
    marks, places = [low], [0]

    def go_on(to: int, most: int | None) -> None:
        if to > marks[-1]:
            step = to - marks[-1]
            places.append(places[-1] + (step if most is None else min(step, most)))
            marks.append(to)

    for begin, end in busy:
        go_on(begin, longest)
        go_on(end, None)
    go_on(high, longest)
    return Scale(tuple(marks), tuple(places), header)
