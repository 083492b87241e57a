"""What kind of value a watch has, and how a value is written for people."""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

__all__ = [
    "BOOLEAN",
    "FLOAT",
    "INTEGER",
    "SHOWS",
    "TEXT",
    "Kind",
    "Value",
    "ValueType",
    "shortest_single",
    "show_value",
]

Value = int | float | bool | str
"""What a watch can be: an exact integer, an IEEE 754 double, a truth value or a text."""


class Kind(StrEnum):
    INTEGER = "integer"
    FLOAT = "float"
    BOOLEAN = "boolean"
    TEXT = "text"


@dataclass(frozen=True, slots=True)
class ValueType:
    """The static type of a value.

    ``bits`` is the width of the stored value it was read from and 0 where it was computed;
    ``angle`` marks an unsigned 16-bit binary angle and ``address`` a guest address; ``members``
    names an enumeration's values and ``flags`` the bit numbers of a set of flags, 0 the lowest;
    ``fraction`` is the count of fraction bits of a fixed-point number, else 0; ``choices`` are the
    only texts that it can be, where these are known.  ``layout`` marks what ``layout(…)`` gives: 1
    for a match, else the index of a block, which for block 1 is -1.
    """

    kind: Kind
    bits: int = 0
    signed: bool = False
    angle: bool = False
    address: bool = False
    members: Mapping[int, str] = field(default_factory=dict)
    flags: Mapping[int, str] = field(default_factory=dict)
    name: str = ""
    fraction: int = 0
    choices: tuple[str, ...] = ()
    layout: bool = False

    @property
    def single(self) -> bool:
        """True for a value that was stored as a binary32."""
        return self.kind is Kind.FLOAT and self.bits == 32 and not self.fraction


INTEGER = ValueType(Kind.INTEGER, name="int")
FLOAT = ValueType(Kind.FLOAT, name="float")
BOOLEAN = ValueType(Kind.BOOLEAN, name="bool")
TEXT = ValueType(Kind.TEXT, name="text")

_EXACT = 1 << 53
"""Whole numbers up to this are exact as floats."""

SHOWS = ("decimal", "hex", "binary", "degrees", "name")


def shortest_single(value: float) -> str:
    """The fewest decimal digits that a binary32 value is rebuilt from."""
    if not math.isfinite(value):
        return str(value)
    wanted = struct.pack(">f", value)
    for digits in range(1, 10):
        text = f"{value:.{digits}g}"
        try:
            if struct.pack(">f", float(text)) == wanted:
                return repr(float(text))
        except OverflowError:
            continue
    return repr(value)


def show_value(value: Value, kind: ValueType, show: str) -> str:
    """*value* as text.  ``show`` is one of SHOWS, ``fixed:N`` (N decimals) or "" for the default.

    A set of flags is the names of its set bits joined by a comma; bits without a name are given in
    hexadecimal.  ``hex`` and ``binary`` of a stored float show its bits.
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return value
    if show == "" and kind.address:
        show = "hex"
    if show.startswith("fixed:"):
        return _fixed(value, int(show[6:]))
    if show == "degrees":
        turned = value * 360
        return f"{_fixed(turned / 65536 if abs(turned) < _EXACT else turned // 65536, 2)}°"
    if show in ("hex", "binary"):
        return _pattern(value, kind, show)
    if show in ("name", "") and isinstance(value, int):
        if kind.layout:
            return "matches" if value == 1 else f"differs at block {abs(value)}"
        if kind.members:
            return kind.members.get(value, str(value))
        if kind.flags:
            return _flag_names(value, kind)
    if isinstance(value, float):
        return shortest_single(value) if kind.single else repr(value)
    return str(value)


def _fixed(value: int | float, decimals: int) -> str:
    if isinstance(value, int):
        return f"{value}.{'0' * decimals}".rstrip(".")
    return f"{value:.{decimals}f}"


def _pattern(value: int | float, kind: ValueType, show: str) -> str:
    if isinstance(value, float):
        if kind.fraction:
            value = round(value * (1 << kind.fraction))
        elif kind.single:
            value = int.from_bytes(struct.pack(">f", value), "big")
        elif kind.bits == 64:
            value = int.from_bytes(struct.pack(">d", value), "big")
        else:
            return value.hex()
    if kind.bits:
        value &= (1 << kind.bits) - 1
    sign, value = ("-", -value) if value < 0 else ("", value)
    if show == "hex":
        return f"{sign}0x{value:0{(kind.bits + 3) // 4}X}"
    return f"{sign}0b{value:0{kind.bits}b}"


def _flag_names(value: int, kind: ValueType) -> str:
    names = []
    for bit, name in sorted(kind.flags.items()):
        if value >> bit & 1:
            names.append(name)
            value &= ~(1 << bit)
    if value:
        names.append(f"0x{value:X}")
    return ", ".join(names) if names else "none"
