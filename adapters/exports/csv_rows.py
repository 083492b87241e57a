"""Rows as CSV: RFC 4180, with a header; an absent value is an empty cell.

Whole numbers are written out, floats with the fewest digits that a binary64 is rebuilt from, truth
values as true and false.  A text that a spreadsheet would take for a formula is marked as a text
(:func:`adapters.printable.spreadsheet_cell`).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from adapters.exports.row_texts import ColumnTexts
from adapters.printable import spreadsheet_cell
from bridge.querying.rows import Rows

__all__ = ["CsvRows"]

_END = "\r\n"
_QUOTED = frozenset('",\r\n')


class CsvRows:
    """Makes the lines of one recording.  *recording* is its name, where several are told of."""

    def __init__(self, names: Sequence[str], recording: str = "") -> None:
        first = ("recording",) if recording else ()
        self.header = ",".join(map(_cell, (*first, "frame", "time", *names))) + _END
        self._begin = f"{_cell(recording)}," if recording else ""
        self._texts = [ColumnTexts(_cell, "") for _ in names]

    def lines(self, rows: Rows) -> str:
        """The lines of some rows."""
        columns = [
            texts.of(column) for texts, column in zip(self._texts, rows.columns, strict=True)
        ]
        frames, times = map(str, rows.frames), map(repr, rows.times.tolist())
        begin = self._begin
        return "".join(
            [
                f"{begin}{','.join(cells)}{_END}"
                for cells in zip(frames, times, *columns, strict=True)
            ]
        )


def _cell(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if not isinstance(value, str):
        return repr(value)
    text = str(spreadsheet_cell(value))
    if _QUOTED.isdisjoint(text):
        return text
    return '"' + text.replace('"', '""') + '"'
