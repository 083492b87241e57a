"""Writing to a stream whose reader may be slow, gone, or held by a key in the terminal.

Each job (render, then write) runs on a thread of its own, one at a time, so the event loop never
waits for the stream.  The thread is a daemon: a write that never returns does not keep the
program from ending.
"""

from __future__ import annotations

import asyncio
import contextlib
import io
import queue
import threading
import time
from collections.abc import Callable
from typing import TextIO

from adapters.system_faults import of_a_write

__all__ = ["Job", "StreamThread"]

Job = Callable[[], None]
_Item = tuple[Job, asyncio.AbstractEventLoop, "asyncio.Future[None]"]


class StreamThread:
    """Runs jobs that write to *stream*, in the order in which they were given."""

    def __init__(self, stream: TextIO, name: str) -> None:
        self._stream = stream
        self._name = name
        self._jobs: queue.SimpleQueue[_Item | None] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None
        self._raw = _raw_of(stream)

    async def do(self, job: Job) -> None:
        """Return when *job* is done; what it raises is raised here."""
        if self._thread is None:
            self._thread = threading.Thread(target=self._work, name=self._name, daemon=True)
            self._thread.start()
        loop = asyncio.get_running_loop()
        done = loop.create_future()
        self._jobs.put((job, loop, done))
        await done

    async def end(self, last: Job, patience: float) -> None:
        """Run one last job after what is under way, for at most *patience* seconds in all.

        What it raises is dropped: the stream may be what has failed.
        """
        with contextlib.suppress(OSError, ValueError, TimeoutError):
            async with asyncio.timeout(patience):
                await self.do(last)
        self._jobs.put(None)
        self._thread = None

    def write(self, text: str) -> None:
        """For jobs: write all of *text* and flush.  Raises OSError, ValueError.

        Bytes go to the raw stream where there is one: a thread that is stuck while it holds the
        lock of a buffered stream would abort the interpreter's own flush at its end.
        """
        if self._raw is None:
            self._stream.write(text)
            self._stream.flush()
            return
        self._stream.flush()
        encoding = self._stream.encoding or "utf-8"
        rest = memoryview(text.encode(encoding, self._stream.errors or "replace"))
        while rest:
            written = self._raw.write(rest)
            if written is None:  # a non-blocking stream that is full
                time.sleep(0.01)
                continue
            rest = rest[written:]

    def _work(self) -> None:
        while (item := self._jobs.get()) is not None:
            job, loop, done = item
            failure: BaseException | None = None
            try:
                job()
            except OSError as fault:
                failure = of_a_write(fault)
            except Exception as fault:
                failure = fault
            # The loop may be closed by the time that a slow write returns.
            with contextlib.suppress(RuntimeError):
                loop.call_soon_threadsafe(_settle, done, failure)


def _settle(done: asyncio.Future[None], failure: BaseException | None) -> None:
    if done.done():
        return
    if failure is None:
        done.set_result(None)
    else:
        done.set_exception(failure)


def _raw_of(stream: TextIO) -> io.RawIOBase | None:
    try:
        raw = stream.buffer.raw  # type: ignore[attr-defined]
    except (AttributeError, io.UnsupportedOperation):
        return None
    return raw if isinstance(raw, io.RawIOBase) else None
