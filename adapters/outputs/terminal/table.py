"""The terminal view: which lines there are, and which of them where there is no room for all."""

from __future__ import annotations

import os
from collections.abc import Sequence

from adapters.outputs.terminal.line import GAP, Alphabet, Line, Piece, Style, columns
from adapters.outputs.terminal.plan_lines import plan_lines
from adapters.outputs.terminal.practice_lines import score_line, step_line
from adapters.words.readings import duration, state_words
from bridge.readings.frame import Frame, Stats
from bridge.readings.reading import Reading, Watch
from bridge.values.status import Status

__all__ = ["ADDRESS_FROM", "REASON_FROM", "TerminalTable"]

ADDRESS_FROM = 90
REASON_FROM = 60
"""Columns of a terminal from which on there is an address, and a reason."""
_ADDRESS = 10
_LEAST_REASON = 12
_LEAST = (10, 8, 8)
"""Columns to which the watch, its target and its value shrink, in this order."""


class TerminalTable:
    """Makes lines for a terminal of any size.

    The most important lines come first where they do not all fit: the frame, the current step,
    three watches, the score, three more watches, the counts, the other watches; and a last line
    says how many are left out.
    """

    def __init__(self, encoding: str) -> None:
        self._alphabet = Alphabet(encoding)
        self._widest = [0, 0, 0]
        self._columns = 0

    def text(self, text: str) -> str:
        """*text* as one line that steers nothing and that the terminal's encoding can hold."""
        return self._alphabet.text(text)

    def waiting(self, watches: Sequence[Watch], size: os.terminal_size) -> list[Line]:
        """The view before the first frame."""
        rows = [Reading(watch, Status.WAITING, reason="no frame yet") for watch in watches]
        title = self._alphabet.row([("waiting for the first frame", Style.STRONG)], size.columns)
        return self._arranged(size, title, [], [], rows, 0.0, "")

    def frame(
        self, frame: Frame, since: float, size: os.terminal_size, outputs: Sequence[str] = ()
    ) -> list[Line]:
        """The view of *frame*, which came *since* seconds ago.

        *outputs* are words on the states of other outputs.
        """
        width = size.columns
        practice: list[Line] = []
        if frame.practice is not None:
            practice = [
                step_line(frame.practice, self._alphabet, width),
                score_line(frame.practice, self._alphabet, width),
            ]
        if frame.plan is not None:
            practice = [*plan_lines(frame.plan, self._alphabet, width), *practice]
        counts = [(words, Style.FAINT) for words in (*_counts(frame.stats), *outputs)]
        return self._arranged(
            size,
            self._title(frame, since, width),
            [self._alphabet.row(counts, width)],
            [line for line in practice if line],
            frame.readings,
            since,
            frame.note,
        )

    def _arranged(
        self,
        size: os.terminal_size,
        title: Line,
        counts: Sequence[Line],
        practice: Sequence[Line],
        readings: Sequence[Reading],
        since: float,
        note: str,
    ) -> list[Line]:
        width, height = size.columns, size.lines
        notes = [self._alphabet.row([(note, Style.WARNING)], width)] if note else []
        above = 1 + len(counts) + len(practice) + len(notes)
        fits = above + len(readings) <= height
        # more than the room takes are not made; a few more are, for their columns
        rows = self._rows(readings if fits else readings[:height], since, width)
        heading, *watches = rows
        if above + 1 + len(readings) <= height:
            return [title, *counts, *practice, *notes, heading, *watches]
        if fits:
            return [title, *counts, *practice, *notes, *watches]
        # (place on the screen, line), the most important first
        places = enumerate([title, *counts, *practice, *notes, *watches])
        numbered = list(places)
        begin = 1 + len(counts)
        steps = numbered[begin : begin + len(practice)]
        rest = numbered[above:]
        ranked = [
            numbered[0],
            *steps[:1],
            *numbered[begin + len(practice) : above],
            *rest[:3],
            *steps[1:],
            *rest[3:6],
            *numbered[1:begin],
            *rest[6:],
        ]
        kept = sorted(ranked[: max(1, height - 1)], key=lambda entry: entry[0])
        left = above + len(readings) - len(kept)
        lines = [line for _, line in kept]
        if height > 1:
            words = f"{left} more line{'s' * (left != 1)}, in a taller window"
            lines.append(self._alphabet.row([(words, Style.FAINT)], width))
        return lines

    def _title(self, frame: Frame, since: float, width: int) -> Line:
        parts: list[Piece] = []
        gone = bool(frame.readings) and all(
            reading.status is Status.OFFLINE for reading in frame.readings
        )
        if gone:
            age = duration(max(reading.age for reading in frame.readings) + since)
            parts.append((f"{self._alphabet.offline} offline {age}", Style.WARNING))
        parts += [
            (f"frame {frame.number}", Style.STRONG),
            (frame.build or "unknown build", Style.STRONG),
            (frame.source, Style.STRONG),
            (frame.consistency, Style.STRONG),
        ]
        return self._alphabet.row(parts, width)

    def _rows(self, readings: Sequence[Reading], since: float, width: int) -> list[Line]:
        """The heading and a line a reading."""
        if width != self._columns:
            self._columns, self._widest = width, [0, 0, 0]
        cells = [self._cells(reading, since) for reading in readings]
        heading: list[Piece] = [
            (word, Style.FAINT) for word in ("watch", "value", "target", "address", "reason")
        ]
        widths = self._widths([heading, *cells], width)
        return [self._row(row, widths) for row in (heading, *cells)]

    def _widths(self, rows: Sequence[Sequence[Piece]], width: int) -> list[int]:
        most = width // 3 if width >= REASON_FROM else width
        for column in range(3):
            needed = max(columns(row[column][0]) for row in rows)
            # Columns only grow, so that nothing moves when a value loses a digit.
            self._widest[column] = max(self._widest[column], min(needed, most))
        widths = list(self._widest)
        over = sum(widths) + 2 * GAP - width
        for column, least in zip((0, 2, 1), _LEAST, strict=True):
            shrunk = min(max(0, over), max(0, widths[column] - least))
            widths[column] -= shrunk
            over -= shrunk
        if over > 0:  # the narrowest: the name and as much of the value as there is room for
            return [width] if width < 12 else [width // 2, width - width // 2 - GAP]
        left = width - sum(widths) - 2 * GAP
        if width >= ADDRESS_FROM and left >= GAP + _ADDRESS:
            widths.append(_ADDRESS)
            left -= GAP + _ADDRESS
        else:
            widths.append(0)
        if width >= REASON_FROM and left >= GAP + _LEAST_REASON:
            widths.append(left - GAP)
        return widths

    def _row(self, cells: Sequence[Piece], widths: Sequence[int]) -> Line:
        line: list[Piece] = []
        for column, ((text, style), width) in enumerate(zip(cells, widths, strict=False)):
            if width == 0:
                continue
            gap = " " * GAP if line else ""
            line.append((gap + self._alphabet.fill(text, width, right=column == 1), style))
        return _without_end(line)

    def _cells(self, reading: Reading, since: float) -> list[Piece]:
        good = reading.status.has_value
        mark, style = self._mark(reading)
        words = state_words(reading, since)
        if self._columns < REASON_FROM:  # the ring before it and the heading say it as well
            words = words.removesuffix(" to go")
        address = "" if reading.address is None else f"0x{reading.address:08X}"
        text = self._alphabet.text
        return [
            (text(reading.watch.title), Style.PLAIN),
            (text(reading.text) or "-", Style.STRONG if good else Style.FAINT),
            (text(f"{mark} {words}") if mark else text(words), style),
            (address, Style.FAINT),
            (text(reading.reason), Style.FAINT),
        ]

    def _mark(self, reading: Reading) -> tuple[str, Style]:
        """A shape of its own for each state; none for a value that has no target and is well."""
        shapes = self._alphabet
        if reading.status is Status.OFFLINE:
            return shapes.offline, Style.FAINT
        if not reading.status.has_value:
            return shapes.absent, Style.FAINT
        if reading.status is not Status.OK:
            return shapes.warning, Style.WARNING
        if reading.target is None:
            return "", Style.PLAIN
        return (shapes.hit, Style.HIT) if reading.target == "hit" else (shapes.miss, Style.MISS)


def _counts(stats: Stats) -> list[str]:
    counts = [f"{stats.frames} frames", f"{stats.skipped} skipped", f"{stats.torn} torn"]
    counts += [f"{stats.lag} lag"] if stats.lag else []
    counts += [f"{stats.unwhole} not whole"] if stats.unwhole else []
    counts += [f"{stats.unclear} unclear"] if stats.unclear else []
    counts += [f"{stats.resets} resets"] if stats.resets else []
    return counts


def _without_end(line: list[Piece]) -> Line:
    """Spaces at the end of a line are not sent."""
    while line:
        text, style = line.pop()
        if kept := text.rstrip():
            return (*line, (kept, style))
    return ()
