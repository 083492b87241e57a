"""The shape of a heap, and two of them compared.

Two blocks are the same where owner, size and use are, and where nothing else moved the later one: a
block that lies elsewhere counts as *moved* only if every block since the last one in its place is
the same and in its place too.  So a block that grew is one difference, not one for all behind it.
Addresses are relative to the first block's payload; a heap may lie anywhere.

With ``ignore_sizes`` owner and use alone count, as between builds that size their structs
differently.

A layout with wildcards is the same as a heap where each wildcard can take some blocks so that none
is left; else both are aligned at the least cost, and blocks that a run takes cost nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property

from bridge.heap.alignment import Pair, Shape, align
from bridge.heap.blocks import Block, Heap
from bridge.heap.laid import Laid
from bridge.heap.wildcards import Wildcards
from schemas.layout_file import MAX_BLOCKS, LayoutFile

__all__ = [
    "DIFFERS_AT_ONE",
    "MATCHES",
    "Comparison",
    "Laid",
    "Layout",
    "Line",
    "Sort",
    "compare",
    "first_difference",
    "layout_from",
    "layout_of",
    "match_value",
]

MATCHES = 1
"""What a watch on a layout gives where there is no difference."""
DIFFERS_AT_ONE = -1
"""What it gives where block 1 is the first that differs, since 1 says that all is well."""


@dataclass(frozen=True)
class Layout:
    """The shape of a heap, in list order; some blocks may be wildcards."""

    blocks: tuple[Laid, ...]
    ignore_sizes: bool = False

    @cached_property
    def wildcards(self) -> Wildcards | None:
        """None where it says of each block what it is."""
        if all(block.exact for block in self.blocks):
            return None
        return Wildcards(self.blocks, ignore_sizes=self.ignore_sizes)

    def shapes(self, ignore_sizes: bool) -> list[Shape]:
        """What is compared of each block of an exact layout."""
        return [
            Shape(b.owner, 0 if ignore_sizes else b.size or 0, bool(b.used)) for b in self.blocks
        ]


class Sort(StrEnum):
    """How a line of two layouts side by side compares."""

    SAME = "same"
    EXPECTED_ONLY = "expected only"
    FOUND_ONLY = "found only"
    DIFFERS = "differs"
    MOVED = "moved"


@dataclass(frozen=True, slots=True)
class Line:
    """Positions of what stands side by side, None where one side has nothing."""

    sort: Sort
    expected: int | None
    found: int | None


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two layouts side by side.

    ``first`` is the position among ``lines`` of the first difference, None where there is none.
    Of an exact layout it is the index of the first block that differs, too: all before it are in
    both.  A run stands in a line with each block that it takes, or in one with None.
    """

    expected: Layout
    found: Layout
    lines: tuple[Line, ...]
    first: int | None
    ignore_sizes: bool = False

    @property
    def first_block(self) -> int | None:
        """The index of the first of the heap's blocks that differs, or before which one misses."""
        if self.first is None:
            return None
        return sum(line.found is not None for line in self.lines[: self.first])


def layout_of(heap: Heap) -> Layout:
    """The shape of a heap; of a damaged one, that of the blocks before the damage."""
    base = heap.blocks[0].start if heap.blocks else 0
    return Layout(tuple(Laid(b.owner, b.size, b.used, b.start - base) for b in heap.blocks))


def layout_from(file: LayoutFile, *, ignore_sizes: bool = False) -> Layout:
    """The layout that a file holds."""
    blocks = tuple(Laid(b.owner, b.size, b.used, b.at, b.wildcard) for b in file.blocks)
    return Layout(blocks, ignore_sizes)


def first_difference(layout: Layout, blocks: Sequence[Block]) -> int | None:
    """The index of the first of a heap's blocks that is not as in *layout*, None where all are.

    Of an exact layout it is what ``compare`` finds, without the rest; of one with wildcards how
    many blocks at the beginning can be the beginning of a match.
    """
    if layout.wildcards is not None:
        base = blocks[0].start if blocks else 0
        return layout.wildcards.first_difference(
            [(b.owner, b.size, b.used, b.start - base) for b in blocks]
        )
    if blocks:
        base, sizes = blocks[0].start, not layout.ignore_sizes
        for laid, block in zip(layout.blocks, blocks, strict=False):
            if laid.owner != block.owner or laid.used != block.used:
                return block.index
            if sizes and (
                laid.size != block.size or (laid.at is not None and laid.at != block.start - base)
            ):
                return block.index
    if len(layout.blocks) == len(blocks):
        return None
    return min(len(layout.blocks), len(blocks))


def match_value(difference: int | None) -> int:
    """What a watch gives: 1 for a match, else the block's index, which for block 1 is -1."""
    if difference is None:
        return MATCHES
    return DIFFERS_AT_ONE if difference == MATCHES else difference


def compare(expected: Layout, found: Layout, *, ignore_sizes: bool = False) -> Comparison:
    """Both layouts, aligned at the least cost by the rule of ``bridge.heap.alignment``.

    Raises ValueError where either has more than MAX_BLOCKS blocks.
    """
    ignore_sizes = ignore_sizes or expected.ignore_sizes
    if expected.wildcards is not None:
        return _compare_wild(expected, found, ignore_sizes)
    left, right = expected.shapes(ignore_sizes), found.shapes(ignore_sizes)
    return _sorted(
        expected, found, align(left, right), lambda e, f: left[e] == right[f], ignore_sizes
    )


def _compare_wild(expected: Layout, found: Layout, ignore_sizes: bool) -> Comparison:
    """The same of a layout with wildcards: what each takes, or the cheapest alignment."""
    wildcards = Wildcards(expected.blocks, ignore_sizes=ignore_sizes)
    blocks = [(b.owner, b.size or 0, bool(b.used), b.at or 0) for b in found.blocks]
    if len(blocks) > MAX_BLOCKS:
        raise ValueError(f"{len(blocks)} blocks, expected at most {MAX_BLOCKS}")
    taken = wildcards.taken(blocks)
    if taken is not None:
        lines = tuple(Line(Sort.SAME, e, f) for e, f in taken)
        return Comparison(expected, found, lines, None, ignore_sizes)
    from bridge.heap.wild_alignment import align as align_wild  # it alone needs numpy

    shapes = [block[:3] for block in blocks]
    pairs = align_wild(wildcards, shapes)
    return _sorted(expected, found, pairs, lambda e, f: wildcards.fits(e, shapes[f]), ignore_sizes)


def _sorted(
    expected: Layout,
    found: Layout,
    pairs: Iterable[Pair],
    same: Callable[[int, int], bool],
    ignore_sizes: bool,
) -> Comparison:
    lines: list[Line] = []
    shift, explained = 0, False
    for e, f in pairs:
        if e is not None and expected.blocks[e].run:
            sort = Sort.SAME
        elif e is None or f is None:
            sort = Sort.FOUND_ONLY if e is None else Sort.EXPECTED_ONLY
        elif not same(e, f):
            sort = Sort.DIFFERS
        else:
            sort = Sort.SAME
            moved = None if ignore_sizes else _shift(expected.blocks[e], found.blocks[f])
            if moved is not None:
                if moved != shift and not explained:
                    sort = Sort.MOVED
                shift, explained = moved, False
        explained = explained or sort in (Sort.FOUND_ONLY, Sort.EXPECTED_ONLY, Sort.DIFFERS)
        lines.append(Line(sort, e, f))
    return Comparison(expected, found, tuple(lines), _first(lines), ignore_sizes)


def _shift(expected: Laid, found: Laid) -> int | None:
    if expected.at is None or found.at is None:
        return None
    return found.at - expected.at


def _first(lines: Sequence[Line]) -> int | None:
    return next((n for n, line in enumerate(lines) if line.sort is not Sort.SAME), None)
