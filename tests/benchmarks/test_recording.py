"""Recording costs little more than looking at memory at all: as ratios within one run."""

from __future__ import annotations

import sys

import pytest

from tests.benchmarks import recording


@pytest.mark.skipif(sys.platform == "win32", reason="reads the made RAM with preadv")
def test_a_look_costs_a_few_times_one_memcmp() -> None:
    """The aim is three times; a machine that is busy copies more slowly than it compares."""
    for _ in range(3):
        cost = recording.look_cost()
        if cost.look < 6 * cost.memcmp:
            return
    raise AssertionError(f"expected less than 6 times {cost.memcmp} s, found {cost.look} s")


@pytest.mark.parametrize("load", recording.LOADS)
def test_a_minute_is_hardly_larger_than_its_changed_lines(load: str) -> None:
    """The same bytes on every machine."""
    size = recording.minute(load, seconds=20)
    assert size.recorded < 1.5 * size.packed
