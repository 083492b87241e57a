"""What the tests of a problem say of a heap: whether they pass, and how far it is at least."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.planning.problem import BEYOND, HOLE_KIND, NEVER, WALL_KIND, Side, Test

__all__ = ["PRICE", "Cell", "bound_of", "is_wanted", "measured", "passes", "priced"]

PRICE = 3
Cell = tuple[int, int, int, int]
"""Start, units, kind, age."""


def passes(test: Test, cells: Sequence[Cell]) -> bool:
    """Whether the test passes on these cells."""
    if test.kinds:
        return any(is_wanted(test, cell) for cell in cells)
    return any(
        kind == HOLE_KIND and start <= test.low < start + units for start, units, kind, _ in cells
    )


def measured(test: Test, cells: Sequence[Cell], controls: int) -> list[tuple[int, int]]:
    """What a test that does not pass says of a heap: (table, row) of all that count.

    Tables are 0 ``clear``, 1 ``fill``, 2 ``links``; a row -1 is NEVER throughout.  Of table PRICE
    and above, one for each reach, the row is the frames themselves.
    """
    kinds = {
        kind
        for start, units, kind, _ in cells
        if kind != HOLE_KIND and start < test.clear_high and start + units > test.clear_low
    }
    rows = [(0, kind) for kind in kinds]
    rows.append((1, min(_to_fill(test, cells), len(test.fill) // controls - 1)))
    if test.chain:
        least = min(test.chain[at] for at in _boundaries(test, cells))
        last = len(test.links) // controls - 1
        rows.append((2, -1 if least == BEYOND else min(least, last)))
    if test.prices:
        width = cells[-1][0] + cells[-1][1] + 1
        for reach in range(len(test.prices) // width):
            rows.append((PRICE + reach, _price(test, cells, reach)))
    return rows


def bound_of(test: Test, cells: Sequence[Cell], reaches: Sequence[int]) -> list[int]:
    """By control the least frames without a sweep until a test passes that does not."""
    controls = len(reaches)
    tables = (test.clear, test.fill, test.links)
    bound = [0] * controls
    for table, row in measured(test, cells, controls):
        if row < 0:
            return [NEVER] * controls
        if table >= PRICE:
            said: Sequence[int] = priced(reaches, table - PRICE, row)
        else:
            said = tables[table][row * controls : (row + 1) * controls]
        bound = [max(pair) for pair in zip(bound, said, strict=True)]
    return bound


def priced(reaches: Sequence[int], reach: int, frames: int) -> list[int]:
    """By control the frames, where it is of that reach."""
    return [frames if each == reach else 0 for each in reaches]


def _to_fill(test: Test, cells: Sequence[Cell]) -> int:
    count = 0
    if test.side:
        for start, units, kind, _ in cells:
            if kind == HOLE_KIND:
                if test.side == Side.LOW:
                    part = min(start + units, test.fill_at) - start
                else:
                    part = start + units - max(start, test.fill_at)
                count += max(0, part) // test.fill_by
    return count


def _price(test: Test, cells: Sequence[Cell], reach: int) -> int:
    """The least frames for a chain of blocks, and for the releases of what is in its way."""
    price, end = NEVER, 0
    units = cells[-1][0] + cells[-1][1]
    at = reach * (units + 1)
    releases = reach * (len(test.releases) * (units + 1) // len(test.prices))
    for start, width, kind, _ in cells:
        price = min(price, test.prices[at + start])
        end = start + width
        if kind == HOLE_KIND:
            continue
        if start < test.chain_low or (start < test.clear_high and end > test.clear_low):
            price = min(price + test.releases[releases + kind], NEVER)
        if kind == WALL_KIND:
            if start >= test.chain_high:
                return price
            if end <= test.chain_low:
                price = NEVER
    return min(price, test.prices[at + end])


def _boundaries(test: Test, cells: Sequence[Cell]) -> list[int]:
    """Those that count for a chain: between the last wall below it and the first one above."""
    found: list[int] = []
    end = 0
    for start, units, kind, _ in cells:
        found.append(start)
        end = start + units
        if kind == WALL_KIND:
            if start >= test.chain_high:
                return found
            if end <= test.chain_low:
                found.clear()
    return [*found, end]


def is_wanted(test: Test, cell: Cell) -> bool:
    """Whether this cell is one for which a test of blocks passes."""
    start, units, kind, _ = cell
    return (
        bool(test.kinds >> kind & 1)
        and test.low <= start <= test.high
        and start + units >= test.end
    )
