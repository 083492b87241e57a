"""The live table: what is drawn, as text with control codes."""

from __future__ import annotations

import io
import os
from collections.abc import Iterator, Sequence
from itertools import islice

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.table import Table
from rich.text import Text

from adapters.outputs.practice_words import practice_words
from adapters.outputs.words import printable, state_words
from bridge.readings import Frame, Reading, Status, Watch

_HIT, _MISS, _NONE = "bold green", "yellow", "dim"


class TerminalTable:
    """Draws into a text, which the caller writes to the terminal.

    Columns that do not fit are left out: first the address, then the reason.  Rows that do not
    fit are counted in a last line.
    """

    def __init__(self, encoding: str) -> None:
        self._buffer = _Buffer(encoding)
        # Colours come from TERM, COLORTERM and NO_COLOR in the environment.
        self._console = Console(
            file=self._buffer,
            force_terminal=True,
            legacy_windows=False,
            markup=False,
            emoji=False,
            highlight=False,
            width=80,
            height=24,
        )
        self._live = Live(
            console=self._console,
            auto_refresh=False,
            redirect_stdout=False,
            redirect_stderr=False,
            vertical_overflow="crop",
        )
        self._widest = [0, 0, 0]
        self._said: list[Text] = []

    def say(self, lines: Sequence[str]) -> None:
        """Lines to stand above the table from the next drawing on."""
        self._said += [Text(printable(line), style=_NONE) for line in lines]

    def waiting(self, watches: Sequence[Watch], size: os.terminal_size) -> str:
        """The table before the first frame."""
        rows = (Reading(watch, Status.WAITING, reason="no frame yet") for watch in watches)
        head = [Text("waiting for the first frame", style="bold")]
        return self._draw(head, rows, len(watches), 0.0, size)

    def frame(self, frame: Frame, since: float, size: os.terminal_size) -> str:
        """The table of *frame*, which came *since* seconds ago."""
        head = [self._title(frame), self._counts(frame)]
        if frame.practice is not None:
            head.append(Text(printable(practice_words(frame.practice))))
        if frame.note:
            head.append(Text(printable(frame.note), style="yellow"))
        return self._draw(head, frame.readings, len(frame.readings), since, size)

    def end(self) -> str:
        """What leaves the last table standing and gives the cursor back."""
        self._live.stop()
        return self._buffer.drain()

    def _draw(
        self,
        head: list[Text],
        rows: Sequence[Reading] | Iterator[Reading],
        count: int,
        since: float,
        size: os.terminal_size,
    ) -> str:
        # A terminal that became narrower has wrapped the old lines: their place is not known.
        wipe = "\x1b[H\x1b[2J" if size.columns < self._console.width else ""
        self._console.size = (size.columns, size.lines)
        self._live.start()
        for line in self._said:
            self._console.print(line)
        self._said.clear()
        room = max(1, size.lines - len(head) - 2)
        shown = count if count <= room else max(1, room - 1)
        parts: list[RenderableType] = [*head, self._table(islice(rows, shown), since)]
        if shown < count:
            parts.append(Text(f"and {count - shown} more", style=_NONE))
        for part in parts:
            if isinstance(part, Text):
                part.no_wrap, part.overflow = True, "ellipsis"
        self._live.update(Group(*parts), refresh=True)
        return wipe + self._buffer.drain()

    def _table(self, rows: Iterator[Reading], since: float) -> Table:
        width = self._console.width
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style=_NONE)
        cells = [self._cells(reading, since) for reading in rows]
        for column in range(3):
            needed = max((row[column].cell_len for row in cells), default=0)
            # Columns only grow, so that nothing moves when a value loses a digit.
            self._widest[column] = max(self._widest[column], min(needed, width // 3))
        watch, value, target = self._widest
        table.add_column("watch", no_wrap=True, min_width=watch, overflow="ellipsis")
        table.add_column(
            "value", no_wrap=True, min_width=value, overflow="ellipsis", justify="right"
        )
        table.add_column("target", no_wrap=True, min_width=target, overflow="ellipsis")
        columns = 3
        if width >= 90:
            table.add_column("address", no_wrap=True, min_width=10)
        if width >= 60:
            table.add_column("reason", no_wrap=True, overflow="ellipsis", ratio=1)
        for row in cells:
            kept = row[:columns]
            if width >= 90:
                kept.append(row[3])
            if width >= 60:
                kept.append(row[4])
            table.add_row(*kept)
        return table

    def _cells(self, reading: Reading, since: float) -> list[Text]:
        good = reading.status.has_value
        hit = reading.target == "hit"
        value = Text(printable(reading.text) or "-", style="bold" if good else _NONE)
        words = state_words(reading, since)
        mark = self._mark(reading)
        style = (_HIT if hit else _MISS) if reading.target else _NONE
        address = "" if reading.address is None else f"0x{reading.address:08X}"
        return [
            Text(printable(reading.watch.title)),
            value,
            Text(f"{mark} {printable(words)}" if mark else printable(words), style=style),
            Text(address, style=_NONE),
            Text(printable(reading.reason), style=_NONE),
        ]

    def _mark(self, reading: Reading) -> str:
        if reading.target is None:
            return ""
        full, hollow = ("●", "○") if self._buffer.unicode else ("*", "-")
        return full if reading.target == "hit" else hollow

    def _title(self, frame: Frame) -> Text:
        build = frame.build or "unknown build"
        line = f"frame {frame.number}  {build}  {frame.source}  {frame.consistency}"
        return Text(printable(line), style="bold")

    def _counts(self, frame: Frame) -> Text:
        stats = frame.stats
        line = f"{stats.frames} frames  {stats.skipped} skipped  {stats.torn} torn"
        if stats.lag:
            line += f"  {stats.lag} lag"
        if stats.unwhole:
            line += f"  {stats.unwhole} not whole"
        if stats.resets:
            line += f"  {stats.resets} resets"
        return Text(line, style=_NONE)


class _Buffer(io.StringIO):
    """Takes what rich writes; rich asks it for the encoding of the terminal behind it."""

    def __init__(self, encoding: str) -> None:
        super().__init__()
        self._encoding = encoding

    @property
    def encoding(self) -> str:  # type: ignore[override]
        return self._encoding

    @property
    def unicode(self) -> bool:
        return self._encoding.lower().replace("_", "-").startswith("utf")

    def drain(self) -> str:
        text = self.getvalue()
        self.seek(0)
        self.truncate()
        return text
