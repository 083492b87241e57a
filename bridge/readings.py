"""Readings: what each watch gave in a frame, and the frame that holds them.

A reading is never a made-up zero: where a value could not be had there is a status and one
sentence that names the step that failed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from functools import cached_property
from typing import Any

from bridge.heap import Heap
from bridge.practice import Practice
from bridge.target import Target
from bridge.values import Value, ValueType, show_value

UNKNOWN = "unknown"
"""The state of a target while its watch has no value: the source is gone, a pointer is null."""


class Status(StrEnum):
    """Whether there is a value, and if not, why; or what to be warned of beside the value."""

    OK = "ok"
    NULL = "null"
    """A null pointer was followed, or the first of an empty list was asked for."""
    UNMAPPED = "unmapped"
    """The address is outside every region, or the source holds no bytes there."""
    MISALIGNED = "misaligned"
    """A pointer that the guest's processor could not load through."""
    WAITING = "waiting"
    """No frame yet, or no earlier one."""
    OFFLINE = "offline"
    """The source is gone; the last value stays."""
    ERROR = "error"
    """Arithmetic: a division by zero, an overflow, not a number; or it takes too long."""
    FREED = "freed"
    """There is a value, by a pointer into a free block of the heap, or whose block has left it."""
    HEADER = "header"
    """There is a value, by a pointer into the header of a block of the heap."""
    BETWEEN = "between"
    """There is a value, by a pointer into a block whose start it should point at."""
    CHANGED = "changed"
    """There is a value, by a pointer to a block that holds something else since it was written."""
    DAMAGED = "damaged"
    """There is a value, of the blocks before the one at which the heap's list broke."""

    @property
    def has_value(self) -> bool:
        """Whether a reading of this status has a value of its frame."""
        return self in _WITH_VALUE


_WITH_VALUE = frozenset(
    (
        Status.OK,
        Status.FREED,
        Status.HEADER,
        Status.BETWEEN,
        Status.CHANGED,
        Status.DAMAGED,
    )
)

_PLAIN = {
    Status.OK: "",
    Status.NULL: "nothing there: a null pointer",
    Status.UNMAPPED: "nothing there: outside memory",
    Status.MISALIGNED: "misaligned: a pointer that the game could not use",
    Status.ERROR: "no result",
    Status.FREED: "freed: points into a free block",
    Status.HEADER: "header: points into the header of a block",
    Status.BETWEEN: "between: points past the start of a block",
    Status.CHANGED: "changed: points to a block that was handed out again",
    Status.DAMAGED: "damaged: the heap's list is broken",
}


@dataclass(frozen=True, slots=True, weakref_slot=True)
class Watch:
    """A named expression as outputs see it.  It can be referred to weakly."""

    name: str
    label: str
    expression: str
    type: ValueType
    show: str = ""
    target: Target | None = None
    group: str = ""
    """What it is shown together with; empty where the bridge file does not say."""

    @property
    def title(self) -> str:
        return self.label or self.name


# not frozen: hundreds are made for each frame, and a frozen one takes three times as long
@dataclass(slots=True, unsafe_hash=True)
class Reading:
    """What a watch gave in a frame; not to be changed, since all outputs share it.

    ``value`` is there when ``status.has_value``; offline it is the last one, or None; when
    it is error it may be the stored value that is not a finite number.  ``address`` is the guest
    address that the value was read from, None where it was computed.  ``age`` is the time in
    seconds since the value was true, 0 unless it is offline or no newer frame is whole.
    ``awaited`` is true where the source has yet to send the bytes.  ``cause`` is what went wrong
    where the status alone does not tell, as in ``plain``; else empty.
    """

    watch: Watch
    status: Status
    value: Value | None = None
    address: int | None = None
    reason: str = ""
    age: float = 0.0
    awaited: bool = field(default=False, compare=False)
    cause: str = field(default="", compare=False)

    @property
    def plain(self) -> str:
        """The status for people who do not know the expression: ``nothing there: a null pointer``.

        What is before the colon can stand alone.  Empty where all is well.
        """
        return self.cause or _PLAIN.get(self.status, str(self.status))

    @property
    def text(self) -> str:
        """The value for people; empty where there is none."""
        if self.value is None:
            return ""
        return show_value(self.value, self.watch.type, self.watch.show)

    @property
    def target(self) -> str | None:
        """``hit``, ``miss``, or ``unknown`` where there is no value now; None without a target."""
        target = self.watch.target
        if target is None:
            return None
        if not self.status.has_value or self.value is None:
            return UNKNOWN
        return "hit" if target.hit(self.value) else "miss"

    @property
    def distance(self) -> float | None:
        """What there is to go, signed, in the watch's unit; None where there is no such thing."""
        target = self.watch.target
        if target is None or not self.status.has_value or self.value is None:
            return None
        return target.distance(self.value)

    def as_json(self) -> dict[str, Any]:
        """The object that ``--json`` prints for a reading."""
        value = self.value
        if isinstance(value, float) and not math.isfinite(value):
            value = None
        return {
            "watch": self.watch.name,
            "status": str(self.status),
            "value": value,
            "text": self.text,
            "address": self.address,
            "target": self.target,
            "reason": self.reason,
        }


@dataclass(frozen=True, slots=True)
class Stats:
    """Counts since the source was opened, in frames unless said."""

    frames: int = 0
    """Frames evaluated."""
    skipped: int = 0
    """Frames of the game that were never sampled, by the game's own counter."""
    lag: int = 0
    """Frames' time that the game itself has lost: what it did ended by so much too late."""
    torn: int = 0
    """Samples that the guard refused and that were taken again."""
    unwhole: int = 0
    """Times that the guard never passed, so that the last whole frame stayed."""
    resets: int = 0
    """Times that the game's frame counter went backwards, or ahead by what no time explains."""
    unclear: int = 0
    """Times that it cannot be known how many frames were skipped: those are not in ``skipped``."""
    batches: int = 0
    """Batches of lines fetched, the guard's own counters left out."""


@dataclass(frozen=True)
class Frame:
    """One sampled moment: the game's own frame number, a time and every watch's reading.

    ``number`` goes on where the game's counter runs over.  ``time`` is seconds since the Unix
    epoch.  ``build`` is "" while it is not known.  Readings are made when they are first asked for,
    so that a frame that no output looks at costs nothing.
    ``note`` is a sentence about the whole frame, such as why the source is gone; else empty.
    ``practice`` is there where the bridge file has steps or attempts, ``heap`` where anything asked
    for the heap.
    """

    number: int
    time: float
    build: str
    source: str
    consistency: str
    make_readings: Callable[[], Sequence[Reading]] = field(repr=False, compare=False)
    stats: Stats = Stats()
    note: str = ""
    practice: Practice | None = None
    heap: Heap | None = field(default=None, repr=False, compare=False)
    paths: tuple[str, ...] = field(default=(), repr=False, compare=False)
    """Paths of this machine that its texts may name; see ``bridge.public_words``."""
    ticks: float = field(default=0.0, repr=False, compare=False)
    """When it was taken, in seconds that no change of the time of day disturbs; its age is
    measured by these."""

    @cached_property
    def readings(self) -> tuple[Reading, ...]:
        return tuple(self.make_readings())

    def as_json(self) -> dict[str, Any]:
        """The object that ``--json`` prints for a frame."""
        return {
            "frame": self.number,
            "time": self.time,
            "build": self.build,
            "source": self.source,
            "consistency": self.consistency,
            "readings": [reading.as_json() for reading in self.readings],
            **({"practice": self.practice.as_json()} if self.practice is not None else {}),
        }

    def stale(self, reason: str, now: float) -> Frame:
        """The same frame when no newer one can be had whole: values stay, with reason and age.

        *now* is of the same clock as ``ticks``.
        """
        readings, age = self.readings, max(0.0, now - self.ticks)

        def kept() -> Sequence[Reading]:
            return [
                replace(reading, reason=reading.reason or reason, age=age) for reading in readings
            ]

        return replace(self, make_readings=kept, note=reason)

    def offline(self, reason: str, now: float) -> Frame:
        """The same frame when its source is gone: values stay, with their age.

        *now* is of the same clock as ``ticks``.
        """
        readings = self.readings
        age = max(0.0, now - self.ticks)

        def gone() -> Sequence[Reading]:
            return [
                replace(
                    reading,
                    status=Status.OFFLINE,
                    value=reading.value if _kept(reading.status) else None,
                    reason=reason,
                    age=age,
                    cause="",
                )
                for reading in readings
            ]

        return replace(self, make_readings=gone, note=reason)


def _kept(status: Status) -> bool:
    return status.has_value or status is Status.OFFLINE
