"""The ratios that evaluation must keep, in short form; ``evaluation.py`` prints all of them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.benchmarks import evaluation

TRIES = 6


def least(measure: Callable[[], float], enough: float) -> float:
    """The least of a few measurements: noise on a busy machine only ever adds."""
    found = measure()
    for _ in range(TRIES - 1):
        if found <= enough:
            break
        found = min(found, measure())
    return found


def test_thousand_halves_cost_at_most_half_more_than_a_loop_by_hand(tmp_path: Path) -> None:
    def ratio() -> float:
        a, _, hand = evaluation.against_hand(tmp_path)
        return a / hand

    assert least(ratio, 1.5) <= 1.5


@pytest.mark.parametrize("count", [300, pytest.param(1000, marks=pytest.mark.full)])
def test_cost_grows_linearly_with_the_count_of_watches(tmp_path: Path, count: int) -> None:
    def ratio() -> float:
        some, ten_times = evaluation.growth(tmp_path, (count, 10 * count))
        return ten_times.ratio / some.ratio

    assert least(ratio, 2.0) <= 2.0


def test_loading_a_large_schema_costs_little_more_than_reading_its_toml(tmp_path: Path) -> None:
    def ratio() -> float:
        load, toml = evaluation.load_seconds(tmp_path)
        return load / toml

    assert least(ratio, 20.0) <= 20.0
