"""Speed of comparing heap layouts: ``python -m tests.benchmarks.alignment``.

Two layouts of 2,000 blocks, with few differences and heavily shuffled, are aligned; beside it, in
the same run, the textbook's table of costs is filled cell by cell for 200 blocks against 200, which
is a hundredth of the cells.  And a heap of 2,000 blocks is held against a layout, as a watch does.
"""

from __future__ import annotations

import random
import time
import tracemalloc
from collections.abc import Callable, Sequence

from bridge.heap.alignment import Shape, align
from bridge.heap.blocks import Block, Heap
from bridge.heap.shape import first_difference, layout_of
from schemas.layout_file import MAX_BLOCKS

BLOCKS = 2000
TABLE = 200
OWNERS = ("lantern", "crate", "gull", "buoy", "mist_puff", "free")
SIZES = (0x1B0, 0x1C0, 0x1D0, 0x230)


def some(chance: random.Random, count: int) -> list[Shape]:
    return [
        Shape(owner, chance.choice(SIZES), owner != "free")
        for owner in chance.choices(OWNERS, k=count)
    ]


def few_differences(shapes: Sequence[Shape]) -> list[Shape]:
    """Ten blocks are gone and ten others are new."""
    chance = random.Random(2)
    changed = list(shapes)
    for shape in some(chance, 10):
        del changed[chance.randrange(len(changed))]
        changed.insert(chance.randrange(len(changed)), shape)
    return changed


def shuffled(shapes: Sequence[Shape]) -> list[Shape]:
    changed = list(shapes)
    random.Random(3).shuffle(changed)
    return changed


def heap(shapes: Sequence[Shape]) -> Heap:
    blocks, start = [], 0x8020_0010
    for index, shape in enumerate(shapes):
        blocks.append(Block(start, shape.size, shape.used, index, shape.owner, start - 0x10))
        start += shape.size + 0x10
    return Heap(blocks)


def table(expected: Sequence[Shape], found: Sequence[Shape]) -> int:
    """The least cost, cell by cell."""
    above = list(range(len(found) + 1))
    for row, one in enumerate(expected, 1):
        now = [row]
        for column, other in enumerate(found, 1):
            pair = 0 if one == other else 1 if one.akin(other) else 2
            now.append(min(above[column - 1] + pair, above[column] + 1, now[-1] + 1))
        above = now
    return above[-1]


def seconds(call: Callable[[], object], times: int = 3) -> float:
    """The least time of a few calls."""
    found = []
    for _ in range(times):
        began = time.thread_time()
        call()
        found.append(time.thread_time() - began)
    return min(found)


def alignment_seconds() -> tuple[float, float, float]:
    """Few differences, heavily shuffled, and the table of a hundredth of the cells."""
    shapes = some(random.Random(1), BLOCKS)
    few, many = few_differences(shapes), shuffled(shapes)
    short = shapes[:TABLE]
    return (
        seconds(lambda: align(shapes, few)),
        seconds(lambda: align(shapes, many)),
        seconds(lambda: table(short, shuffled(short))),
    )


def longest() -> tuple[float, int]:
    """The worst case that there is: seconds, and the most bytes that are held at once."""
    shapes = some(random.Random(1), MAX_BLOCKS)
    many = shuffled(shapes)
    took = seconds(lambda: align(shapes, many), 1)
    tracemalloc.start()
    align(shapes, many)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return took, peak


def watch_seconds() -> tuple[float, float]:
    """A heap held against a layout that it matches, and one that its first block breaks."""
    shapes = some(random.Random(1), BLOCKS)
    present = heap(shapes)
    layout = layout_of(present)
    other = layout_of(heap([Shape("lamp", 1, True), *shapes[1:]]))
    assert first_difference(layout, present.blocks) is None
    assert first_difference(other, present.blocks) == 0
    return (
        seconds(lambda: first_difference(layout, present.blocks)),
        seconds(lambda: first_difference(other, present.blocks)),
    )


def main() -> None:
    few, many, cells = alignment_seconds()
    print(f"{BLOCKS} blocks against {BLOCKS}, few differences  {few * 1e3:8.2f} ms")
    print(f"{BLOCKS} blocks against {BLOCKS}, shuffled         {many * 1e3:8.2f} ms")
    print(f"a table cell by cell, {TABLE} against {TABLE}        {cells * 1e3:8.2f} ms")
    print(f"per cell, the table costs {cells / TABLE**2 / (many / BLOCKS**2):.0f} times as much")
    took, peak = longest()
    print(
        f"{MAX_BLOCKS} blocks on both sides, shuffled    {took * 1e3:8.2f} ms, {peak / 1e6:.0f} MB"
    )
    matches, differs = watch_seconds()
    print(f"a watch on a layout that matches           {matches * 1e3:8.3f} ms")
    print(f"one that differs at the first block        {differs * 1e3:8.3f} ms")


if __name__ == "__main__":
    main()
