"""What a watch should reach, whether it is reached, and how far there is to go."""

from __future__ import annotations

import math
import struct
import sys
from dataclasses import dataclass

from bridge.values.value_type import Kind, Value, ValueType, shortest_single
from schemas.toml_file import nearest

__all__ = ["Target", "as_stored", "between", "equals", "near"]

_TURN = 0x10000
_EVERY_FLOAT = 1 << 1000
"""A whole number beyond this is further away than a float can say."""


@dataclass(frozen=True, slots=True)
class Target:
    """Hit where ``lowest <= value <= highest`` for numbers, where equal for text and truth values.

    ``aim`` is the value to go to, where there is a single one.  Distances are signed, in the
    watch's own unit, and lead from the value to the target: ``aim - value``, or without an aim to
    the nearer bound, 0 inside.  For a binary angle both the hit and the distance wrap at one turn:
    the distance is -32768 to 32767, and a range runs from ``lowest`` upwards to ``highest``.
    """

    text: str
    lowest: float
    highest: float
    aim: Value | None = None
    angle: bool = False
    measured: bool = True

    def hit(self, value: Value) -> bool:
        if isinstance(value, str) or not self.measured:
            return value == self.aim
        if self.angle:
            width = (self.highest - self.lowest) % _TURN
            if self.highest - self.lowest >= _TURN:
                return True
            return (value - self.lowest) % _TURN <= width
        return self.lowest <= value <= self.highest

    def distance(self, value: Value) -> float | None:
        if not self.measured or isinstance(value, str):
            return None
        if isinstance(value, int) and abs(value) > _EVERY_FLOAT:
            return -sys.float_info.max if value > 0 else sys.float_info.max
        if self.aim is not None and not isinstance(self.aim, str):
            return self._way(self.aim - value)
        if self.hit(value):
            return 0
        ways = (self._way(self.lowest - value), self._way(self.highest - value))
        return min(ways, key=abs)

    def _way(self, difference: float) -> float:
        if self.angle:
            return (difference + _TURN // 2) % _TURN - _TURN // 2
        return difference


def equals(value: Value, kind: ValueType) -> Target:
    """A target that is one exact value; an enumeration's may be given by name.

    Raises ValueError with the reason where *value* cannot be equal to a value of *kind*.
    """
    if kind.members and isinstance(value, str):
        numbers = [number for number, name in kind.members.items() if name == value]
        if not numbers:
            raise ValueError(f"{value} is not one of {', '.join(kind.members.values())}")
        return Target(value, numbers[0], numbers[0], numbers[0], measured=False)
    if kind.layout:
        if value not in (1, "matches") or isinstance(value, bool):
            raise ValueError(f'expected "matches" or 1, found {value!r}')
        return Target("matches", 1, 1, 1, measured=False)
    if isinstance(value, str) is not (kind.kind is Kind.TEXT):
        raise ValueError(f"expected a value of type {kind.name}, found {value!r}")
    if isinstance(value, str):
        if kind.choices and value not in kind.choices and not value.isdecimal():
            raise ValueError(f'it can never be "{value}"{nearest(value, kind.choices)}')
        return Target(value, 0, 0, value, measured=False)
    if isinstance(value, bool) or kind.kind is Kind.BOOLEAN:
        if value not in (0, 1):
            raise ValueError(f"expected true or false, found {value!r}")
        return Target("true" if value else "false", 0, 0, bool(value), measured=False)
    _refuse_nonfinite(value)
    if kind.kind is Kind.INTEGER and value != int(value):
        raise ValueError(f"{value} is not a whole number, which {kind.name} always is")
    value = as_stored(value, kind)
    measured = not (kind.members or kind.flags)
    return Target(_number(value, kind), value, value, value, kind.angle, measured)


def between(lowest: float, highest: float, kind: ValueType) -> Target:
    """A target that is a range, both ends in it.  Raises ValueError."""
    _refuse_unmeasured(kind)
    if lowest > highest and not kind.angle:
        raise ValueError(f"the range from {lowest} to {highest} is empty")
    lowest, highest = as_stored(lowest, kind), as_stored(highest, kind)
    text = f"{_number(lowest, kind)} to {_number(highest, kind)}"
    if kind.angle and lowest > highest:
        highest += _TURN
    return Target(text, lowest, highest, None, kind.angle)


def near(aim: float, within: float, kind: ValueType) -> Target:
    """A target that is hit at most *within* away from *aim*.  Raises ValueError."""
    _refuse_unmeasured(kind)
    _refuse_nonfinite(aim)
    _refuse_nonfinite(within)
    if within < 0:
        raise ValueError(f"within must not be negative, found {within}")
    text = f"{_number(aim, kind)} ± {_number(within, kind)}"
    lowest, highest = aim - within, aim + within
    if kind.single:
        aim, lowest, highest = (as_stored(value, kind) for value in (aim, lowest, highest))
    return Target(text, lowest, highest, aim, kind.angle)


def as_stored(value: float, kind: ValueType) -> float:
    """A decimal number as the binary32 that a stored value can be equal to.

    Raises ValueError for a number that no value of the type can have.
    """
    _refuse_nonfinite(value)
    if kind.single:
        try:
            stored: float = struct.unpack(">f", struct.pack(">f", value))[0]
        except OverflowError:
            raise ValueError(f"{value} is outside the range of f32") from None
        return stored
    if kind.kind is Kind.INTEGER and kind.bits:
        low = -(1 << kind.bits - 1) if kind.signed else 0
        high = low + (1 << kind.bits) - 1
        if not low <= value <= high:
            raise ValueError(f"{value} is outside {low} to {high}, all that {kind.name} can hold")
    return value


def _refuse_nonfinite(value: float) -> None:
    if isinstance(value, int) and abs(value) > _EVERY_FLOAT:
        raise ValueError(f"expected at most 1000 bits, found {value.bit_length()}")
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError(f"expected a finite number, found {value}")


def _refuse_unmeasured(kind: ValueType) -> None:
    if kind.kind in (Kind.TEXT, Kind.BOOLEAN) or kind.members or kind.flags or kind.layout:
        raise ValueError(f"a value of type {kind.name} has no distances; use equals")


def _number(value: float, kind: ValueType) -> str:
    return shortest_single(value) if kind.single and isinstance(value, float) else str(value)
