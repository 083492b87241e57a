"""The ratios that the solvers must keep; ``solvers.py`` prints them with the seconds."""

from __future__ import annotations

from tests.benchmarks import solvers
from tests.benchmarks.test_evaluation import least


def test_an_answer_about_turns_costs_less_than_a_plain_dijkstra() -> None:
    def ratio() -> float:
        whole, _, dijkstra = solvers.turns(2)
        return whole / dijkstra

    assert least(ratio, 0.5) <= 0.5


def test_a_half_is_found_without_stepping_through_its_patterns() -> None:
    def ratio() -> float:
        searched, stepped = solvers.halves()
        return searched / stepped

    assert least(ratio, 0.01) <= 0.01
