"""Every binary32 with a wanted half: counts, neighbours, gaps and bounds, by hand and by numpy."""

from __future__ import annotations

import math
import random
from fractions import Fraction

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.solvers import halves as half_search
from bridge.solvers.halves import (
    GREATEST_KEY,
    LEAST_KEY,
    SIGN,
    exact,
    first_key_from,
    half_of,
    key_of,
    last_key_to,
    nearest_pattern,
    pattern_of,
    solutions,
    value_of,
    with_half,
)

GREATEST = value_of(0x7F7F_FFFF)
TINY = 2.0**-149
FINITE = st.one_of(st.integers(0, 0x7F7F_FFFF), st.integers(SIGN, SIGN + 0x7F7F_FFFF))  # patterns
BOUNDS = st.one_of(
    FINITE.map(value_of),
    st.floats(allow_nan=False),
    st.integers(-(10**45), 10**45),
    st.fractions(),
    st.sampled_from([0.0, -0.0, TINY, -TINY, TINY / 2, -TINY / 2, GREATEST, -GREATEST, 1e300]),
)


def by_numpy(
    want: int, high: bool, lowest: float, highest: float
) -> tuple[npt.NDArray[np.uint32], npt.NDArray[np.float64]]:
    """Patterns and values in value order: numpy looks at all 65,536 patterns with that half."""
    others = np.arange(0x10000, dtype=np.uint32)
    patterns = np.uint32(want << 16) | others if high else others << np.uint32(16) | np.uint32(want)
    finite = np.isfinite(patterns.view(np.float32))
    patterns = patterns[finite]
    values = patterns.view(np.float32).astype(np.float64)
    inside = (values >= lowest) & (values <= highest)
    patterns, values = patterns[inside], values[inside]
    order = np.lexsort((~np.signbit(values), values))
    return patterns[order], values[order]


def some_bound(chance: random.Random) -> float:
    kind = chance.randrange(6)
    pattern = chance.randrange(0x7F80_0000) | chance.choice([0, SIGN])
    if kind == 0:
        return chance.uniform(-1000, 1000)
    if kind == 1:
        return chance.uniform(-1e-40, 1e-40)
    if kind == 2:
        return chance.choice([0.0, -0.0, math.inf, -math.inf, 1e300, -1e300, 3.5e38, TINY / 2])
    if kind == 3:
        return value_of(pattern) * (1 + 2.0**-40)
    return value_of(pattern)


@pytest.mark.parametrize("high", [False, True])
def test_random_intervals_against_numpy(high: bool) -> None:
    """Source: numpy's own reading, comparing and sorting of the patterns."""
    chance = random.Random(f"halves {high}")
    for _ in range(400):
        special = [0, 1, 0x7F7F, 0x7F80, 0x8000, 0xFF7F, 0xFF80, 0xFFFF]
        want = chance.choice([*special, chance.randrange(0x10000)])
        lowest, highest = sorted([some_bound(chance), some_bound(chance)])
        patterns, values = by_numpy(want, high, lowest, highest)
        found = solutions(want, high=high, lowest=lowest, highest=highest)
        assert found.count == len(patterns)
        assert list(found.patterns()) == patterns.tolist()
        near = some_bound(chance)
        before, behind = patterns[values <= near], patterns[values >= near]
        assert found.below(near) == (int(before[-1]) if len(before) else None)
        assert found.above(near) == (int(behind[0]) if len(behind) else None)
        apart = np.unique(values)
        if len(apart) < 2:
            assert len(patterns) == 2 or found.spacing(near) is None
            continue
        around = min(max(int((apart <= near).sum()) - 1, 0), len(apart) - 2)
        least = int(np.diff(apart).argmin())
        for place, gap in ((around, found.spacing(near)), (least, found.narrowest())):
            assert gap == Fraction(float(apart[place + 1])) - Fraction(float(apart[place]))


@given(FINITE)
def test_keys_are_the_patterns_in_the_order_of_the_values(pattern: int) -> None:
    key = key_of(pattern)
    assert LEAST_KEY <= key <= GREATEST_KEY
    assert pattern_of(key) == pattern
    if key < GREATEST_KEY:
        following = value_of(pattern_of(key + 1))
        # Source: numpy's next float upwards; the two zeros are equal
        single = np.float32(value_of(pattern))
        if pattern == SIGN:
            assert following == 0.0
        else:
            assert following == float(np.nextafter(single, np.float32(np.inf)))


@given(BOUNDS)
def test_a_bound_is_never_rounded(bound: int | float | Fraction) -> None:
    last, first = last_key_to(bound), first_key_from(bound)
    if last >= LEAST_KEY:
        assert value_of(pattern_of(last)) <= bound
    if last < GREATEST_KEY:
        assert value_of(pattern_of(last + 1)) > bound
    if first <= GREATEST_KEY:
        assert value_of(pattern_of(first)) >= bound
    if first > LEAST_KEY:
        assert value_of(pattern_of(first - 1)) < bound


@pytest.mark.parametrize(
    ("lowest", "highest", "count"),
    [
        (0, 0, 2),  # both zeros are patterns
        (-0.0, 0.0, 2),
        (TINY / 4, 1e-42, 0),
        (0, 65536 * TINY, 3),
        (-65536 * TINY, 65536 * TINY, 4),
        (math.nextafter(0, 1), math.nextafter(65536 * TINY, 0), 0),
        (-math.inf, math.inf, 2 * 0x7F80),
        (GREATEST, math.inf, 0),
    ],
)
def test_counts_around_zero_and_at_the_ends(lowest: float, highest: float, count: int) -> None:
    assert solutions(0, lowest=lowest, highest=highest).count == count


def test_worked_values_in_one_binade() -> None:
    """From 64 to below 128 the last place is 2^-17 (IEEE 754-2019 3.4), so halves repeat by 0.5."""
    found = solutions(0x2B6D, lowest=64, highest=Fraction(128))
    assert found.count == 128
    values = list(found.values())
    assert values[0] == 64 + 0x2B6D / 2**17
    assert values[1] - values[0] == 0.5
    assert found.narrowest() == found.spacing(70) == Fraction(1, 2)
    assert found.below(64) is None
    assert found.above(values[3]) == found.below(values[3])
    assert value_of(found.below(values[3]) or 0) == values[3]


def test_a_high_half_is_one_run_on_its_side_of_zero() -> None:
    found = solutions(0xC1EB, high=True)
    assert found.count == 0x10000
    assert (min(found.values()), max(found.values())) == (
        value_of(0xC1EB_FFFF),
        value_of(0xC1EB_0000),
    )
    assert solutions(0x7F80, high=True).count == 0
    assert solutions(0xFFFF, high=True).spacing(0) is None


@given(FINITE, st.integers(0, 0xFFFF), st.booleans())
def test_a_write_changes_one_half_alone(pattern: int, half: int, high: bool) -> None:
    after = with_half(pattern, half, high=high)
    assert half_of(after, high=high) == half
    assert half_of(after, high=not high) == half_of(pattern, high=not high)


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("0.1", Fraction(1, 10)),
        ("-0x10", -16),
        ("−2.5e1", Fraction(-25)),
        ("inf", math.inf),
        ("1e99999", Fraction(10**400)),
        ("-1e-99999", Fraction(-1, 10**400)),
    ],
)
def test_texts_are_exact(text: str, number: Fraction) -> None:
    assert exact(text) == number


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("nan", 'expected a number in decimal or 0x form, found "nan"'),
        ("0x1p3", 'expected a number in decimal or 0x form, found "0x1p3"'),
        ("", 'expected a number in decimal or 0x form, found ""'),
        ("1" * 401, "a number of 401 characters is too long; at most 400"),
    ],
)
def test_texts_that_are_no_numbers(text: str, message: str) -> None:
    with pytest.raises(ValueError) as fault:
        exact(text)
    assert str(fault.value) == message


@pytest.mark.parametrize("want", [-1, 0x10000])
def test_what_is_no_half_is_refused(want: int) -> None:
    with pytest.raises(ValueError, match=f"^a half is 0 to 0xFFFF, found {want}$"):
        half_search.solutions(want)


def test_a_bound_that_is_not_a_number_is_refused() -> None:
    with pytest.raises(ValueError, match=r"^expected a number, found nan$"):
        half_search.solutions(0, lowest=math.nan)


def test_the_nearest_pattern_of_a_number_that_is_no_double_is_rounded_once() -> None:
    """1 + 2^-24 lies in the middle between two f32 (IEEE 754-2019 4.3.1); as a double, so does what
    is a little above or below it."""
    middle, little = 1 + Fraction(1, 1 << 24), Fraction(1, 1 << 80)
    assert nearest_pattern(middle) == 0x3F80_0000
    assert nearest_pattern(middle + little) == 0x3F80_0001
    assert nearest_pattern(middle - little) == 0x3F80_0000
    assert nearest_pattern(-middle - little) == 0xBF80_0001
    assert nearest_pattern((1 << 60) + (1 << 36) + 1) == 0x5D80_0001
    assert nearest_pattern(Fraction(1, 1 << 150)) == 0
    assert nearest_pattern(Fraction(1, 1 << 150) + Fraction(1, 1 << 300)) == 1
    assert nearest_pattern(-Fraction(1, 1 << 151)) == 0x8000_0000
    beyond = (1 << 128) - (1 << 103)
    assert nearest_pattern(beyond - 1) == 0x7F7F_FFFF
    for value in (beyond, -beyond, 1 << 128, 1 << 200, float("inf"), float("nan")):
        with pytest.raises(ValueError, match="outside the range of f32"):
            nearest_pattern(value)
