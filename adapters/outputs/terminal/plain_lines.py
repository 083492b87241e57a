"""Lines of plain text that say what changed: for logs, pipes and services."""

from __future__ import annotations

from adapters.printable import printable
from adapters.words.plan import plan_words
from adapters.words.practice import practice_words
from adapters.words.readings import state_words, status_words
from bridge.readings.frame import Frame
from bridge.readings.reading import Reading
from bridge.values.status import Status

__all__ = ["PlainLines"]


class PlainLines:
    """Remembers what was last written of each watch."""

    def __init__(self) -> None:
        self._origin = ""
        self._note = ""
        self._practice = ""
        self._plan = ""
        self._shown: dict[str, str] = {}

    def changes(self, frame: Frame) -> str:
        """Whole lines, each with its line end; empty where nothing changed."""
        lines = []
        origin = f"source {frame.source}, build {frame.build or 'unknown'}, {frame.consistency}"
        if origin != self._origin:
            self._origin = origin
            lines.append(origin)
        if frame.note != self._note:
            self._note = frame.note
            if frame.note:
                lines.append(frame.note)
        if frame.practice is not None:
            # without the frames, which would change with each
            words = practice_words(frame.practice, frames=False)
            if words != self._practice:
                self._practice = words
                lines.append(f"frame {frame.number}: {words}")
        if frame.plan is not None and (words := plan_words(frame.plan)) != self._plan:
            self._plan = words
            lines.append(f"frame {frame.number}: {words}")
        parts = []
        for reading in frame.readings:
            name, text = reading.watch.name, _reading_text(reading)
            if self._shown.get(name) != text:
                self._shown[name] = text
                parts.append(f"{name}{text}")
        if parts:
            lines.append(f"frame {frame.number}: {'; '.join(parts)}")
        return "".join(f"{printable(line)}\n" for line in lines)


def _reading_text(reading: Reading) -> str:
    if reading.status.has_value:
        words = state_words(reading)
        return f"={reading.text} ({words})" if words else f"={reading.text}"
    if reading.status is Status.OFFLINE:  # without the age, which would change every second
        return f"={reading.text} (offline)" if reading.text else " offline"
    return f" {status_words(reading)}: {reading.reason}" if reading.reason else f" {reading.status}"
