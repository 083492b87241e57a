"""Which values hit a target, in the forms in which a person sees them.

The ends are found, not rounded: the first and the last value that can be stored and that the target
takes, by the same comparison as ``Target.hit``.  A binary32 is looked for among the patterns
(``bridge.solvers.halves``), where both zeros are values of their own; a fixed-point number among
the whole numbers that store it.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from bridge.readings.reading import Watch
from bridge.solvers.halves import first_key_from, last_key_to, pattern_of, value_of
from bridge.values.target import Target
from bridge.values.value_type import Kind, Value, show_value

__all__ = ["Ends", "Hits", "hits_of"]

_TURN = 0x10000


@dataclass(frozen=True, slots=True)
class Ends:
    """A run of values that hit, from ``first`` to ``last``, both included.

    The texts are as the watch shows them; ``patterns`` are runs of the stored bits that are these
    values, lowest first, as hexadecimal digits, and empty where nothing is stored.
    """

    first: Value
    last: Value
    first_text: str
    last_text: str
    patterns: tuple[tuple[str, str], ...] = ()

    def as_json(self) -> dict[str, Any]:
        """The object for ``--json``."""
        return {
            "first": self.first,
            "last": self.last,
            "first_text": self.first_text,
            "last_text": self.last_text,
            "patterns": [list(each) for each in self.patterns],
        }


@dataclass(frozen=True, slots=True)
class Hits:
    """What a target wants, in words, and all that hits it.

    ``count`` is how many values that can be stored do; None where nothing is stored, or where they
    are too many to be of use.  ``blurred`` says that, as the watch is shown, a value just outside
    looks like one of the ends.
    """

    text: str
    ends: tuple[Ends, ...]
    count: int | None = None
    blurred: bool = False

    def as_json(self) -> dict[str, Any]:
        """The object for ``--json``."""
        return {
            "text": self.text,
            "ends": [each.as_json() for each in self.ends],
            "count": self.count,
            "blurred": self.blurred,
        }


def hits_of(watch: Watch) -> Hits | None:
    """All that hits a watch's target; None where it has none."""
    target, kind = watch.target, watch.type
    if target is None:
        return None
    if not target.measured or kind.kind in (Kind.TEXT, Kind.BOOLEAN):
        assert target.aim is not None
        return Hits(target.text, (_ends(watch, target.aim, target.aim),), None)
    if kind.kind is Kind.FLOAT:
        return _floats(watch, target)
    if kind.angle:
        return _angles(watch, target)
    lowest, highest = math.ceil(target.lowest), math.floor(target.highest)
    if kind.bits:
        least = -(1 << kind.bits - 1) if kind.signed else 0
        lowest, highest = max(lowest, least), min(highest, least + (1 << kind.bits) - 1)
    return _whole(watch, target, [(lowest, highest)])


def _whole(watch: Watch, target: Target, runs: list[tuple[int, int]]) -> Hits:
    runs = [(first, last) for first, last in runs if first <= last]
    count = sum(last - first + 1 for first, last in runs)
    blurred = any(
        _alike(watch, outside, end) and not target.hit(outside)
        for first, last in runs
        for outside, end in ((first - 1, first), (last + 1, last))
    )
    return Hits(target.text, tuple(_ends(watch, *run) for run in runs), count, blurred)


def _angles(watch: Watch, target: Target) -> Hits:
    """Runs of an angle, which go on at 0 behind 0xFFFF."""
    lowest, highest = math.ceil(target.lowest), math.floor(target.highest)
    if target.highest - target.lowest >= _TURN or highest - lowest >= _TURN - 1:
        return _whole(watch, target, [(0, _TURN - 1)])
    if lowest > highest:
        return Hits(target.text, (), 0)
    lowest, highest = lowest % _TURN, highest % _TURN
    if lowest <= highest:
        return _whole(watch, target, [(lowest, highest)])
    return _whole(watch, target, [(lowest, _TURN - 1), (0, highest)])


def _floats(watch: Watch, target: Target) -> Hits:
    kind = watch.type
    if kind.fraction:
        return _fixed_point(watch, target)
    if not kind.single:
        first, last = float(target.lowest), float(target.highest)
        outside = (
            (math.nextafter(first, -math.inf), first),
            (math.nextafter(last, math.inf), last),
        )
        blurred = any(_alike(watch, out, end) for out, end in outside)
        return Hits(target.text, (_ends(watch, first, last),), None, blurred)
    low, high = first_key_from(target.lowest), last_key_to(target.highest)
    if low > high:
        return Hits(target.text, (), 0)
    # of the two zeros a person sees the one without a sign; the patterns tell both
    first, last = (value_of(pattern_of(key)) + 0.0 for key in (low, high))
    around = [(value_of(pattern_of(key)), end) for key, end in ((low - 1, first), (high + 1, last))]
    blurred = any(
        math.isfinite(outside) and not target.hit(outside) and _alike(watch, outside, end)
        for outside, end in around
    )
    ends = Ends(first, last, _text(watch, first), _text(watch, last), _patterns(low, high))
    return Hits(target.text, (ends,), high - low + 1, blurred)


def _patterns(low: int, high: int) -> tuple[tuple[str, str], ...]:
    """The runs of patterns that are the keys from *low* to *high*: on either side of zero."""
    runs = [(max(low, 0), high)] if high >= 0 else []
    if low < 0:
        # below zero the patterns run against the values
        runs.append((min(high, -1), low))
    return tuple((f"{pattern_of(a):08X}", f"{pattern_of(b):08X}") for a, b in runs)


def _fixed_point(watch: Watch, target: Target) -> Hits:
    kind = watch.type
    unit = 1 << kind.fraction
    least = -(1 << kind.bits - 1)
    lowest = max(math.ceil(Fraction(target.lowest) * unit), least)
    highest = min(math.floor(Fraction(target.highest) * unit), -least - 1)
    if lowest > highest:
        return Hits(target.text, (), 0)
    ends = _ends(watch, lowest / unit, highest / unit)
    outside = ((lowest - 1) / unit, ends.first), ((highest + 1) / unit, ends.last)
    blurred = any(_alike(watch, out, end) for out, end in outside)
    return Hits(target.text, (ends,), highest - lowest + 1, blurred)


def _ends(watch: Watch, first: Value, last: Value) -> Ends:
    return Ends(first, last, _text(watch, first), _text(watch, last), _stored(watch, first, last))


def _stored(watch: Watch, first: Value, last: Value) -> tuple[tuple[str, str], ...]:
    """The runs of bits that store the values from *first* to *last*."""
    kind = watch.type
    if not kind.bits or kind.kind in (Kind.TEXT, Kind.BOOLEAN):
        return ()
    if isinstance(first, str) or isinstance(last, str):
        return ()
    if kind.kind is Kind.FLOAT and not kind.fraction:
        return _double_patterns(float(first), float(last))
    unit = 1 << kind.fraction
    low, high = int(first * unit), int(last * unit)
    mask, digits = (1 << kind.bits) - 1, -(-kind.bits // 4)
    runs = [(low, high)]
    if low < 0 <= high:
        runs = [(0, high), (low, -1)]
    return tuple((f"{a & mask:0{digits}X}", f"{b & mask:0{digits}X}") for a, b in runs)


def _double_patterns(first: float, last: float) -> tuple[tuple[str, str], ...]:
    """The runs of binary64 patterns from *first* to *last*; both zeros are one value."""
    runs = []
    if last >= 0:
        runs.append((max(first, 0.0), last if last else 0.0))
    if first <= 0:
        runs.append((min(last, -0.0) or -0.0, first or -0.0))
    return tuple((_double(a), _double(b)) for a, b in runs)


def _double(value: float) -> str:
    return struct.pack(">d", value).hex().upper()


def _text(watch: Watch, value: Value) -> str:
    return show_value(value, watch.type, watch.show)


def _alike(watch: Watch, one: Value, other: Value) -> bool:
    return _text(watch, one) == _text(watch, other)
