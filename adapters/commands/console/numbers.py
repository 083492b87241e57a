"""Numbers on the command line: decimal or 0x form, with a sign where that makes sense."""

from __future__ import annotations

import argparse
import re
from fractions import Fraction
from typing import Any

from bridge.solvers import halves as half_search
from bridge.solvers.halves import Exact

__all__ = [
    "NumberParser",
    "address",
    "angle",
    "angle_or_expression",
    "angle_width",
    "count",
    "exact",
    "half",
    "whole",
]

_WHOLE = re.compile(r"([+-]?)(0[xX][0-9A-Fa-f]+(?:_[0-9A-Fa-f]+)*|[0-9]+(?:_[0-9]+)*)")
_NEGATIVE = re.compile(r"-(?:[0-9.].*|inf|infinity)", re.IGNORECASE | re.DOTALL)
_DEGREES = re.compile(r"([+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+))\s*(?:°|deg)", re.IGNORECASE)
_NUMBER = re.compile(r"[+-]?\.?[0-9]")
_TURN = 0x10000
_MAX_LENGTH = 40


class NumberParser(argparse.ArgumentParser):
    """Takes ``-0x4000`` and ``-1e5`` for numbers, as argparse takes ``-5``, and not for options."""

    def __init__(self, *arguments: Any, **settings: Any) -> None:
        super().__init__(*arguments, **settings)
        self._negative_number_matcher = _NEGATIVE


def whole(text: str) -> int:
    """A whole number.  Raises ArgumentTypeError, as all of these do."""
    match = _WHOLE.fullmatch(text.strip().replace("\N{MINUS SIGN}", "-"))
    if match is None or len(text) > _MAX_LENGTH:
        raise argparse.ArgumentTypeError(
            f'expected a whole number in decimal or 0x form, found "{text[:_MAX_LENGTH]}"'
        )
    sign, digits = match.groups()
    number = int(digits, 16 if digits[:2] in ("0x", "0X") else 10)
    return -number if sign == "-" else number


def half(text: str) -> int:
    """A half of 16 bits."""
    return _between(text, 0, 0xFFFF, "a half is 0 to 0xFFFF")


def angle(text: str) -> int:
    """A binary angle, 0 to 0xFFFF; a negative one goes the other way round.

    Degrees, as ``90°`` and ``-22.5deg``, are rounded to the nearest unit.
    """
    degrees = _degrees(text)
    if degrees is not None:
        if abs(degrees) > 360:
            raise argparse.ArgumentTypeError(f"an angle is -360° to 360°, found {text}")
        return round(degrees * _TURN / 360) % _TURN
    return _between(text, -0xFFFF, 0xFFFF, "an angle is -0xFFFF to 0xFFFF") % _TURN


def angle_width(text: str) -> int:
    """How far an angle may be off: units, or degrees, of which part of a unit is left out."""
    degrees = _degrees(text)
    if degrees is None:
        return _between(text, 0, _TURN // 2, "expected 0 to 0x8000 units, or degrees as 0.5°")
    if not 0 <= degrees <= 180:
        raise argparse.ArgumentTypeError(f"expected 0° to 180°, found {text}")
    return int(degrees * _TURN / 360)


def angle_or_expression(text: str) -> int | str:
    """A binary angle, or what is no number: an expression."""
    plain = text.strip().replace("\N{MINUS SIGN}", "-")
    return angle(text) if _NUMBER.match(plain) else text


def _degrees(text: str) -> Fraction | None:
    match = _DEGREES.fullmatch(text.strip().replace("\N{MINUS SIGN}", "-"))
    return None if match is None or len(text) > _MAX_LENGTH else Fraction(match[1])


def address(text: str) -> int:
    """A guest address."""
    return _between(text, 0, (1 << 64) - 1, "an address has at most 64 bits and no sign")


def count(text: str) -> int:
    """How many to list."""
    return _between(text, 0, 1_000_000, "expected 0 to 1000000")


def exact(text: str) -> Exact:
    """A number that is not rounded."""
    try:
        return half_search.exact(text)
    except ValueError as fault:
        raise argparse.ArgumentTypeError(str(fault)) from None


def _between(text: str, least: int, most: int, words: str) -> int:
    number = whole(text)
    if not least <= number <= most:
        raise argparse.ArgumentTypeError(f"{words}, found {text}")
    return number
