"""Blocks that overlap: no allocator hands the same bytes out twice.

Either the list is damaged, or the schema's size or payload is wrong.  A list is mostly in the order
of addresses, and then the walk itself sees that each block begins behind the one before; what this
module does is for lists that are not.
"""

from __future__ import annotations

from bisect import bisect_right, insort
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from bridge.heap.blocks import Row

__all__ = ["Overlap", "first_overlap", "uncovered"]


@dataclass(frozen=True, slots=True)
class Overlap:
    """Two blocks, by their indexes in list order, and the ``size`` bytes from ``start`` of both."""

    later: int
    earlier: int
    start: int
    size: int


def first_overlap(rows: Sequence[Row], header_size: int) -> Overlap | None:
    """The first block in list order that overlaps one before it; None where all are apart.

    A block is its header of *header_size* bytes and its payload.  Where the payload begins inside
    what the schema calls the header, as when the header has links that only free blocks use, the
    header ends there.
    """
    parts = sorted(
        part for index, row in enumerate(rows) for part in _parts(index, row, header_size)
    )
    ends = 0
    for start, end, _ in parts:
        if start < ends:
            break
        ends = end
    else:
        return None
    return _first(rows, header_size)


def uncovered(
    rows: Sequence[Row], header_size: int, low: int, high: int
) -> Iterator[tuple[int, int]]:
    """Start and end of all that no block covers, neither with its header nor with its payload."""
    at = low
    for start, end, _ in sorted(
        p for n, row in enumerate(rows) for p in _parts(n, row, header_size)
    ):
        if start >= high or end <= low:
            continue  # a header that lies elsewhere
        if start > at:
            yield at, start
        at = max(at, end)
    if at < high:
        yield at, high


_Part = tuple[int, int, int]
"""Start, end and index of a block's header or payload, or of both where one follows the other."""


def _parts(index: int, row: Row, header_size: int) -> list[_Part]:
    header, start, size = row[:3]
    end = start + size
    if header <= start <= header + header_size:
        return [(header, end, index)] if end > header else []
    parts = [(start, end, index)] if size else []
    if start <= header and header + header_size <= end:
        return parts  # the header lies in its own payload
    return [*parts, (header, header + header_size, index)]


def _first(rows: Sequence[Row], header_size: int) -> Overlap | None:
    """The same, by putting one block after another in place."""
    placed: list[_Part] = []
    for index, row in enumerate(rows):
        own = _parts(index, row, header_size)
        for part in own:
            start, end, _ = part
            place = bisect_right(placed, part)
            for other_start, other_end, other in placed[max(0, place - 1) : place + 1]:
                first, last = max(start, other_start), min(end, other_end)
                if first < last and other != index:
                    return Overlap(index, other, first, last - first)
        for part in own:
            insort(placed, part)
    return None
