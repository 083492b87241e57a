"""The walk along a large heap keeps its pace: as a ratio to a plain loop within one run."""

from __future__ import annotations

from tests.benchmarks import heap_walk


def test_two_thousand_blocks() -> None:
    """5 ms is the aim for the walk with every owner; the ratio says the same on any machine."""
    for _ in range(3):
        times = heap_walk.measure()
        print(times)
        measured = times.walk, times.owners, times.sparse, times.unordered
        ratios = [seconds / times.by_hand for seconds in measured]
        if ratios[0] < 5 and ratios[1] < 10 and ratios[2] < 7 and ratios[3] < 12:
            return
    raise AssertionError(f"expected less than 5, 10, 7 and 12 times the loop, found {times}")


def test_a_pointer_into_the_heap_costs_little_more_than_one_walk() -> None:
    for _ in range(3):
        checked, unchecked = heap_walk.pointer_cost(100)
        # 100 watches, one walk of 40 blocks between them
        if checked < 7 * unchecked:
            return
    raise AssertionError(f"expected less than 7 times {unchecked} s, found {checked} s")
