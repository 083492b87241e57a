"""The clock of a recording that is evaluated as fast as can be: its time is the recorded one."""

from __future__ import annotations

import asyncio
from contextlib import AbstractAsyncContextManager

from bridge.ports.clock import Clock
from bridge.ports.source import Source

__all__ = ["RecordedClock"]


class RecordedClock(Clock):
    """Tells when the frame that *source* has at hand was recorded, and waits for nobody.

    No processor's time passes, so that only steps of evaluation are counted: a frame gives the same
    on every machine.
    """

    def __init__(self, source: Source) -> None:
        self._source = source

    def now(self) -> float:
        return self._source.moment or 0.0

    def time_of_day(self) -> float:
        return self.now()

    def processor_time(self) -> float:
        return 0.0

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(0)

    async def sleep_until(self, when: float) -> None:
        await asyncio.sleep(0)

    def timeout(self, seconds: float | None) -> AbstractAsyncContextManager[object]:
        return asyncio.timeout(None)
