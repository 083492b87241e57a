"""The log: one line a change of state, on standard error or above the live table."""

from __future__ import annotations

import contextlib
import logging
import sys
from collections.abc import Iterator, Sequence
from typing import Protocol, runtime_checkable

from adapters.commands.console.foreign_lines import foreign_lines
from adapters.printable import printable
from bridge.ports.output import Output

__all__ = ["log_to"]


@runtime_checkable
class _Table(Protocol):
    """An output that draws, so that lines must go through it."""

    live: bool

    def say(self, line: str) -> None: ...


class _Lines(logging.Handler):
    """Writes to what standard error is now, or to an output that shows lines itself."""

    def __init__(self, outputs: Sequence[Output]) -> None:
        super().__init__(logging.INFO)
        tables = [output for output in outputs if isinstance(output, _Table) and output.live]
        self._say = tables[0].say if tables else None

    def emit(self, record: logging.LogRecord) -> None:
        self.write(record.getMessage())

    def write(self, text: str) -> None:
        """A line, whoever's words it holds: these may hold what a terminal obeys."""
        line = printable(text)
        try:
            if self._say is not None and sys.stderr.isatty():
                self._say(line)
            else:
                print(f"lowhalf: {line}", file=sys.stderr, flush=True)
        except (OSError, ValueError):
            pass  # a log that cannot be written ends nothing, and there is nowhere to say so


@contextlib.contextmanager
def log_to(outputs: Sequence[Output]) -> Iterator[None]:
    """The program's log, while its daemon runs; nothing else writes to standard error meanwhile."""
    log = logging.getLogger("lowhalf")
    handler = _Lines(outputs)
    before = log.level, log.propagate
    log.addHandler(handler)
    log.setLevel(logging.INFO)
    log.propagate = False
    try:
        with foreign_lines(handler.write):
            yield
    finally:
        log.removeHandler(handler)
        log.setLevel(before[0])
        log.propagate = before[1]
