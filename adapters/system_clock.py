"""The system's own clocks, for the core."""

from __future__ import annotations

import asyncio
import time

from bridge.ports.clock import Clock

__all__ = ["SystemClock"]

_WITH_SUSPENSION: int | None = getattr(time, "CLOCK_BOOTTIME", None)
_COARSEST_WAIT = 0.0011
"""Event loops wait in whole milliseconds, and rather longer than asked."""
_FINE = 0.0002
"""Seconds that others wait at most while the rest is slept through."""


class SystemClock(Clock):
    """Real time."""

    def now(self) -> float:
        if _WITH_SUSPENSION is None:
            return time.monotonic()
        return time.clock_gettime(_WITH_SUSPENSION)

    def time_of_day(self) -> float:
        return time.time()

    def processor_time(self) -> float:
        return time.thread_time()

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
