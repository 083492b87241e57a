"""Heaps of five forms in memory that no allocator left: the walk ends, and says why.

Source: no expected values but these: whole and line by line it comes to the same, blocks of a sound
heap do not overlap and lie in the extent, which they fill.
"""

from __future__ import annotations

import random
from itertools import pairwise

import pytest

from bridge.heap.blocks import Heap
from tests.outside.test_heap_forms import SIZE, STYLES, guest_of

LOW, HIGH = 0x8000_1000, 0x8000_3000


def noise(seed: int) -> bytes:
    """Words that a walk takes for pointers and sizes more often than chance has it."""
    chance = random.Random(seed)
    sparse = chance.random() < 0.6

    def word() -> int:
        kind = chance.random()
        if kind < (0.9 if sparse else 0.4):
            return 0
        if kind < 0.93:
            return LOW + 8 * chance.randrange((HIGH - LOW) // 8)
        if kind < 0.97:
            return 8 * chance.randrange(64)
        return chance.choice((1, 0x7FFF_FFFF, 0xFFFF_FFFF, LOW - 8, HIGH, LOW + 1))

    return b"".join(word().to_bytes(4, "big") for _ in range(SIZE // 4))


@pytest.mark.parametrize("style", STYLES)
@pytest.mark.parametrize("count", [25, pytest.param(2000, marks=pytest.mark.full)])
def test_the_walk_ends_and_is_the_same_line_by_line(style: str, count: int) -> None:
    guest = guest_of(style)
    runs = [guest.run({"count": "len(blocks())"}, whole=whole) for whole in (True, False)]
    sound = damaged = 0
    for seed in range(count):
        guest.bytes[:SIZE] = noise(seed)
        heaps: list[Heap] = []
        for run in runs:
            run.frame()
            heaps.append(run.evaluator.heap())
        one, other = heaps
        assert list(one.blocks) == list(other.blocks)
        assert (one.damaged, one.empty) == (other.damaged, other.empty)
        if one.damaged is not None:
            damaged += 1
            continue
        sound += 1
        filled = [block for block in one.blocks if block.size]
        in_order = sorted(filled, key=lambda block: block.start)
        assert all(a.end <= b.start for a, b in pairwise(in_order))
        if one.extent is not None:
            low, high = one.extent
            assert low <= in_order[0].start
            assert in_order[-1].end <= high
    # every free stretch must be filled with headers that happen to fit, and any bits will do
    assert sound or style == "headers"
    assert damaged or style == "bitmap"
