"""The arithmetic of the expression language, total: every failure is an ``ArithmeticError``.

Integers are exact but bounded, so that no expression can make a number that takes long to make:
results beyond ``MAX_BITS`` bits are an error, wherever in an expression they arise.  Floats are
IEEE 754 binary64, and a result that is not a finite number is an error.  A binary angle is unsigned
and 0x10000 is one turn.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Sequence
from typing import Any

from bridge.solvers import halves as half_search

__all__ = [
    "FOLDS",
    "MAX_BITS",
    "MOST",
    "Real",
    "Undefined",
    "bounded",
    "cosine",
    "degrees",
    "direction",
    "distance",
    "finite",
    "half_above",
    "half_below",
    "hypotenuse",
    "power",
    "shift_left",
    "shift_right",
    "signed",
    "sine",
    "square_root",
    "total",
    "turn",
    "unsigned",
    "with_high",
    "with_low",
]

MAX_BITS = 1024
"""Exact products of a 64-bit value with 15 others, and sums of more values than a guest can hold,
need less; an operation on numbers so wide takes no more than a few microseconds."""
MOST = (1 << MAX_BITS) - 1
_TURN = 0x10000

Real = int | float


class Undefined(ArithmeticError):
    """The result does not exist, is not finite, or is too large."""


def finite(value: Any) -> Any:
    """*value*, unless it is an infinity or not a number."""
    if value - value != 0:
        if value != value:
            raise Undefined("the result is not a number")
        raise Undefined("the result overflows to infinity")
    return value


def bounded(value: int) -> int:
    """*value* as a plain integer, unless it has more than MAX_BITS bits."""
    if value.bit_length() > MAX_BITS:
        raise Undefined(f"the result has more than {MAX_BITS} bits")
    return int(value)


def power(base: Real, exponent: Real) -> Real:
    """base ** exponent; whole numbers need an exponent that is not negative."""
    if isinstance(base, int) and isinstance(exponent, int):
        if exponent < 0:
            raise Undefined("a whole number has no negative power; write 1.0 * x")
        if exponent * max(base.bit_length() - 1, 0) > MAX_BITS:
            raise Undefined(f"the result has more than {MAX_BITS} bits")
        return bounded(int(base**exponent))
    result = base**exponent
    if isinstance(result, complex):
        raise Undefined("a negative number has no broken power")
    return float(finite(result))


def shift_left(value: int, count: int) -> int:
    """value × 2^count."""
    if count < 0:
        raise Undefined("a shift by a negative count")
    if value and count + value.bit_length() > MAX_BITS:
        raise Undefined(f"the result has more than {MAX_BITS} bits")
    return value << count if value else 0


def shift_right(value: int, count: int) -> int:
    """value / 2^count, rounded down."""
    if count < 0:
        raise Undefined("a shift by a negative count")
    return value >> min(count, MAX_BITS * 2)


def signed(value: int, bits: int) -> int:
    """The low *bits* bits of *value* as two's complement."""
    value &= (1 << bits) - 1
    return value - (1 << bits) if value >> (bits - 1) else value


def unsigned(value: int, bits: int) -> int:
    """The low *bits* bits of *value*."""
    return value & ((1 << bits) - 1)


def turn(to: int, start: int) -> int:
    """The signed shortest way from the angle *start* to the angle *to*; half a turn is -32768."""
    return (to - start + _TURN // 2) % _TURN - _TURN // 2


def degrees(angle: Real) -> float:
    """A binary angle in degrees."""
    return angle * 360 / _TURN


def sine(angle: Real) -> float:
    """The sine of a binary angle."""
    return math.sin((angle % _TURN) * math.tau / _TURN)


def cosine(angle: Real) -> float:
    """The cosine of a binary angle."""
    return math.cos((angle % _TURN) * math.tau / _TURN)


def direction(y: Real, x: Real) -> int:
    """The binary angle of a direction, to the nearest unit."""
    return round(math.atan2(y, x) * _TURN / math.tau) % _TURN


def square_root(value: Real) -> float:
    """The square root of a number that is not negative."""
    if value < 0:
        raise Undefined("a negative number has no square root")
    return math.sqrt(value)


def distance(*axes: Real) -> float:
    """Euclidean distance of two points, given as all of one's axes and then all of the other's."""
    half = len(axes) // 2
    return float(finite(math.dist(axes[:half], axes[half:])))


def hypotenuse(*sides: Real) -> float:
    """The root of the sum of squares."""
    return float(finite(math.hypot(*sides)))


def total(values: Sequence[Real]) -> Real:
    """The sum of a list: exact for whole numbers, rounded once for floats."""
    if any(isinstance(value, float) for value in values):
        return float(finite(math.fsum(values)))
    return sum(values)


def half_below(value: Real, want: int) -> float:
    """The greatest binary32 not above *value* whose low half is *want*; *value* where it is one."""
    pattern = _with_low_half(want).below(value)
    if pattern is None:
        raise Undefined(f"no f32 so low has the low half 0x{want:04X}")
    return half_search.value_of(pattern)


def half_above(value: Real, want: int) -> float:
    """The least binary32 not below *value* whose low half is *want*; *value* where it is one."""
    pattern = _with_low_half(want).above(value)
    if pattern is None:
        raise Undefined(f"no f32 so high has the low half 0x{want:04X}")
    return half_search.value_of(pattern)


@functools.lru_cache(256)
def _with_low_half(want: int) -> half_search.HalfSolutions:
    try:
        return half_search.solutions(want)
    except ValueError as fault:
        raise Undefined(str(fault)) from None


def with_low(value: Real, half: int) -> float:
    """What a stored binary32 becomes by a 16-bit write of *half* to its low half."""
    return _written(value, half, high=False)


def with_high(value: Real, half: int) -> float:
    """What a stored binary32 becomes by a 16-bit write of *half* to its high half."""
    return _written(value, half, high=True)


def _written(value: Real, half: int, *, high: bool) -> float:
    try:
        pattern = half_search.with_half(half_search.nearest_pattern(value), half, high=high)
    except ValueError as fault:
        raise Undefined(str(fault)) from None
    return float(finite(half_search.value_of(pattern)))


FOLDS: dict[str, Callable[..., Any]] = {"sum": total, "min": min, "max": max}
