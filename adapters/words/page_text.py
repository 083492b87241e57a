"""What pages show of a value in the little room that they have, and how much room a watch needs.

A number that its own type does not make long is cut to significant digits: a value of 61 digits is
1.2346e61.  A whole number or one with fixed decimals is left as it is up to 20 characters, which
every 64-bit integer has room in; other floats have 9 significant digits, as many as a binary32.
"""

from __future__ import annotations

import math
import weakref
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from bridge.readings.reading import Reading, Watch
from bridge.values.status import Status
from bridge.values.value_type import Kind, Value, ValueType, show_value

__all__ = [
    "CUT_TO",
    "FLOAT_DIGITS",
    "LONGEST",
    "MAX_NAMES_LENGTH",
    "Room",
    "Rooms",
    "cut",
    "room_of",
    "shown_text",
]

LONGEST = 20
"""Characters of a number that is not cut."""
CUT_TO = 5
"""Significant digits of one that is."""
FLOAT_DIGITS = 9
MAX_NAMES_LENGTH = 24
"""Characters of names and texts that room is kept for."""
_OFFLINE = "offline 59 min"
_WHOLE = "-" + 7 * "0"
"""The widest sensible whole number where the type has no width, and no target says more."""

_TEXT = 12 * "0"


def shown_text(reading: Reading) -> str:
    """The value as pages show it; empty where there is none."""
    value, kind, show = reading.value, reading.watch.type, reading.watch.show
    if value is None or isinstance(value, str | bool) or _is_named(kind, show):
        return reading.text
    if show in ("hex", "binary") and kind.bits:
        return reading.text
    if isinstance(value, float):
        if not math.isfinite(value):
            return reading.text
        if not kind.single and show in ("", "decimal", "name"):
            value = float(f"{value:.{FLOAT_DIGITS}g}")
            text = repr(value).replace("e+", "e")
            return text if len(text) <= LONGEST else cut(value)
    text = reading.text
    if len(text) <= LONGEST:
        return text
    if show == "degrees":
        return f"{cut(Decimal(value) * 360 / 65536)}°"
    return cut(value)


def cut(number: float | Decimal, *, sign: bool = False) -> str:
    """A number in CUT_TO significant digits and a power of ten; *sign* writes a plus as well."""
    digits, exponent = f"{Decimal(number):{'+' if sign else ''}.{CUT_TO - 1}e}".split("e")
    if "." in digits:
        digits = digits.rstrip("0").rstrip(".")
    return f"{digits}e{int(exponent)}"


@dataclass(frozen=True, slots=True)
class Room:
    """A watch's own widest sensible texts: of its value, and of the words beside it."""

    value: str
    words: str


class Rooms:
    """The rooms of the watches, each worked out once and kept no longer than its watch.

    Each question of a page has a watch of its own, so that keeping them would add up.
    """

    def __init__(self) -> None:
        self._known: dict[int, tuple[weakref.ref[Watch], Room]] = {}

    def __len__(self) -> int:
        return len(self._known)

    def of(self, watch: Watch) -> Room:
        number = id(watch)
        known = self._known.get(number)
        if known is not None and known[0]() is watch:
            return known[1]
        room, rooms = room_of(watch), self._known

        def forget(ended: weakref.ref[Watch]) -> None:
            # another watch may have its number by now
            if (found := rooms.get(number)) is not None and found[0] is ended:
                del rooms[number]

        rooms[number] = (weakref.ref(watch, forget), room)
        return room


def room_of(watch: Watch) -> Room:
    """From the watch's type, the way it is shown, and its target."""
    return Room(_widest(_values(watch)), _widest((_OFFLINE, *_target_words(watch))))


def _is_named(kind: ValueType, show: str) -> bool:
    return show in ("", "name") and bool(kind.members or kind.flags or kind.layout)


def _widest(texts: Iterable[str]) -> str:
    return max(texts, key=len)


def _values(watch: Watch) -> list[str]:
    kind, show, target = watch.type, watch.show, watch.target
    if kind.kind is Kind.BOOLEAN:
        return ["false"]
    if kind.kind is Kind.TEXT:
        return [_widest(kind.choices or (_TEXT,))[:MAX_NAMES_LENGTH]]
    if _is_named(kind, show):
        if kind.layout:
            return ["differs at block 00"]
        names = tuple(kind.members.values()) or (", ".join(kind.flags.values()),)
        return [_widest(names)[:MAX_NAMES_LENGTH]]
    numbers: list[Value] = []
    if target is not None and target.measured:
        ends = (target.lowest, target.highest)
        numbers += [end for end in ends if math.isfinite(end)]
    texts = []
    if kind.kind is Kind.FLOAT:
        texts.append(_float_room(kind, show))
    elif kind.bits:
        lowest = -(1 << kind.bits - 1) if kind.signed else 0
        numbers += [lowest, (1 << kind.bits - kind.signed) - 1]
    else:
        texts.append(_computed_room(show))
    texts += [shown_text(_made(watch, number)) for number in numbers]
    return texts


def _made(watch: Watch, number: Value) -> Reading:
    whole = watch.type.kind is Kind.INTEGER and isinstance(number, float)
    return Reading(watch, Status.OK, int(number) if whole else number)


def _float_room(kind: ValueType, show: str) -> str:
    if show == "degrees":
        return "-000.00°"
    if show.startswith("fixed:"):
        return f"-00000.{'0' * _decimals(show)}".rstrip(".")
    if show in ("hex", "binary") and kind.bits:
        return show_value(0.0, kind, show)
    return "-00000.0000"


def _computed_room(show: str) -> str:
    if show == "degrees":
        return "-000.00°"
    if show.startswith("fixed:"):
        return f"{_WHOLE}.{'0' * _decimals(show)}".rstrip(".")
    return _WHOLE


def _decimals(show: str) -> int:
    return int(show[6:])


def _target_words(watch: Watch) -> list[str]:
    target, kind, show = watch.target, watch.type, watch.show
    if target is None:
        return []
    if not target.measured:
        return [f"wants {target.text}"[: MAX_NAMES_LENGTH + 6]]
    if show == "degrees":
        distance = "-180.00°"
    elif show.startswith("fixed:"):
        distance = f"+00000.{'0' * _decimals(show)}".rstrip(".")
    elif kind.kind is Kind.INTEGER and kind.bits:
        distance = f"+{(1 << min(kind.bits, 32)) - 1}"
    else:
        distance = "+00000.0" if kind.kind is Kind.FLOAT else _WHOLE
    return [f"{distance} to go"]
