"""The ratios that the solvers must keep; ``solvers.py`` prints them with the seconds."""

from __future__ import annotations

from tests.benchmarks import solvers, walks
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


def test_walks_are_searched_several_times_as_fast_as_by_a_plain_loop() -> None:
    """Where it was made: 6,000,000 states a second against the 1,000,000 of the loop."""

    def ratio() -> float:
        searched, looped, _ = walks.against_a_loop(7, 1)
        return searched / looped

    assert least(ratio, 0.35) <= 0.35


def test_a_search_for_walks_costs_a_few_sorts_of_its_states() -> None:
    def ratio() -> float:
        searched, sorted_, _, _ = walks.against_sorting(8, 1)
        return searched / sorted_

    assert least(ratio, 8) <= 8
