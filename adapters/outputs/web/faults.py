"""What the pages' server says of requests that are none, and of peers that misuse connections.

The web library writes a traceback for each malformed request, which a page of any other site can
make a browser send.  So it is given a logger of its own: what it has to say becomes one line a kind
a minute in the program's log, in words that hold nothing of what the peer sent.
"""

from __future__ import annotations

import asyncio
import logging
import time
import traceback
from pathlib import Path

from aiohttp import http_exceptions, web

from bridge.reporting.counted_lines import CountedLines

__all__ = ["WebFaults"]

_SOON = 0.05
"""Seconds; a loop's timers may be early by a step of its clock, which has 0.016 on Windows."""


class WebFaults:
    """Writes to *log*; to be used in the event loop, and closed, so that no count is lost."""

    def __init__(self, log: logging.Logger) -> None:
        self._log = log
        self._lines = CountedLines(time.monotonic)
        self._timer: asyncio.TimerHandle | None = None

    def came(self, kind: str, words: str) -> None:
        """Write or count one of a kind; *words* say it without the output's name."""
        if line := self._lines.came(kind, f"overlay: {words}"):
            self._log.warning("%s", line)
        self._tell_later()

    def close(self) -> None:
        """Write what was counted."""
        if self._timer is not None:
            self._timer.cancel()
        for line in self._lines.rest():
            self._log.warning("%s", line)

    def logger(self) -> logging.Logger:
        """What the web library logs to; no other handler of the process ever gets its records."""
        made = logging.Logger("lowhalf.overlay", logging.DEBUG)
        made.addHandler(_Records(self))
        return made

    def _tell(self) -> None:
        self._timer = None
        for line in self._lines.due():
            self._log.warning("%s", line)
        self._tell_later()

    def _tell_later(self) -> None:
        """Another kind may have been counted meanwhile, and a timer may be early."""
        wait = self._lines.next_due
        if self._timer is None and wait is not None:
            self._timer = asyncio.get_running_loop().call_later(max(wait, _SOON), self._tell)


class _Records(logging.Handler):
    """Turns the web library's records into words."""

    def __init__(self, faults: WebFaults) -> None:
        super().__init__(logging.DEBUG)
        self._faults = faults

    def emit(self, record: logging.LogRecord) -> None:
        fault = record.exc_info[1] if record.exc_info else None
        if fault is None:
            if record.levelno >= logging.WARNING:
                self._faults.came(str(record.msg), f"the web server says: {record.msg}")
        elif isinstance(fault, http_exceptions.HttpProcessingError | web.RequestPayloadError):
            what = _malformed(fault)
            self._faults.came(what, f"a malformed request was refused: {what}")
        elif not isinstance(fault, ConnectionError):
            kind, place = type(fault).__name__, _place(fault)
            self._faults.came(
                f"{kind} {place}", f"a request failed, a fault of lowhalf: {kind} in {place}"
            )


def _malformed(fault: Exception) -> str:
    """The kind of what was sent, in words that hold nothing of it."""
    match fault:
        case http_exceptions.LineTooLong():
            return "its address or a header is too long"
        case http_exceptions.BadHttpMethod():
            return "it begins with no method of HTTP, as encrypted traffic does"
        case _:
            return "it is not HTTP"


def _place(fault: BaseException) -> str:
    """The file and line that raised it."""
    frames = traceback.extract_tb(fault.__traceback__)
    return f"{Path(frames[-1].filename).name} line {frames[-1].lineno}" if frames else "no place"
