"""What one watch gave in one frame.

A reading is never a made-up zero: where a value could not be had there is a status and one
sentence that names the step that failed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

from bridge.values.status import Status
from bridge.values.target import Target
from bridge.values.value_type import Value, ValueType, show_value

__all__ = ["UNKNOWN", "Reading", "Watch"]

UNKNOWN = "unknown"
"""The state of a target while its watch has no value: the source is gone, a pointer is null."""

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
