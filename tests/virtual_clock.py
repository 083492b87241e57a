"""Clocks for tests of the core, and an event loop on which waiting takes no time.

On such a loop time passes only while everybody waits, by just as much as is waited for: what a test
counts in seconds is the same on every machine, however busy.  Nothing outside of the process is
waited for, so that a test with sockets or threads needs the real loop, or ``tests.virtual_time``.
"""

from __future__ import annotations

import asyncio
import time

from adapters.system_clock import SystemClock
from tests.virtual_time import Skipping

MORNING = 1_000_000.0
"""The time of day at which a virtual clock begins, in seconds since the Unix epoch."""


class VirtualLoop(asyncio.SelectorEventLoop):
    """Begins at 0 seconds."""

    def __init__(self) -> None:
        super().__init__(Skipping(self._skip, grace=0.0))
        self._seconds = 0.0

    def time(self) -> float:
        return self._seconds

    def _skip(self, seconds: float) -> None:
        self._seconds += seconds


class VirtualClock(SystemClock):
    """Goes with the loop that runs; a test may set it ahead, as a game does that is waited for.

    What is computed takes no time, so that no budget ends sooner on a busy machine.
    """

    def __init__(self) -> None:
        self.ahead = 0.0

    def now(self) -> float:
        try:
            return asyncio.get_running_loop().time() + self.ahead
        except RuntimeError:  # none runs yet
            return self.ahead

    def time_of_day(self) -> float:
        return MORNING + self.now()

    def processor_time(self) -> float:
        return 0.0

    async def sleep_until(self, when: float) -> None:
        await asyncio.sleep(max(0.0, when - self.now()))


class SetClock(VirtualClock):
    """Stands where a test sets it; who waits for it to be later waits on the loop."""

    def __init__(self, seconds: float = 0.0, time_of_day: float = MORNING) -> None:
        super().__init__()
        self.seconds = seconds
        self.day = time_of_day

    def now(self) -> float:
        return self.seconds

    def time_of_day(self) -> float:
        return self.day


class ProcessClock(SystemClock):
    """By the process's own clocks, for who has them virtual with ``VirtualTime.installed``."""

    def now(self) -> float:
        return time.monotonic()

    def time_of_day(self) -> float:
        return time.time()
