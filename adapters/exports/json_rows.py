"""Rows as JSON lines: an object a frame with the value and the status of each column."""

from __future__ import annotations

from collections.abc import Sequence

from adapters.exports.row_texts import ColumnTexts
from adapters.printable import json_text
from bridge.querying.rows import STATUSES, Rows

__all__ = ["JsonRows"]

_STATUSES = [f'"{status}"' for status in STATUSES]


class JsonRows:
    """Makes the lines of one recording.  *recording* is its name, where several are told of."""

    def __init__(self, names: Sequence[str], recording: str = "") -> None:
        self._begin = f'{{"recording": {json_text(recording)}, ' if recording else "{"
        self._keys = [f"{json_text(name)}: " for name in names]
        self._texts = [ColumnTexts(json_text, "null") for _ in names]

    def lines(self, rows: Rows) -> str:
        """The lines of some rows."""
        values, statuses = [], []
        for key, texts, column in zip(self._keys, self._texts, rows.columns, strict=True):
            values.append([key + text for text in texts.of(column)])
            words = [key + word for word in _STATUSES]
            statuses.append([words[code] for code in column.status.tolist()])
        begin = self._begin
        return "".join(
            [
                f'{begin}"frame": {frame}, "time": {time!r}, '
                f'"values": {{{", ".join(mine)}}}, "status": {{{", ".join(words)}}}}}\n'
                for frame, time, mine, words in zip(
                    rows.frames,
                    rows.times.tolist(),
                    zip(*values, strict=True),
                    zip(*statuses, strict=True),
                    strict=True,
                )
            ]
        )
