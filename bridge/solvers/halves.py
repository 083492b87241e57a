"""Every binary32 value whose low or high half is a wanted one, by arithmetic on the patterns.

IEEE 754-2019 3.4 stores a sign bit over a biased exponent over a significand, so that the patterns
of the positive values, read as integers, are in the order of the values.  A *key* carries that over
the sign: it is the pattern where the sign bit is 0, and minus one minus the rest of the pattern
where it is 1.  Keys are whole numbers without a gap, from -0x7F800000 (the least finite value) to
0x7F7FFFFF (the greatest), in the order of the values; -0.0 is key -1 and +0.0 is key 0.  Neighbours
in value are neighbours in key.

On either side of zero the values with a wanted half are one run of keys with a constant step:
0x10000 for a low half; 1, and at most 0x10000 of them, for a high half.  So a set of solutions is
two ``range`` objects, and counting, finding and stepping through it cost nothing.

Bounds and values to be compared with are exact: whole numbers, doubles or fractions, never rounded
to a binary32.  Both zeros are solutions of their own, since they are two patterns, though equal in
value: an interval that holds 0 holds both.  Infinities and what is not a number are no solutions.
"""

from __future__ import annotations

import math
import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from fractions import Fraction

__all__ = [
    "GREATEST_KEY",
    "HALF_BITS",
    "HALVES",
    "LEAST_KEY",
    "SIGN",
    "Exact",
    "HalfSolutions",
    "check_half",
    "exact",
    "exactly_stored",
    "first_key_from",
    "gap",
    "half_of",
    "key_of",
    "last_key_to",
    "nearest_pattern",
    "pattern_of",
    "solutions",
    "value_of",
    "with_half",
]

HALF_BITS = 16
HALVES = 1 << HALF_BITS
SIGN = 0x8000_0000
LEAST_KEY, GREATEST_KEY = -0x7F80_0000, 0x7F7F_FFFF
Exact = int | float | Fraction
"""A number that is compared without rounding; a float may be infinite, never not a number."""

_HEXADECIMAL = re.compile(r"([+-]?)0[xX]([0-9A-Fa-f_]+)")
_LONGEST = 400
_TEXTUAL_RANGE = 400
"""Decimal exponents beyond this are further out than any binary32, and are cut to it."""


def key_of(pattern: int) -> int:
    """The key of a 32-bit pattern: in the order of the values."""
    return pattern if pattern < SIGN else ~(pattern ^ SIGN)


def pattern_of(key: int) -> int:
    """The 32-bit pattern of a key."""
    return key if key >= 0 else SIGN | ~key


def value_of(pattern: int) -> float:
    """The value that a 32-bit pattern stores."""
    value: float = struct.unpack(">f", pattern.to_bytes(4, "big"))[0]
    return value


def last_key_to(value: Exact) -> int:
    """The key of the greatest binary32 not above *value*; LEAST_KEY - 1 where there is none."""
    try:
        (pattern,) = struct.unpack(">I", struct.pack(">f", float(value)))
    except OverflowError:
        pattern = 0x7F80_0000 if value > 0 else 0xFF80_0000
    # the nearest one, or one of the two around the value: at most a step too high
    key = min(key_of(pattern), GREATEST_KEY)
    key = max(key, LEAST_KEY)
    if key == -1:
        key = 0  # +0.0 is the later one of the two zeros
    return key if value_of(pattern_of(key)) <= value else _before(key)


def _before(key: int) -> int:
    """The last key of a lesser value."""
    return key - 2 if key == 0 else key - 1


def _after(key: int) -> int:
    """The first key of a greater value."""
    return key + 2 if key == -1 else key + 1


def first_key_from(value: Exact) -> int:
    """The key of the least binary32 not below *value*; GREATEST_KEY + 1 where there is none."""
    return ~last_key_to(-value)


def exact(text: str) -> Exact:
    """A number from its text: decimal, or whole in 0x form.  Raises ValueError with the reason.

    The text is never rounded.  Exponents beyond ±400 are cut, which is beyond every binary32.
    """
    wrong = ValueError(f'expected a number in decimal or 0x form, found "{text[:60]}"')
    text = text.strip().replace("\N{MINUS SIGN}", "-")
    if len(text) > _LONGEST:
        raise ValueError(f"a number of {len(text)} characters is too long; at most {_LONGEST}")
    whole = _HEXADECIMAL.fullmatch(text)
    try:
        if whole is not None:
            return int(whole[1] + whole[2], 16)
        number = Decimal(text)
    except (InvalidOperation, ValueError):
        raise wrong from None
    if number.is_nan():
        raise wrong
    if number.is_infinite():
        return float(number)
    if number and abs(number.adjusted()) > _TEXTUAL_RANGE:
        far = _TEXTUAL_RANGE if number.adjusted() > 0 else -_TEXTUAL_RANGE
        number = Decimal((number.as_tuple().sign, (1,), far))
    return Fraction(number)


@dataclass(frozen=True, slots=True)
class HalfSolutions:
    """All binary32 patterns in an interval with a wanted half, in the order of the values.

    ``negative`` and ``positive`` are their keys on either side of zero, ascending.
    """

    negative: range
    positive: range

    @property
    def count(self) -> int:
        """How many patterns; each of the two zeros counts."""
        return len(self.negative) + len(self.positive)

    def patterns(self) -> Iterator[int]:
        """The patterns from the least value on."""
        for keys in (self.negative, self.positive):
            yield from map(pattern_of, keys)

    def values(self) -> Iterator[float]:
        """The values, ascending."""
        return map(value_of, self.patterns())

    def below(self, near: Exact) -> int | None:
        """The pattern of the greatest solution not above *near*: *near* itself where it is one."""
        return self._last(last_key_to(near))

    def above(self, near: Exact) -> int | None:
        """The pattern of the least solution not below *near*: *near* itself where it is one."""
        return self._first(first_key_from(near))

    def spacing(self, near: Exact) -> Fraction | None:
        """The gap around *near*: from the greatest solution not above it to the next greater value.

        Where *near* is before the first or behind the last solution, the gap between the first two
        or the last two.  None where there are fewer than two.
        """
        below = self._last(last_key_to(near))
        if below is None:
            below = self._first(LEAST_KEY)
        if below is None:
            return None
        above = self._first(_after(key_of(below)))
        if above is None:
            above, below = below, self._last(_before(key_of(below)))
            if below is None:
                return None
        return gap(below, above)

    def narrowest(self) -> Fraction | None:
        """The least gap between neighbours; None where there are fewer than two.

        Two zeros are equal, so that the gap between them is none.
        """
        gaps = []
        for keys in (self.negative, self.positive):
            if len(keys) > 1:
                # values crowd towards zero
                inner = keys[:2] if keys[0] >= 0 else keys[-2:]
                gaps.append(gap(pattern_of(inner[0]), pattern_of(inner[1])))
        if self.negative and self.positive:
            gaps.append(gap(pattern_of(self.negative[-1]), pattern_of(self.positive[0])))
        return min(filter(None, gaps), default=None)

    def _last(self, key: int) -> int | None:
        """The pattern of the last solution up to a key."""
        for keys in (self.positive, self.negative):
            if keys and keys[0] <= key:
                place = min((key - keys[0]) // keys.step, len(keys) - 1)
                return pattern_of(keys[place])
        return None

    def _first(self, key: int) -> int | None:
        """The pattern of the first solution from a key on."""
        for keys in (self.negative, self.positive):
            if keys and key <= keys[-1]:
                place = max(-((keys[0] - key) // keys.step), 0)
                return pattern_of(keys[place])
        return None


def gap(lower: int, higher: int) -> Fraction:
    """The exact difference of the values of two patterns."""
    return Fraction(value_of(higher)) - Fraction(value_of(lower))


def solutions(
    want: int, *, high: bool = False, lowest: Exact = -math.inf, highest: Exact = math.inf
) -> HalfSolutions:
    """All binary32 patterns from *lowest* to *highest*, both included, whose half is *want*.

    Raises ValueError for a half outside 0 to 0xFFFF and for bounds that are not numbers.
    """
    check_half(want)
    for bound in (lowest, highest):
        if bound != bound:
            raise ValueError("expected a number, found nan")
    first, last = first_key_from(lowest), last_key_to(highest)
    # on the negative side keys run against the patterns' magnitudes
    negative = _magnitudes(want, high, SIGN, max(~last, 0), ~first)
    positive = _magnitudes(want, high, 0, max(first, 0), last)
    return HalfSolutions(
        range(~negative[-1], ~negative[0] + 1, negative.step) if negative else range(0), positive
    )


def _magnitudes(want: int, high: bool, sign: int, least: int, most: int) -> range:
    """The magnitudes (patterns without the sign bit) in least…most with a wanted half."""
    if high:
        if want >> (HALF_BITS - 1) != sign >> 31:
            return range(0)
        start = (want & 0x7FFF) << HALF_BITS
        return range(max(start, least), min(start + HALVES - 1, most) + 1)
    start = least + (want - least) % HALVES
    return range(start, most + 1, HALVES)


def check_half(want: int) -> None:
    """Raises ValueError for what is no 16-bit half."""
    if not 0 <= want < HALVES:
        raise ValueError(f"a half is 0 to 0xFFFF, found {want}")


def half_of(pattern: int, *, high: bool) -> int:
    """A half of a 32-bit pattern, by significance."""
    return pattern >> HALF_BITS if high else pattern & 0xFFFF


def with_half(pattern: int, half: int, *, high: bool) -> int:
    """The pattern that a 16-bit write of *half* to one half of a stored 32-bit value leaves."""
    check_half(half)
    if high:
        return half << HALF_BITS | pattern & 0xFFFF
    return pattern & 0xFFFF_0000 | half


def nearest_pattern(value: Exact) -> int:
    """The pattern to which *value* is rounded when it is stored, halves to even.

    Raises ValueError where that would be an infinity.
    """
    if isinstance(value, float):
        pattern = _of_double(value)
    else:
        # by way of a double it would be rounded twice, and near the middle to the wrong side
        size = abs(Fraction(value))
        pattern = last_key_to(size)  # of what is not negative, keys are the patterns
        if pattern < GREATEST_KEY or size < 1 << 128:
            way = (size - _fraction(pattern)) - (_fraction(pattern + 1) - size)
            pattern += way > 0 or (way == 0 and pattern & 1)
        else:
            pattern += 1
        pattern |= SIGN if value < 0 else 0
    if pattern & 0x7F80_0000 == 0x7F80_0000:
        raise ValueError("is outside the range of f32")
    return pattern


def _of_double(value: float) -> int:
    try:
        (pattern,) = struct.unpack(">I", struct.pack(">f", value))
    except OverflowError:
        return 0x7F80_0000
    return int(pattern)


def _fraction(pattern: int) -> Fraction:
    """The value of a positive pattern; of infinity's what would follow the greatest value."""
    return Fraction(value_of(pattern) if pattern <= GREATEST_KEY else 1 << 128)


def exactly_stored(value: Exact) -> int | None:
    """The pattern that stores *value* without rounding; None where there is none."""
    try:
        pattern = nearest_pattern(value)
    except ValueError:
        return None
    return pattern if value_of(pattern) == value else None
