"""The system's own clocks, for the core."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from functools import partial

from bridge.ports.clock import Clock

__all__ = ["SystemClock"]

_COARSEST_WAIT = 0.0011
"""Event loops wait in whole milliseconds, and rather longer than asked."""
_FINE = 0.0002
"""Seconds that others wait at most while the rest is slept through."""


def _seconds() -> Callable[[], float]:
    """What goes on while the machine is suspended, where the system can tell."""
    with_suspension: int | None = getattr(time, "CLOCK_BOOTTIME", None)
    if with_suspension is None:
        return time.monotonic
    return partial(time.clock_gettime, with_suspension)


class SystemClock(Clock):
    """Real time.  Its clocks are the system's own functions, since each frame asks them often."""

    now = staticmethod(_seconds())
    time_of_day = staticmethod(time.time)
    processor_time = staticmethod(time.thread_time)

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)

    async def sleep_until(self, when: float) -> None:
        left = when - self.now()
        if left > _COARSEST_WAIT:
            await asyncio.sleep(left - _COARSEST_WAIT)
            left = when - self.now()
        while left > 0:
            # others have their turn in between
            time.sleep(min(left, _FINE))  # noqa: ASYNC251
            await asyncio.sleep(0)
            left = when - self.now()

    def timeout(self, seconds: float | None) -> asyncio.Timeout:
        return asyncio.timeout(seconds)
