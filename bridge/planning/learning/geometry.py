"""What the heap says of its allocator by itself, without a model: sizes, alignment, merging."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from bridge.heap.blocks import Heap
from bridge.heap.events import Happened
from bridge.planning.arena import Cell
from bridge.planning.learning.observed import Play, cells_of, releases

__all__ = ["Geometry", "Touching", "geometry", "heaps_of"]


@dataclass(frozen=True, slots=True)
class Touching:
    """Releases beside holes that were there, and after how many of these the two were still apart.

    ``before`` is of holes right before the block, ``behind`` of those right behind it.
    """

    before: int = 0
    before_apart: int = 0
    behind: int = 0
    behind_apart: int = 0


@dataclass(frozen=True, slots=True)
class Geometry:
    """Of one build, in bytes.

    ``headers`` are how far behind a block's beginning its payload was seen to start, the most
    frequent first.  Alignment is a power of two from ``alignment[0]`` to ``alignment[1]``; all in
    between give the strides that were seen.  ``strides`` is by kind what a block takes with its
    header; ``varied`` are kinds of which blocks of different sizes were seen that no small rest
    explains.  The least rest lies behind ``swallowed``, the largest that was given away with a
    block (None: none was), and is at most ``split``, the smallest that was seen split off alone.
    """

    build: str
    headers: tuple[int, ...]
    alignment: tuple[int, int]
    strides: Mapping[str, int]
    varied: frozenset[str]
    swallowed: int | None
    touching: Touching

    @property
    def header(self) -> int:
        """Bytes before the payload."""
        return self.headers[0] if self.headers else 0


def geometry(build: str, plays: Iterable[Play], sizes: Mapping[str, int]) -> Geometry:
    """What the heaps of one build say.

    *sizes* are bytes that are asked for by kind, as far as the schema says: those that are rounded
    up narrow the alignment from below.
    """
    headers: Counter[int] = Counter()
    seen: dict[str, set[int]] = {}
    common = 0
    known: set[tuple[Cell, ...]] = set()
    plays = list(plays)
    for heap in heaps_of(plays):
        cells = cells_of(heap)
        if cells in known:
            continue
        known.add(cells)
        for block in heap.blocks:
            if block.used:
                headers[max(block.start - block.header, 0)] += 1
        low = cells[0].start
        for cell in cells:
            common = math.gcd(common, cell.start - low, cell.stride)
            if cell.used:
                seen.setdefault(cell.kind, set()).add(cell.stride)
    strides = {kind: min(each) for kind, each in seen.items()}
    smallest = min(strides.values(), default=0)
    varied = frozenset(
        kind for kind, each in seen.items() if max(each) - min(each) >= max(smallest, 1)
    )
    extra = [s - strides[kind] for kind, each in seen.items() if kind not in varied for s in each]
    header = headers.most_common(1)[0][0] if headers else 0
    most = common & -common
    return Geometry(
        build=build,
        headers=tuple(header for header, _ in headers.most_common()),
        alignment=(_least_alignment(header, most, strides, sizes), most),
        strides={kind: stride for kind, stride in strides.items() if kind not in varied},
        varied=varied,
        swallowed=max(extra, default=0) or None,
        touching=_touching(plays),
    )


def heaps_of(plays: Iterable[Play]) -> Iterator[Heap]:
    """Every heap that was seen, but for those that are as the one before."""
    for play in plays:
        if play.first is not None:
            yield play.first
        for change in play.changes:
            yield change.after


def _least_alignment(
    header: int, most: int, strides: Mapping[str, int], sizes: Mapping[str, int]
) -> int:
    """The smallest power of two by which what is asked for becomes what was seen."""
    asked = {kind: sizes[kind] + header for kind in strides if kind in sizes}
    alignment = 1
    while alignment < most and any(
        -(-size // alignment) * alignment != strides[kind] for kind, size in asked.items()
    ):
        alignment *= 2
    return alignment


def _touching(plays: Iterable[Play]) -> Touching:
    """Changes in which one block was released and nothing else came or went."""
    counts = [0, 0, 0, 0]
    for play in plays:
        for change in play.changes:
            gone = releases(change)
            if len(gone) != 1 or [e.happened for e in change.events] != [Happened.RELEASED]:
                continue
            if not change.gapless:
                continue
            cells = cells_of(change.before)
            start = min(gone[0].header, gone[0].start)
            at = next(at for at, cell in enumerate(cells) if cell.start == start)
            starts = {cell.start for cell in cells_of(change.after)}
            if at and not cells[at - 1].used:
                counts[0] += 1
                counts[1] += start in starts
            if at + 1 < len(cells) and not cells[at + 1].used:
                counts[2] += 1
                counts[3] += cells[at + 1].start in starts
    return Touching(*counts)
