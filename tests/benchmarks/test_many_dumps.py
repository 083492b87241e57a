"""What many dumps in one run must keep, in short form; ``many_dumps.py`` prints more."""

from __future__ import annotations

import sys

import pytest

from tests.benchmarks import many_dumps
from tests.benchmarks.test_evaluation import least

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="asks getrusage(2)")


@pytest.mark.parametrize("count", [60, pytest.param(10_000, marks=pytest.mark.full)])
def test_memory_is_flat_and_a_dump_costs_little_more_than_its_unpacking(count: int) -> None:
    """The unpacking is zlib's."""
    few_seconds, _, few = many_dumps.read(24)

    def ratio() -> float:
        many_seconds, _, many = many_dumps.read(count)
        # many more dumps, and hardly any more memory in the command or a worker
        assert all(more < 1.25 * less + 8 for more, less in zip(many, few, strict=True))
        return (many_seconds - few_seconds) / (count - 24) / many_dumps.unpacking()

    assert least(ratio, 3.0) <= 3.0
