"""The output ``terminal``: a live table; plain lines where the stream is no terminal.

A plain line is written at most once a second, and only when something changed: the frame's
number, then what changed, as ``name=value`` and the words of its target or status.
"""

from __future__ import annotations

import asyncio
import os
import time
from collections import deque
from collections.abc import Callable, Sequence
from functools import partial
from typing import ClassVar, TextIO

from rich.console import detect_legacy_windows

from adapters.outputs.plain_lines import PlainLines
from adapters.outputs.stream_thread import StreamThread
from adapters.outputs.terminal_table import TerminalTable
from bridge.output import Output
from bridge.readings import Frame, Watch
from schemas import output_settings
from schemas.errors import OutputError

MOST_LINES = 20


class TerminalOutput(Output):
    """Draws at most ``settings.rate`` times a second, on a thread of its own.

    ``live`` says whether there is a table.  With TERM=dumb, and in a Windows console that knows
    no control codes, there are plain lines as well.
    """

    kind: ClassVar[str] = "terminal"

    def __init__(self, settings: output_settings.TerminalOutput, stream: TextIO) -> None:
        super().__init__()
        self.live = (
            stream.isatty() and os.environ.get("TERM") != "dumb" and not detect_legacy_windows()
        )
        self._pause = 1 / settings.rate if self.live else max(1.0, 1 / settings.rate)
        self._stream = stream
        self._thread = StreamThread(stream, "lowhalf-terminal")
        self._table = TerminalTable(stream.encoding or "ascii") if self.live else None
        self._lines = PlainLines()
        self._watches: tuple[Watch, ...] = ()
        self._frame: Frame | None = None
        self._came = 0.0
        self._fresh = False
        self._news = asyncio.Event()
        self._said: deque[str] = deque(maxlen=MOST_LINES)

    def say(self, line: str) -> None:
        """Show a line above the table; an error's and a log's words would break it otherwise."""
        self._said.append(line)
        self._news.set()

    def announce(self, watches: Sequence[Watch]) -> None:
        """Until the first frame the table shows the watches waiting."""
        self._watches = tuple(watches)
        self._news.set()

    def publish(self, frame: Frame) -> None:
        if self._fresh:
            self.skipped += 1
        self._frame, self._came, self._fresh = frame, time.monotonic(), True
        self._news.set()

    async def run(self) -> None:
        """Draw until cancelled; at the end the cursor is given back below the last table.

        Raises OutputError when the terminal or the reader is gone.
        """
        try:
            while True:
                await self._wait()
                self._news.clear()
                if self._frame is None and not self.live:
                    continue
                self._fresh = False
                if self._frame is not None:
                    _ = self._frame.readings  # evaluated here: the image belongs to this thread
                said = list(self._said)
                self._said.clear()
                await self._do(partial(self._show, self._frame, said))
                await asyncio.sleep(self._pause)
        finally:
            await self._thread.end(self._finish, 0.5)

    async def _wait(self) -> None:
        if not self.live:
            await self._news.wait()
            return
        try:  # a table is drawn again even if nothing is new: ages grow, terminals are resized
            async with asyncio.timeout(1.0):
                await self._news.wait()
        except TimeoutError:
            pass

    async def _do(self, job: Callable[[], None]) -> None:
        try:
            await self._thread.do(job)
        except BrokenPipeError as failure:
            raise OutputError("the reader has closed its end", output=self.kind) from failure
        except (OSError, ValueError) as failure:
            raise OutputError(f"cannot write: {failure}", output=self.kind) from failure

    def _show(self, frame: Frame | None, said: Sequence[str]) -> None:
        if self._table is not None:
            self._table.say(said)
        if self._table is None:
            text = self._lines.changes(frame) if frame is not None else ""
        elif frame is None:
            text = self._table.waiting(self._watches, self._size())
        else:
            text = self._table.frame(frame, time.monotonic() - self._came, self._size())
        if text:
            self._thread.write(text)

    def _finish(self) -> None:
        if self._table is not None:
            self._thread.write(self._table.end())

    def _size(self) -> os.terminal_size:
        try:
            size = os.get_terminal_size(self._stream.fileno())
        except (OSError, ValueError):
            size = os.terminal_size((0, 0))
        return os.terminal_size((size.columns or 80, size.lines or 24))
