"""Time that passes at once where nothing is to do, for a whole process.

The clock is the system's own, ahead by what was skipped.  Whenever the event loop would sleep until
its next timer, what other processes and threads have sent gets its turn, for ``GRACE`` seconds of
real time; where nothing came, the sleep is skipped.  So work takes as long as it takes, and waiting
takes no time.
"""

from __future__ import annotations

import asyncio
import contextlib
import selectors
import threading
import time
from collections.abc import Callable, Iterator
from typing import SupportsIndex

GRACE = 0.0003
"""Seconds; a broker on the same machine answers within it, mostly."""

_monotonic, _wall, _sleep = time.monotonic, time.time, time.sleep


class VirtualTime:
    """``skipped`` is by how many seconds the clock is ahead of the real one."""

    def __init__(self) -> None:
        self.skipped = 0.0
        self._held = 0
        self._thread = threading.get_ident()

    @contextlib.contextmanager
    def installed(self) -> Iterator[None]:
        """While it lasts, ``time.monotonic``, ``time.time`` and ``time.sleep`` are virtual.

        Other threads than the one that made this sleep for real, as they wait for the real world.
        """
        time.monotonic = lambda: _monotonic() + self.skipped
        time.time = lambda: _wall() + self.skipped
        time.sleep = self._slept
        try:
            yield
        finally:
            time.monotonic, time.time, time.sleep = _monotonic, _wall, _sleep

    @contextlib.contextmanager
    def held(self) -> Iterator[None]:
        """While it lasts, time passes as it does outside: for what waits for other processes."""
        self._held += 1
        try:
            yield
        finally:
            self._held -= 1

    def skip(self, seconds: float) -> None:
        """All clocks are ahead at once: what was due meanwhile is done late, and once."""
        self.skipped += seconds

    def loop(self) -> asyncio.AbstractEventLoop:
        """An event loop whose waiting is skipped."""
        return asyncio.SelectorEventLoop(Skipping(self.skip, is_held=lambda: self._held > 0))

    def _slept(self, seconds: float | SupportsIndex) -> None:
        if self._held or threading.get_ident() != self._thread:
            _sleep(seconds)
        else:
            self.skip(float(seconds))


class Skipping(selectors.DefaultSelector):
    """Does not wait for a timer: hands its seconds to *skip*, unless *is_held*.

    What other processes and threads send has *grace* seconds of real time to come.
    """

    def __init__(
        self,
        skip: Callable[[float], None],
        *,
        grace: float = GRACE,
        is_held: Callable[[], bool] = lambda: False,
    ) -> None:
        super().__init__()
        self._skip = skip
        self._grace = grace
        self._is_held = is_held

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        if timeout is None or timeout <= 0 or self._is_held():
            return super().select(timeout)
        events = super().select(0)
        if not events and timeout > self._grace > 0:
            _sleep(self._grace)
            events = super().select(0)
        if not events:
            self._skip(max(0.0, timeout - self._grace))
        return events


class LoopbackLoop(asyncio.SelectorEventLoop):
    """For a test that holds both ends of each connection: waiting is skipped, for all of it.

    What was sent over loopback has ``ARRIVES`` seconds of real time to come.  While something is
    ``held``, such as the work of a thread, time passes as it does outside.
    """

    ARRIVES = 0.002

    def __init__(self) -> None:
        self._clock = VirtualTime()
        self.held = self._clock.held
        skipping = _Arriving(
            self._clock.skip, grace=self.ARRIVES, is_held=lambda: self._clock._held > 0
        )
        super().__init__(skipping)

    def run_forever(self) -> None:
        with self._clock.installed():
            super().run_forever()


class _Arriving(Skipping):
    """What comes within the grace ends it."""

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        if timeout is None or timeout <= self._grace or self._is_held():
            return selectors.DefaultSelector.select(self, timeout)
        events = selectors.DefaultSelector.select(self, self._grace)
        if not events:
            self._skip(timeout - self._grace)
        return events
