"""What others than lowhalf would write to standard error: libraries, the interpreter, threads.

Such text would stand in the middle of a live table, and may come as often as a peer likes.  While
the daemon runs it becomes lines of its log: of each kind the first, and one a minute on how many
more there were (``bridge.reporting.counted_lines``).
"""

from __future__ import annotations

import contextlib
import logging
import sys
import threading
import time
import traceback
from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType

from bridge.reporting.counted_lines import CountedLines

__all__ = ["LONGEST", "foreign_lines"]

LONGEST = 300
"""Letters of a line."""


@contextlib.contextmanager
def foreign_lines(write: Callable[[str], None]) -> Iterator[None]:
    """Hand lines to *write*: other loggers' from WARNING on, Python's warnings, lost exceptions.

    A handler on the root logger also keeps ``logging.lastResort`` from writing.
    """
    foreign = _Foreign(write)
    hooks = sys.unraisablehook, threading.excepthook
    root = logging.getLogger()
    root.addHandler(foreign)
    logging.captureWarnings(True)
    sys.unraisablehook = foreign.unraisable
    threading.excepthook = foreign.ended_thread
    try:
        yield
    finally:
        sys.unraisablehook, threading.excepthook = hooks
        logging.captureWarnings(False)
        root.removeHandler(foreign)
        foreign.end()


class _Foreign(logging.Handler):
    """Counts and writes; called from any thread, one at a time by the handler's own lock."""

    def __init__(self, write: Callable[[str], None]) -> None:
        super().__init__(logging.WARNING)
        self._write = write
        self._lines = CountedLines(time.monotonic)

    def emit(self, record: logging.LogRecord) -> None:
        try:
            words = record.getMessage()
        except Exception:  # another's words do not fit their own format
            words = str(record.msg)
        fault = record.exc_info[1] if record.exc_info else None
        # asyncio tells of the task itself in further lines
        kind = str(record.msg).partition("\n")[0]
        self._came(f"{record.name} {kind}", record.name, words, fault)

    def unraisable(self, lost: sys.UnraisableHookArgs) -> None:
        """For ``sys.unraisablehook``."""
        with self.lock or contextlib.nullcontext():
            what = getattr(lost.object, "__qualname__", type(lost.object).__name__)
            self._came(f"lost in {what}", "python", f"lost in {what}", lost.exc_value)

    def ended_thread(self, ended: threading.ExceptHookArgs) -> None:
        """For ``threading.excepthook``."""
        if ended.exc_type is SystemExit:
            return
        with self.lock or contextlib.nullcontext():
            name = ended.thread.name if ended.thread is not None else "a thread"
            self._came(f"thread {name}", "python", f"thread {name} ended", ended.exc_value)

    def end(self) -> None:
        """Write what was counted."""
        for line in self._lines.rest():
            self._write(line)

    def _came(self, kind: str, name: str, words: str, fault: BaseException | None) -> None:
        said = f"{name}: {words.partition(chr(10))[0]}"
        if fault is not None:
            kind += type(fault).__name__
            said += f": {type(fault).__name__}: {fault}{_place(fault.__traceback__)}"
        for line in (*self._lines.due(), self._lines.came(kind, _short(said))):
            if line:
                self._write(line)


def _place(trace: TracebackType | None) -> str:
    frames = traceback.extract_tb(trace)
    return f" ({Path(frames[-1].filename).name} line {frames[-1].lineno})" if frames else ""


def _short(text: str) -> str:
    return text if len(text) <= LONGEST else f"{text[: LONGEST - 1]}…"
