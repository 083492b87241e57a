"""Source ``serial``: frames that a console sends over a serial line (LHP/1, 8N1)."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import queue
import re
import threading
import time
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, ClassVar

from adapters.sources.pushed import lhp
from adapters.sources.pushed.lhp_line import LineReceiver
from adapters.sources.pushed.lhp_session import (
    ByeSaid,
    FrameDone,
    HelloSaid,
    PingSaid,
    Refused,
    Session,
)
from adapters.sources.pushed.pushed_frames import PushedFrames, image_of
from bridge.memory.address_map import MemoryMap, Span
from bridge.ports.source import Opened
from schemas.errors import SourceLost, SourceUnusable
from schemas.source_settings import SerialSource
from schemas.system_words import system_words

if TYPE_CHECKING:
    from serial import Serial

__all__ = ["CUT_OFF", "ERROR_TIMEOUT", "IDLE_TIMEOUT", "QUIET", "SerialLine"]

IDLE_TIMEOUT = 30.0
QUIET = 0.02
"""Seconds without a byte after which a message that is whole waits for no successor: more than the
16 ms for which USB adapters gather bytes."""
CUT_OFF = 0.25
"""Seconds without a byte after which the rest of a message will not come."""
ERROR_TIMEOUT = 1460
"""Windows' error where a wait took too long; it stands at the end of pyserial's text."""
_WRITE_TIMEOUT = 1.0
_MAX_UNSENT = 1 << 16
_READ_SIZE = 1 << 16
_COMPLAIN_EVERY = 1.0
"""Seconds between two ERRORs about what is not understood: noise must not fill the line."""


class _Line:
    """An open port with a thread that reads and one that writes."""

    def __init__(self, port: Serial) -> None:
        self.port = port
        self.stop = threading.Event()
        self.outgoing: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        self.unsent = 0
        self.threads: list[threading.Thread] = []

    def close(self) -> None:
        """End the threads and close the port; takes up to a second."""
        self.stop.set()
        self.outgoing.put(None)
        for thread in self.threads:
            thread.join()
        with contextlib.suppress(OSError):
            self.port.close()


class SerialLine(PushedFrames):
    """One console at the other end of a serial line.

    A console that starts anew says HELLO again; one that was greeted by an earlier run of lowhalf
    is told by an ERROR to say it.  ``notes`` tells of damage on the line.
    """

    kind: ClassVar[str] = "serial"
    opening_words: ClassVar[str] = "waiting for the console at the other end"

    def __init__(self, settings: SerialSource, *, idle_timeout: float = IDLE_TIMEOUT) -> None:
        """*idle_timeout* is in seconds."""
        super().__init__()
        self.settings = settings
        self._idle_timeout = idle_timeout
        self._line: _Line | None = None
        self._session: Session | None = None
        self._receiver = LineReceiver()
        self._damaged = 0
        self._complained = 0.0
        self._dropped = False

    @property
    def paths(self) -> tuple[str, ...]:
        return (self.settings.port,)

    @property
    def name(self) -> str:
        return f"serial {self.settings.port}"

    def want(self, spans: Sequence[Span]) -> None:
        self._wanted = list(spans)
        if self._session is not None:
            self._answer(lhp.Want(lhp.MAX_PAYLOAD, self._wanted_ranges()))

    async def _open(self, guest: MemoryMap) -> Opened:
        await self._close()
        self._guest = guest
        self._forget_producer()
        self._receiver = LineReceiver()
        self._damaged = 0
        self._dropped = False
        self._complained = 0.0
        try:
            line = _Line(await asyncio.to_thread(self._open_port))
            self._line = line
            loop = asyncio.get_running_loop()
            for work in (self._read, self._write):
                thread = threading.Thread(
                    target=work, args=(line, loop), name=f"{self.name} {work.__name__}", daemon=True
                )
                line.threads.append(thread)
                thread.start()
            while self._image is None:
                self._check()
                self._changed.clear()
                await self._changed.wait()
        except BaseException:
            await self._close()
            raise
        return self._opened(guest, self._image)

    async def _close(self) -> None:
        line, self._line = self._line, None
        self._session = None
        self._forget_producer()
        self._lost = "is closed"
        self._changed.set()
        if line is not None:
            await asyncio.to_thread(line.close)

    # what comes

    def _arrive(self, line: _Line, data: bytes, silence: float) -> None:
        """Bytes have come, or none for *silence* seconds."""
        if line is not self._line or self._lost:
            return
        if data:
            self._take_all(self._receiver.receive(data))
        elif silence >= self._idle_timeout and self._session is not None:
            self._idle()
        elif silence >= CUT_OFF:
            self._take_all(self._receiver.give_up())
        else:
            self._take_all(self._receiver.quiet())

    def _take_all(self, messages: Iterable[tuple[int, bytes]]) -> None:
        for kind, payload in messages:
            self._take(kind, payload)
            if self._lost:
                return
        receiver = self._receiver
        if receiver.damaged > self._damaged and self._session is not None:
            self._damaged = receiver.damaged
            if self._may_complain():
                said = f"a damaged message was passed over: {receiver.reason}"
                self.note_recurring("damaged", said)
                self._answer(lhp.ErrorMessage(lhp.Code.PAYLOAD, False, receiver.reason))

    def _take(self, kind: int, payload: bytes) -> None:
        if kind == lhp.Type.HELLO:
            self._greet(payload)
            return
        session = self._session
        if session is None:
            if kind == lhp.Type.FRAME and self._may_complain():
                text = "expected HELLO first: say it again"
                self._answer(lhp.ErrorMessage(lhp.Code.TYPE, True, text))
            return
        match session.message(kind, payload):
            case FrameDone(frame, changes):
                self._applied(frame, changes)
                self._answer(lhp.Ack(frame))
            case PingSaid(data):
                self._answer(lhp.Pong(data))
            case ByeSaid():
                self._lose("the console said BYE")
            case Refused(error):
                self._note_refusal(error)
                self._answer(error)
                if error.fatal:
                    self._lose(f"the console was refused: {error.text}")

    def _greet(self, payload: bytes) -> None:
        layout = self._guest
        session = Session()
        said = session.message(lhp.Type.HELLO, payload)
        if not isinstance(said, HelloSaid) or layout is None:
            return
        hello = said.hello
        if self._hello is not None and self._hello != hello:
            # what is held was laid out for the other; it says HELLO again until it is welcomed
            self._lose("another console, or another program on it, said HELLO")
            return
        try:
            image = image_of(layout, hello)
        except lhp.LhpError as fault:
            if self._may_complain():
                self._note_refusal(fault)
                self._answer(lhp.ErrorMessage(fault.code, True, fault.text))
            return
        session.accept()
        self._session = session
        self._greeted(hello, image)
        self._answer(self._welcome())

    def _idle(self) -> None:
        text = f"sent nothing for {self._idle_timeout:g} s"
        self._answer(lhp.ErrorMessage(lhp.Code.IDLE, True, text))
        self._lose(f"the console {text}")

    def _lose(self, reason: str) -> None:
        if not self._lost:
            self._lost = reason
            self._session = None
            self._changed.set()

    def _cut(self, line: _Line, reason: str) -> None:
        if line is self._line:
            self._lose(reason)

    def _may_complain(self) -> bool:
        now = time.monotonic()
        if self._complained and now - self._complained < _COMPLAIN_EVERY:
            return False
        self._complained = now
        return True

    def _note_refusal(self, error: lhp.LhpError | lhp.ErrorMessage) -> None:
        said = f"refused: {error.text} (code {error.code:d})"
        self.note_recurring(f"refused {error.code:d}", said)

    # what goes

    def _answer(self, message: lhp.Message) -> None:
        line = self._line
        # a console that does not read must not stop being read
        if line is not None and line.unsent < _MAX_UNSENT:
            data = lhp.encode(message)
            line.unsent += len(data)
            line.outgoing.put(data)

    def _sent(self, line: _Line, count: int, dropped: bool) -> None:
        line.unsent -= count
        if dropped and not self._dropped and line is self._line:
            self._dropped = True
            self.note_recurring("unread", "the line takes nothing: answers are left out")

    # the port and its threads

    def _open_port(self) -> Serial:
        import serial  # needs what the system has: only where a line is used

        port = self.settings.port
        try:
            return serial.Serial(
                port,
                baudrate=self.settings.speed,
                bytesize=serial.EIGHTBITS,
                parity=serial.PARITY_NONE,
                stopbits=serial.STOPBITS_ONE,
                timeout=QUIET,
                write_timeout=_WRITE_TIMEOUT,
                exclusive=True,
            )
        except ValueError as fault:
            raise SourceUnusable(
                f"{port} cannot be used at {self.settings.speed} bits a second ({fault})",
                source=self.name,
            ) from fault
        except OSError as fault:
            raise SourceLost(_words(port, fault), source=self.name) from fault

    def _read(self, line: _Line, loop: asyncio.AbstractEventLoop) -> None:
        reason = "is closed"
        heard = time.monotonic()
        told = 0.0
        try:
            while not line.stop.is_set():
                data = _read_once(line.port)
                now = time.monotonic()
                if data:
                    heard, told = now, 0.0
                elif told and now - told < CUT_OFF:
                    continue
                else:
                    told = now
                loop.call_soon_threadsafe(self._arrive, line, data, now - heard)
        except OSError as fault:
            reason = f"{self.settings.port} was unplugged ({system_words(fault) or fault})"
        except RuntimeError:
            return  # the loop is closed: nobody is left to tell
        with contextlib.suppress(RuntimeError):
            loop.call_soon_threadsafe(self._cut, line, reason)

    def _write(self, line: _Line, loop: asyncio.AbstractEventLoop) -> None:
        import serial

        while True:
            data = line.outgoing.get()
            if data is None or line.stop.is_set():
                return
            dropped = False
            try:
                line.port.write(data)
            except serial.SerialTimeoutException:
                dropped = True
            except OSError:
                return  # the reader tells of it
            with contextlib.suppress(RuntimeError):
                loop.call_soon_threadsafe(self._sent, line, len(data), dropped)


def _read_once(port: Serial) -> bytes:
    """What has come, or the first byte that comes; b"" after QUIET.  Raises OSError."""
    length = min(max(1, port.in_waiting), _READ_SIZE)
    try:
        return port.read(length)
    except OSError as fault:
        # Windows has a read that times out end well, but not every driver does
        if f", {ERROR_TIMEOUT})" in str(fault):
            return b""
        raise


def _words(port: str, error: OSError) -> str:
    """What failed at opening, and what to do."""
    # on Windows the fault has no number, and the system's own stands in its text
    found = re.search(r"\b(FileNotFound|Permission)Error\(", str(error))
    on_windows = found[1] if found and error.errno is None else ""
    if on_windows == "FileNotFound" or error.errno in (errno.ENOENT, errno.ENXIO):
        return f"{port} is not there: is the cable plugged in?"
    if error.errno == errno.EACCES:
        return f"{port} may not be opened: on Linux, add yourself to the port's group (dialout)"
    if on_windows == "Permission" or error.errno in (errno.EAGAIN, errno.EBUSY):
        return f"{port} is in use by another program"
    return f"{port} cannot be opened ({error})"
