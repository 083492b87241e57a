"""One search, with its progress on a terminal and Ctrl-C, which gives the best so far."""

from __future__ import annotations

import shutil
import sys

from adapters.commands.console.standard_streams import styled
from adapters.commands.console.telling import tell
from adapters.commands.console.until_stopped import StopSignals
from adapters.planning.engines import engine_here
from adapters.system_clock import system_clock
from bridge.planning.find import find
from bridge.planning.model import Limits, Task
from bridge.planning.outcome import Outcome, Sought

__all__ = ["Searching"]

_EVERY = 0.2
"""Seconds between two lines of progress."""


class Searching:
    """Searches one task after another; a signal ends the one at hand and those that follow."""

    def __init__(self) -> None:
        self._clock = system_clock()
        self._told = 0.0
        self._width = 0
        self._stopped = False
        self._noted: set[str] = set()

    def __call__(self, task: Task, limits: Limits) -> Outcome:
        """The outcome; cut short where a signal came."""
        here = engine_here()
        if here.engine is None and here.why not in self._noted:
            self._noted.add(here.why)
            tell(here.why)
        self._told = self._clock.now()
        with StopSignals() as signals:

            def go_on(sought: Sought) -> bool:
                self._tell(sought, limits)
                self._stopped = self._stopped or bool(signals.number)
                return not self._stopped

            try:
                return find(task, limits, self._clock, here.engine, tell=go_on)
            finally:
                self._line("")

    def _tell(self, sought: Sought, limits: Limits) -> None:
        now = self._clock.now()
        if now - self._told >= _EVERY and sys.stderr.isatty():
            self._told = now
            best = "none yet" if sought.best is None else f"{sought.best:,}"
            self._line(
                f"at least {sought.floor:,} frames, best {best}; {sought.generated:,} states, "
                f"{sought.memory >> 20} MiB, {sought.seconds:.1f} of {limits.seconds:g} s"
            )

    def _line(self, text: str) -> None:
        """The line of progress in place of the one before; where none is there, none is ended."""
        if text or self._width:
            text = text[: shutil.get_terminal_size().columns - 1]
            with styled(sys.stderr):
                print("\r" + text.ljust(self._width) + "\r" * (not text), end="", file=sys.stderr)
            sys.stderr.flush()
            self._width = len(text)
