"""The cheapest way to turn a layout with wildcards into a heap: which belongs to which.

The costs are those of ``bridge.heap.alignment``: 0 for a single and a block that fits it, 1 for one
that has owner or size in common or wants any, 1 for what stands on one side only; but blocks in a
gap with a run cost nothing.  Of equally cheap ways each single takes the earliest block, so that
runs take as little as will do, and missing comes before extra.

The table of costs is filled a row at a time, from the end: a row's cells depend on each other by
runs and extra blocks alone, which is a running minimum.  n × m cells, whatever stands there.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from bridge.heap.laid import Laid
from bridge.heap.wildcards import Wildcards

__all__ = ["align"]

_Pair = tuple[int | None, int | None]
_Row = NDArray[np.int32]
_NEVER = np.iinfo(np.int32).max


def align(layout: Wildcards, shapes: Sequence[tuple[str, int, bool]]) -> list[_Pair]:
    """Positions in the layout and in the heap, None where one side has nothing, in order.

    A run is told with each block that it takes, or once with None.
    """
    start, end = _outer(layout, shapes)
    inner = layout.singles[start : len(layout.singles) - end]
    table = _Table(layout, start, inner, shapes[start : len(shapes) - end])
    pairs: list[_Pair] = []
    place = found = began = 0
    for single, block in [(1, 1)] * start + table.walk() + [(1, 1)] * end:
        if single:
            pairs += layout.run(place, range(began, found))
            pairs.append((layout.singles[place], found if block else None))
        elif place not in layout.runs:
            pairs.append((None, found))
        place, found = place + single, found + block
        if single or place not in layout.runs:
            began = found
    return pairs + layout.run(place, range(began, found))


def _outer(layout: Wildcards, shapes: Sequence[tuple[str, int, bool]]) -> tuple[int, int]:
    """How many singles before the first run, and behind the last, fit the blocks at either end.

    Pairing these is always among the cheapest ways: whoever else paired with such a block can be
    left alone for the 1 that is saved.
    """
    rows = len(layout.singles)
    first, last = min(layout.runs, default=rows), max(layout.runs, default=0)
    start = 0
    while start < min(first, len(shapes)) and layout.fit_shape(shapes[start]) >> start & 1:
        start += 1
    end, most = 0, min(rows - max(last, start), len(shapes) - start)
    while end < most and layout.fit_shape(shapes[-1 - end]) >> rows - 1 - end & 1:
        end += 1
    return start, end


class _Table:
    """What is done in each cell: a pair, or else a single that is missing, or else a further block.

    Rows are *singles*, the first of which is number *start*, and columns *shapes*.
    """

    def __init__(
        self,
        layout: Wildcards,
        start: int,
        singles: Sequence[int],
        shapes: Sequence[tuple[str, int, bool]],
    ) -> None:
        self._columns = columns = len(shapes)
        self._pairs: list[NDArray[np.uint8]] = []
        self._missing: list[NDArray[np.uint8]] = []
        costs = _Costs(shapes, layout.ignore_sizes)
        away = np.arange(columns, -1, -1, dtype=np.int32)  # blocks from a cell to the end
        below: _Row = np.zeros_like(away) if start + len(singles) in layout.runs else away
        pair: _Row = np.full_like(away, _NEVER)
        for row_number in range(len(singles) - 1, -1, -1):
            cost = costs.of(layout.laid[singles[row_number]])
            pair[:-1] = np.where(cost < 2, below[1:] + cost, _NEVER)
            row: _Row = np.minimum(pair, below + 1)
            if start + row_number in layout.runs:
                row = np.minimum.accumulate(row[::-1])[::-1]
            else:
                row = np.minimum.accumulate((row - away)[::-1])[::-1] + away
            self._pairs.append(np.packbits(pair == row))
            self._missing.append(np.packbits(below + 1 == row))
            below = row
        self._pairs.reverse()
        self._missing.reverse()

    def walk(self) -> list[tuple[int, int]]:
        """How far each step goes on, in singles and in blocks."""
        steps: list[tuple[int, int]] = []
        place = found = 0
        while place < len(self._pairs):
            byte, bit = found >> 3, 7 - (found & 7)
            if self._pairs[place][byte] >> bit & 1:
                step = (1, 1)
            else:
                step = (1, 0) if self._missing[place][byte] >> bit & 1 else (0, 1)
            steps.append(step)
            place, found = place + step[0], found + step[1]
        return steps + [(0, 1)] * (self._columns - found)


class _Costs:
    """What a single costs with each of some blocks."""

    def __init__(self, shapes: Sequence[tuple[str, int, bool]], ignore_sizes: bool) -> None:
        self._owners: dict[str, int] = {}
        self._sizes: dict[int, int] = {}
        self._ignore_sizes = ignore_sizes
        owners = [self._owners.setdefault(owner, len(self._owners)) for owner, _, _ in shapes]
        sizes = [self._sizes.setdefault(size, len(self._sizes)) for _, size, _ in shapes]
        self._owner = np.array(owners, np.int32)
        self._size = np.array(sizes, np.int32)
        self._used = np.array([used for _, _, used in shapes], np.bool_)

    def of(self, one: Laid) -> _Row:
        every = np.ones_like(self._used)
        owner = size = use = every
        if one.wildcard is None:
            owner = self._owner == self._owners.get(one.owner, -1)
        if one.size is not None and not self._ignore_sizes:
            size = self._size == self._sizes.get(one.size, -1)
        if one.used is not None:
            use = self._used == one.used
        return np.where(owner & size & use, 0, np.where(owner | size, 1, 2)).astype(np.int32)
