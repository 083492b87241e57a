"""Steps one number at a time, in plain Python: the reference, by which every walk is walked again.

Each result is made in binary64 and rounded to binary32.  For the sum, difference, product, quotient
and square root of binary32 numbers that is the same as rounding once, since binary64 has more than
twice their bits and two (Figueroa: When is double rounding innocuous?, ACM SIGNUM Newsletter 30(3),
1995).  A fused multiply-add is made of fractions.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from fractions import Fraction

from bridge.solvers.halves import nearest_pattern, value_of
from bridge.solvers.walks.model import COSINE, SINE, TURN, Position, Step, WalkMove, Walks

__all__ = ["NotAllowed", "performed", "walk", "walk_frames"]


class NotAllowed(Exception):
    """A move is used more often than its limit allows."""


def walk(walks: Walks, start: Position, moves: Iterable[WalkMove]) -> Position:
    """Where these moves lead.  Raises NotAllowed."""
    position = start
    for position in walk_frames(walks, start, moves):  # noqa: B007
        pass
    return position


def walk_frames(walks: Walks, start: Position, moves: Iterable[WalkMove]) -> Iterator[Position]:
    """The position at the end of each performance of a move's steps.  Raises NotAllowed."""
    used: dict[str, int] = {}
    for move in moves:
        used[move.name] = used.get(move.name, 0) + 1
        if move.limit is not None and used[move.name] > move.limit:
            raise NotAllowed(move.name)
        for _ in range(move.times):
            start = performed(walks, start, move.steps)
            yield start


def performed(walks: Walks, position: Position, steps: Sequence[Step]) -> Position:
    """The position after some steps."""
    values = {name: value_of(pattern) for name, pattern in position.patterns.items()}
    facing = position.facing
    for step in steps:
        if step.operation == "turn":
            facing = (facing + step.angle) % TURN
        elif step.operation == "face":
            facing = step.angle % TURN
        else:
            read = [_operand(each, values, facing, walks) for each in step.operands]
            if step.operation == "clamp":
                read.insert(0, values[step.to])
            values[step.to] = _OPERATIONS[step.operation](*read)
    patterns = {name: _pattern(values[name]) for name in position.patterns}
    return Position(patterns, facing)


def _operand(operand: str | int, values: Mapping[str, float], facing: int, walks: Walks) -> float:
    if isinstance(operand, int):
        return value_of(operand)
    if operand in (SINE, COSINE) and walks.sine is not None:
        return float(walks.sine[(facing + (TURN // 4 if operand == COSINE else 0)) % TURN])
    return values[operand]


def _pattern(value: float) -> int:
    return int.from_bytes(struct.pack(">f", value), "big")


def _rounded(value: float) -> float:
    """The binary32 that is nearest, halves to even; an infinity beyond the range."""
    try:
        result: float = struct.unpack(">f", struct.pack(">f", value))[0]
    except OverflowError:
        return math.copysign(math.inf, value)
    return result


def _quotient(one: float, two: float) -> float:
    if two:
        return _rounded(one / two)
    if not one or math.isnan(one):
        return math.nan
    return math.copysign(math.inf, one) * math.copysign(1.0, two)


def _fused(one: float, two: float, three: float) -> float:
    product = one * two
    if not (math.isfinite(product) and math.isfinite(three)):
        return product + three
    whole = Fraction(one) * Fraction(two) + Fraction(three)
    return _nearest(whole) if whole else product + three


def _nearest(value: Fraction) -> float:
    """A fraction other than 0, rounded once."""
    try:
        return value_of(nearest_pattern(value))
    except ValueError:
        return math.inf if value > 0 else -math.inf


def _root(value: float) -> float:
    return math.nan if value < 0 else _rounded(math.sqrt(value))


def _clamped(value: float, low: float, high: float) -> float:
    value = high if value > high else value
    return low if value < low else value


_OPERATIONS: Mapping[str, Callable[..., float]] = {
    "set": lambda value: value,
    "add": lambda one, two: _rounded(one + two),
    "subtract": lambda one, two: _rounded(one - two),
    "multiply": lambda one, two: _rounded(one * two),
    "divide": _quotient,
    "fused": _fused,
    "absolute": abs,
    "negate": lambda value: -value,
    "square_root": _root,
    "clamp": _clamped,
}
