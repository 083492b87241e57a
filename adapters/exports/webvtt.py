"""Rows as WebVTT: captions for a video's editor, a line for each column.

Times count from the recording's first frame.  A cue stands from the frame in which one of its
lines became what it is until the frame in which one becomes something else, or no frame is shown
for more than a tenth of a second.  (W3C, WebVTT: The Web Video Text Tracks Format.)
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from adapters.exports.row_texts import ColumnTexts
from adapters.printable import printable
from bridge.querying.rows import Rows
from bridge.values.value_type import ValueType, show_value

__all__ = ["WebVtt"]

_LAST = 1 / 60
"""Seconds that the last frame stands."""
_PAUSE = 0.1
"""Seconds after which a frame that is not followed by another does not stand any longer."""


class WebVtt:
    """Makes one file's text.  *shown* has each column's type and how it is shown."""

    header = "WEBVTT\n"

    def __init__(
        self, names: Sequence[str], shown: Sequence[tuple[ValueType, str]], first: float
    ) -> None:
        self._first = first
        self._texts = [
            ColumnTexts(_line(name, kind, show), f"{_escaped(name)}: –")
            for name, (kind, show) in zip(names, shown, strict=True)
        ]
        self._began = self._last = 0.0
        self._words = ""

    def cues(self, rows: Rows) -> str:
        """The cues that have ended with these rows."""
        found: list[str] = []
        columns = [
            texts.of(column) for texts, column in zip(self._texts, rows.columns, strict=True)
        ]
        for time, words in zip(rows.times.tolist(), zip(*columns, strict=True), strict=True):
            at, text = time - self._first, "\n".join(words)
            gap = bool(self._words) and at - self._last > _PAUSE
            if text != self._words or gap:
                found.append(self._cue(self._last + _LAST if gap else at))
                self._began, self._words = at, text
            self._last = at
        return "".join(found)

    def end(self) -> str:
        """The last cue."""
        return self._cue(self._last + _LAST)

    def _cue(self, end: float) -> str:
        begin, until = _time(self._began), _time(end)
        if not self._words or begin == until:
            return ""
        return f"\n{begin} --> {until}\n{self._words}\n"


def _line(name: str, kind: ValueType, show: str) -> Callable[[Any], str]:
    words = _escaped(name)
    return lambda value: f"{words}: {_escaped(show_value(value, kind, show))}"


def _escaped(text: str) -> str:
    """Text that cannot end a cue or begin a tag, by WebVTT's own references."""
    return printable(text).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def _time(seconds: float) -> str:
    whole = max(0, round(seconds * 1000))
    minutes, thousandths = divmod(whole, 60_000)
    hours, minutes = divmod(minutes, 60)
    return f"{hours:02}:{minutes:02}:{thousandths // 1000:02}.{thousandths % 1000:03}"
