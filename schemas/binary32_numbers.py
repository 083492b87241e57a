"""Binary32 constants as files write them: a number, or its bits as a text."""

from __future__ import annotations

import math
import re
import struct
from fractions import Fraction

__all__ = ["constant_pattern", "is_constant"]

_BITS = re.compile(r"0[xX][0-9A-Fa-f]{1,8}")
_EXACT = 1 << 24
"""Whole numbers up to here are binary32 values, all of them (IEEE 754-2019 3.4)."""


def is_constant(text: str) -> bool:
    """Whether an operand is meant as bits, and not as a name."""
    return text[:1] in "+-.0123456789"


def constant_pattern(value: float | str) -> int:
    """The 32-bit pattern of a constant: of a number the nearest one, as compilers take ``0.1f``.

    A number was read as a binary64 before.  Rounding that once more gives the pattern that is
    nearest to the decimal as well, except where the binary64 lies in the middle between two: such a
    number is refused, and so are whole numbers that look like bits.  Raises ValueError.
    """
    if isinstance(value, str):
        if not _BITS.fullmatch(value):
            raise ValueError(
                f'expected a number, or bits such as "0x3EC00000", found "{value[:40]}"'
            )
        return int(value, 16)
    if isinstance(value, int) and abs(value) > _EXACT:
        raise ValueError(
            f'a whole number of this size may be meant as bits: write "0x{abs(value):08X}" for '
            f"bits, {value}.0 for the number"
        )
    if not math.isfinite(value):
        raise ValueError(f"expected a number that is finite, found {value}")
    try:
        (pattern,) = struct.unpack(">I", struct.pack(">f", value))
    except OverflowError:
        raise ValueError(f"{value:g} is outside the range of f32") from None
    if _in_the_middle(value, pattern):
        raise ValueError(
            f'{value!r} lies in the middle between two f32: write the bits, as "0x{pattern:08X}"'
        )
    return int(pattern)


def _in_the_middle(value: float, pattern: int) -> bool:
    nearest = _value(pattern)
    if nearest == value:
        return False
    further = pattern + (1 if abs(value) > abs(nearest) else -1)
    return abs(Fraction(value) - Fraction(nearest)) == abs(_value(further) - Fraction(value))


def _value(pattern: int) -> Fraction:
    if pattern & 0x7F80_0000 == 0x7F80_0000:
        # beyond the greatest one: as if its exponent went on
        return Fraction(-(2**128) if pattern >> 31 else 2**128)
    value: float = struct.unpack(">f", pattern.to_bytes(4, "big"))[0]
    return Fraction(value)
