"""Clocks for tests of the core, and an event loop on which waiting takes no time.

On such a loop time passes only while everybody waits, by just as much as is waited for: what a test
counts in seconds is the same on every machine, however busy.  Nothing outside of the process is
waited for, so that a test with sockets or threads needs the real loop, or ``tests.virtual_time``.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator

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


class SkippedClock(SystemClock):
    """Real time, of which a test skips what would only be waited for; then all that is due is done.

    So what other processes do takes the time that it takes, and pauses take none.  ``sleeps`` is
    how often somebody has begun to sleep.
    """

    def __init__(self) -> None:
        self.sleeps = 0
        self._skipped = 0.0
        self._ahead = asyncio.Event()

    def skip(self, seconds: float) -> None:
        self._skipped += seconds
        self._ahead.set()
        self._ahead = asyncio.Event()

    def now(self) -> float:
        return SystemClock.now() + self._skipped

    async def sleep(self, seconds: float) -> None:
        self.sleeps += 1
        await self.sleep_until(self.now() + seconds)

    async def sleep_until(self, when: float) -> None:
        while (left := when - self.now()) > 0:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(left):
                    await self._ahead.wait()

    @contextlib.asynccontextmanager
    async def timeout(self, seconds: float | None) -> AsyncIterator[None]:  # type: ignore[override]
        async with asyncio.timeout(None) as scope:
            ending = None if seconds is None else asyncio.create_task(self._end(scope, seconds))
            try:
                yield
            finally:
                if ending is not None:
                    ending.cancel()

    async def _end(self, scope: asyncio.Timeout, seconds: float) -> None:
        await self.sleep_until(self.now() + seconds)
        scope.reschedule(asyncio.get_running_loop().time())


class ProcessClock(SystemClock):
    """By the process's own clocks, for who has them virtual with ``VirtualTime.installed``."""

    def now(self) -> float:
        return time.monotonic()

    def time_of_day(self) -> float:
        return time.time()
