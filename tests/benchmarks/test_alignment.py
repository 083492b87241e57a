"""What comparing layouts may cost; ``alignment.py`` prints the figures."""

from __future__ import annotations

from tests.benchmarks import alignment
from tests.benchmarks.test_evaluation import least


def test_two_layouts_of_two_thousand_blocks_cost_less_than_a_table_of_a_hundredth() -> None:
    def ratio() -> float:
        few, many, cells = alignment.alignment_seconds()
        return max(few, many) / cells

    assert least(ratio, 1.5) <= 1.5


def test_how_much_differs_hardly_matters() -> None:
    def ratio() -> float:
        few, many, _ = alignment.alignment_seconds()
        return many / few

    assert least(ratio, 4.0) <= 4.0


def test_two_layouts_of_two_thousand_blocks_take_less_than_a_tenth_of_a_second() -> None:
    assert least(lambda: max(alignment.alignment_seconds()[:2]), 0.1) < 0.1


def test_a_watch_looks_no_further_than_the_first_difference() -> None:
    def ratio() -> float:
        matches, differs = alignment.watch_seconds()
        return differs / matches

    assert least(ratio, 0.1) <= 0.1
