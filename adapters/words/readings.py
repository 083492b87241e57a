"""What outputs for people write about a reading beside its value."""

from __future__ import annotations

from adapters.words.page_text import LONGEST, cut
from bridge.readings.reading import UNKNOWN, Reading
from bridge.values.status import Status

__all__ = ["duration", "state_words", "status_words", "target_words", "to_go"]


def to_go(reading: Reading) -> str:
    """The signed distance in the unit in which the value is shown; empty without one."""
    distance = reading.distance
    if distance is None:
        return ""
    if reading.watch.show == "degrees":
        return f"{distance * 360 / 65536:+.2f}°"
    if reading.watch.show.startswith("fixed:"):
        text = f"{distance:+.{int(reading.watch.show[6:])}f}"
    else:
        text = f"{distance:+d}" if isinstance(distance, int) else f"{distance:+.6g}"
    return text if len(text) <= LONGEST else cut(distance, sign=True)


def target_words(reading: Reading) -> str:
    """``hit``, ``+3 to go`` or ``wants lantern``; empty without a target or a value."""
    target = reading.watch.target
    if target is None or reading.target == UNKNOWN:
        return ""
    if reading.target == "hit":
        return "hit"
    distance = to_go(reading)
    return f"{distance} to go" if distance else f"wants {target.text}"


def status_words(reading: Reading, since: float = 0.0) -> str:
    """Why there is no present value, or what to be warned of; empty where all is well.

    *since* is how many seconds ago the reading came.
    """
    if reading.status is Status.OK:
        return ""
    if reading.status is Status.OFFLINE:
        return f"offline {duration(reading.age + since)}"
    return str(reading.status)


def state_words(reading: Reading, since: float = 0.0) -> str:
    """The words of the target, and those of a status that is not ok: ``freed, +3 to go``."""
    return ", ".join(filter(None, (status_words(reading, since), target_words(reading))))


def duration(seconds: float) -> str:
    """A time in whole seconds, minutes or hours, rounded down."""
    if seconds < 60:
        return f"{int(seconds)} s"
    if seconds < 3600:
        return f"{int(seconds / 60)} min"
    return f"{int(seconds / 3600)} h"
