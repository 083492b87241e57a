"""The Wilson score interval against a printed table and against its defining equation."""

from __future__ import annotations

import math
from fractions import Fraction
from statistics import NormalDist

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.practice.wilson import Z_95, wilson

NEWCOMBE = [
    # R. G. Newcombe, "Two-sided confidence intervals for the single proportion", Statistics in
    # Medicine 17 (1998), table I, method 3: the score method, 95 %
    (81, 263, 0.2553, 0.3662),
    (15, 148, 0.0624, 0.1605),
    (0, 20, 0.0000, 0.1611),
    (1, 29, 0.0061, 0.1718),
]


@pytest.mark.parametrize(("good", "count", "low", "high"), NEWCOMBE)
def test_the_printed_table(good: int, count: int, low: float, high: float) -> None:
    assert tuple(round(end, 4) for end in wilson(good, count)) == (low, high)


def test_the_quantile_is_that_of_the_normal_distribution() -> None:
    assert pytest.approx(NormalDist().inv_cdf(0.975), abs=1e-12) == Z_95


def test_without_a_trial_nothing_is_known() -> None:
    assert wilson(0, 0) == (0.0, 1.0)


@pytest.mark.parametrize("count", [1, 2, 7, 1000, 10**9])
def test_none_and_all_end_exactly_at_0_and_1(count: int) -> None:
    low, high = wilson(0, count)
    assert low == 0.0
    assert 0 < high < 1
    # where none succeeded the equation is p n = z² (1 - p), solved by hand
    assert high == pytest.approx(Z_95**2 / (count + Z_95**2), rel=1e-12)
    mirrored = wilson(count, count)
    assert mirrored[1] == 1.0
    assert mirrored[0] == pytest.approx(1 - high, rel=1e-9)


@pytest.mark.parametrize(("good", "count"), [(-1, 3), (4, 3), (1, 0)])
def test_impossible_counts_are_refused(good: int, count: int) -> None:
    with pytest.raises(ValueError) as caught:
        wilson(good, count)
    assert str(caught.value) == f"expected 0 to {count} successes, found {good}"


def bisected(good: int, count: int, low: Fraction, high: Fraction, rising: bool) -> float:
    """The root of (share - p)² - z² p (1 - p) / n between *low* and *high*, in exact fractions."""
    share, z2 = Fraction(good, count), Fraction(Z_95) ** 2
    for _ in range(60):
        middle = (low + high) / 2
        middle = middle.limit_denominator(1 << 70)
        outside = (share - middle) ** 2 > z2 * middle * (1 - middle) / count
        if outside is rising:
            high = middle
        else:
            low = middle
    return float((low + high) / 2)


@given(count=st.integers(1, 2000), part=st.floats(0, 1))
def test_the_ends_solve_the_defining_equation(count: int, part: float) -> None:
    """Wilson (1927): the ends are where (share - p)² = z² p (1 - p) / n."""
    good = round(part * count)
    low, high = wilson(good, count)
    share = Fraction(good, count)
    if good > 0:
        assert low == pytest.approx(bisected(good, count, Fraction(0), share, False), abs=1e-9)
    if good < count:
        assert high == pytest.approx(bisected(good, count, share, Fraction(1), True), abs=1e-9)
    assert 0 <= low <= good / count <= high <= 1
    assert math.isclose(1 - low, wilson(count - good, count)[1], abs_tol=1e-9)
