"""Lines onto a terminal, in few bytes: only what has changed since the last drawing is sent.

The view stands in the ordinary screen, below what the shell wrote, and stays there at the end.
Between drawings the cursor is hidden, on the view's last line; every movement is relative to it.
Control functions are those of ECMA-48 that each terminal of today knows, and DEC's private mode
25 for the cursor.  The text of lines must hold no control characters.
"""

from __future__ import annotations

import os
from collections.abc import Sequence

from rich.cells import cell_len

from adapters.outputs.terminal.line import Line, Style

__all__ = ["Cell", "Painter"]

_HIDE, _SHOW = "\x1b[?25l", "\x1b[?25h"
_WIPE = "\x1b[H\x1b[2J"
_ERASE_LINE, _ERASE_BELOW = "\x1b[K", "\x1b[J"
_BRIDGE = 4
"""Unchanged columns between two changes that cost less than a movement over them."""

Cell = tuple[str, Style]


class Painter:
    """Gives text with control codes, which the caller writes whole and in order."""

    def __init__(self, *, colour: bool) -> None:
        self._colour = colour
        self._shown: list[Line] = []
        self._size = os.terminal_size((0, 0))
        self._row = 0
        self._style = Style.PLAIN
        self._out: list[str] = []
        self._hidden = False

    def paint(
        self,
        lines: Sequence[Line],
        size: os.terminal_size,
        above: Sequence[str] = (),
        *,
        afresh: bool = False,
    ) -> str:
        """The view becomes *lines*; the texts of *above* come to stand over it, for good.

        With *afresh* all of it is sent, and not only what has changed.
        """
        before, self._size = self._size, size
        if not self._hidden:
            self._out.append(_HIDE)
            self._hidden = True
        # A terminal that became smaller has wrapped or moved lines: their place is not known.
        lost = size.columns < before.columns or size.lines < before.lines
        if lost and self._shown:
            self._out.append(_WIPE)
            self._shown = []
        if afresh or above or size != before or len(lines) != len(self._shown):
            self._whole(lines, above)
        else:
            for row, (old, new) in enumerate(zip(self._shown, lines, strict=True)):
                if old != new:
                    self._change(row, old, new)
        self._shown = list(lines)
        self._move(len(lines) - 1)
        self._set(Style.PLAIN)
        return self._take()

    def end(self) -> str:
        """Leave the view standing and give the cursor back; the next drawing is a new view."""
        if not self._hidden:
            return ""
        if self._shown:
            self._out.append("\r\n")
        self._out.append(_SHOW)
        self._hidden = False
        self._shown, self._row = [], 0
        return self._take()

    def _whole(self, lines: Sequence[Line], above: Sequence[str]) -> None:
        if self._shown:
            self._move(0)
            self._out.append("\r" + _ERASE_BELOW)
        self._out += [f"{text}\r\n" for text in above]
        for row, line in enumerate(lines):
            if row:
                self._out.append("\r\n")
            self._write(line)
        self._row = len(lines) - 1

    def _change(self, row: int, old: Line, new: Line) -> None:
        self._move(row)
        before, after = _cells(old), _cells(new)
        if before is None or after is None:  # where columns are not known for sure
            self._out.append("\r" + _ERASE_LINE)
            self._write(new)
            return
        for begin, end in _differences(before, after):
            self._out.append("\r" if begin == 0 else f"\x1b[{begin + 1}G")
            for letter, style in after[begin:end]:
                self._set(style)
                self._out.append(letter)
        if len(before) > len(after):
            self._set(Style.PLAIN)
            self._out.append(f"\x1b[{len(after) + 1}G{_ERASE_LINE}")

    def _write(self, line: Line) -> None:
        for text, style in line:
            self._set(style)
            self._out.append(text)
        self._set(Style.PLAIN)

    def _set(self, style: Style) -> None:
        if style is self._style:
            return
        codes = style.codes(self._colour)
        if codes != self._style.codes(self._colour):
            self._out.append(f"\x1b[0;{codes}m" if codes else "\x1b[m")
        self._style = style

    def _move(self, row: int) -> None:
        if row != self._row:
            count = abs(row - self._row)
            self._out.append(f"\x1b[{count}{'B' if row > self._row else 'A'}")
            self._row = row

    def _take(self) -> str:
        text = "".join(self._out)
        self._out.clear()
        return text


def _cells(line: Line) -> list[Cell] | None:
    """A letter a column; None where a letter takes another number of columns than one."""
    text = "".join(piece for piece, _ in line)
    if not text.isascii() and not all(map(_single, text)):
        return None
    return [(letter, _seen(letter, style)) for piece, style in line for letter in piece]


def _single(letter: str) -> bool:
    return letter.isascii() or cell_len(letter) == 1


def _seen(letter: str, style: Style) -> Style:
    return Style.PLAIN if letter == " " else style


def _differences(old: list[Cell], new: list[Cell]) -> list[tuple[int, int]]:
    """Where *new* differs from *old*, as half-open runs of columns of *new*."""
    runs: list[tuple[int, int]] = []
    for column, cell in enumerate(new):
        if column < len(old) and old[column] == cell:
            continue
        if runs and column - runs[-1][1] <= _BRIDGE:
            runs[-1] = runs[-1][0], column + 1
        else:
            runs.append((column, column + 1))
    return runs
