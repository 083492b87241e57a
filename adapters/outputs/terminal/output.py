"""The output ``terminal``: a live table; plain lines where the stream is no terminal.

The table is drawn when something is new, and only what has changed is sent, at most
``BYTES_A_SECOND`` on average: over a slow line it is drawn less often.  Now and then it is sent
whole: another program, such as an emulator that lowhalf has started, may have written in it.

A plain line is written at most once a second, and only when something changed: the frame's
number, then what changed, as ``name=value`` and the words of its target or status.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import ClassVar, TextIO

from rich.console import detect_legacy_windows

from adapters.outputs.stream_thread import StreamThread
from adapters.outputs.surroundings import OutputSurroundings
from adapters.outputs.terminal.keyboard import NoKeyboard
from adapters.outputs.terminal.painter import Painter
from adapters.outputs.terminal.plain_lines import PlainLines
from adapters.outputs.terminal.signals import terminal_signals
from adapters.outputs.terminal.table import TerminalTable
from adapters.outputs.terminal.this_keyboard import keyboard_of
from bridge.ports.controls import BY_HAND, Controls
from bridge.ports.output import Output
from bridge.readings.frame import Frame
from bridge.readings.reading import Watch
from schemas import output_settings
from schemas.errors import OutputError, StreamFailed

__all__ = ["AFRESH_EVERY", "BYTES_A_SECOND", "MAX_LINES", "TerminalOutput"]

MAX_LINES = 20
BYTES_A_SECOND = 16_000
AFRESH_EVERY = 10.0
"""Seconds after which a table is sent whole."""


class TerminalOutput(Output):
    """Draws at most ``settings.rate`` times a second, on a thread of its own.

    ``live`` says whether there is a table.  With TERM=dumb, and in a Windows console that knows
    no control codes, there are plain lines as well.  The table has a word on the
    states of the outputs ``beside`` it.  With a table and a *keyboard* that is a terminal keys are
    taken (``takes_keys``), for what *controls* have.
    """

    kind: ClassVar[str] = "terminal"

    def __init__(
        self,
        settings: output_settings.TerminalOutput,
        stream: TextIO,
        keyboard: TextIO | None = None,
        controls: Controls | None = None,
    ) -> None:
        super().__init__()
        self.live = (
            stream.isatty()
            and os.environ.get("TERM") not in ("dumb", "unknown")
            and not detect_legacy_windows()
        )
        self._pause = 1 / settings.rate if self.live else max(1.0, 1 / settings.rate)
        self._stream = stream
        self._thread = StreamThread(stream, "lowhalf-terminal")
        self._table = TerminalTable(stream.encoding or "ascii") if self.live else None
        # no-color.org: present and not empty
        self._painter = Painter(colour=not os.environ.get("NO_COLOR"))
        self._lines = PlainLines()
        self._stopped = False
        self._sent = 0
        self._whole_at = time.monotonic()
        self._watches: tuple[Watch, ...] = ()
        self._frame: Frame | None = None
        self._came = 0.0
        self._fresh = False
        self._news = asyncio.Event()
        self._said: deque[str] = deque(maxlen=MAX_LINES)
        self._controls = controls or Controls()
        self._keyboard = keyboard_of(keyboard if self.live else None, self._pressed)
        self._keeping: set[asyncio.Task[None]] = set()
        self.takes_keys = not isinstance(self._keyboard, NoKeyboard)

    @classmethod
    def from_bridge(
        cls, settings: output_settings.TerminalOutput, around: OutputSurroundings
    ) -> TerminalOutput:
        """The output of a bridge file's table."""
        return cls(settings, around.stream, around.keyboard, around.controls)

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

        Raises StreamFailed when the terminal or the reader is gone.
        """
        watched: contextlib.AbstractContextManager[None] = contextlib.nullcontext()
        if self.live:
            watched = terminal_signals(self._news.set, self._stopping, self._resumed)
        with watched:
            try:
                await self._draw()
            finally:
                self._keyboard.leave()
                for task in self._keeping:
                    task.cancel()
                await self._thread.end(self._finish, 0.5)

    async def _draw(self) -> None:
        while True:
            await self._wait()
            self._news.clear()
            if not self._stopped and self._keyboard.listen():
                # it was in the background, where the screen belonged to others
                self._whole_at -= AFRESH_EVERY
            if self._stopped or (self._frame is None and not self.live):
                continue
            self._fresh = False
            if self._frame is not None:
                _ = self._frame.readings  # evaluated here: the image belongs to this thread
            said = list(self._said)
            self._said.clear()
            self._sent = 0
            await self._do(partial(self._show, self._frame, said))
            await asyncio.sleep(max(self._pause, self._sent / BYTES_A_SECOND))

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
        except (OSError, ValueError) as fault:
            raise StreamFailed(fault, output=self.kind) from fault

    def _show(self, frame: Frame | None, said: Sequence[str]) -> None:
        if self._table is None:
            text = self._lines.changes(frame) if frame is not None else ""
        else:
            size = self._size()
            if frame is None:
                lines = self._table.waiting(self._watches, size)
            else:
                since = time.monotonic() - self._came
                lines = self._table.frame(frame, since, size, self._states())
            above = [self._table.text(line) for line in said]
            now = time.monotonic()
            afresh = now - self._whole_at >= AFRESH_EVERY
            if afresh:
                self._whole_at = now
            text = self._painter.paint(lines, size, above, afresh=afresh)
        if text:
            encoding = self._stream.encoding or "utf-8"
            self._sent = len(text.encode(encoding, self._stream.errors or "replace"))
            self._thread.write(text)

    def _states(self) -> list[str]:
        keys: list[str] = []
        if self.takes_keys:
            keys += ["space: next frame"] if self._controls.steps is not None else []
            keys += ["k: keep the last minute"] if self._controls.keep is not None else []
            if self._controls.mark is not None:
                keys += [f"{key}: {action}" for key, action in self._controls.keys.items()]
            keys += [f"{key}: {what}" for key, what in self._by_hand.items()]
        states = [
            f"{output.kind} {output.state}"
            for output in self.beside
            if output is not self and output.state
        ]
        return keys + states

    def _pressed(self, key: str) -> None:
        if key in " \r\n" and self._controls.steps is not None:
            self._controls.step()
        elif key in "kK":
            task = asyncio.ensure_future(self._keep())
            self._keeping.add(task)
            task.add_done_callback(self._keeping.discard)
        elif key in self._controls.keys:
            self._tell(lambda: self._controls.press(key))
        elif key in self._by_hand:
            self._tell(lambda: self._controls.count_by_hand(self._by_hand[key]))

    @property
    def _by_hand(self) -> Mapping[str, str]:
        """Keys that count attempts, but those that an action has."""
        if self._controls.by_hand is None:
            return {}
        return {what[0]: what for what in BY_HAND if what[0] not in self._controls.keys}

    def _tell(self, done: Callable[[], str]) -> None:
        try:
            self.say(done())
        except OutputError as fault:
            self.say(fault.detail)

    async def _keep(self) -> None:
        try:
            await self._controls.keep_last_minute()  # which is told in the log
        except OutputError as fault:
            self.say(fault.detail)

    async def _stopping(self) -> None:
        """The user wants the shell for a while."""
        self._stopped = True
        self._keyboard.leave()
        with contextlib.suppress(StreamFailed, TimeoutError):
            async with asyncio.timeout(0.3):
                await self._do(self._finish)

    def _resumed(self) -> None:
        self._stopped = False
        self._news.set()

    def _finish(self) -> None:
        if text := self._painter.end():
            self._thread.write(text)

    def _size(self) -> os.terminal_size:
        try:
            size = os.get_terminal_size(self._stream.fileno())
        except (OSError, ValueError):
            size = os.terminal_size((0, 0))
        return os.terminal_size((size.columns or 80, size.lines or 24))
