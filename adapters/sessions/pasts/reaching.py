"""Waiting until something that goes on has come as far as a place."""

from __future__ import annotations

import asyncio
import heapq
import itertools

from schemas.errors import PastNotReady

__all__ = ["PATIENCE", "Reached"]

PATIENCE = 10.0
"""Seconds that who asks for a place waits for it."""


class Reached:
    """How far something has come: ``count`` places are there; ``over`` when no more come."""

    def __init__(self) -> None:
        self.count = 0
        self.over = False
        self._waiting: list[tuple[int, int, asyncio.Future[None]]] = []
        self._serial = itertools.count()

    def come(self, count: int) -> None:
        """So many places are there now."""
        self.count = count
        while self._waiting and self._waiting[0][0] < count:
            self._wake()

    def end(self) -> None:
        """No more come."""
        self.over = True
        while self._waiting:
            self._wake()

    async def wait(self, place: int) -> bool:
        """Whether the place is there, once that is known.  Raises PastNotReady."""
        if place >= self.count and not self.over:
            waiter = asyncio.get_running_loop().create_future()
            heapq.heappush(self._waiting, (place, next(self._serial), waiter))
            try:
                async with asyncio.timeout(PATIENCE):
                    await waiter
            except TimeoutError:
                raise PastNotReady(
                    f"place {place} is yet to be evaluated, {self.count} are; ask again"
                ) from None
        return place < self.count

    def _wake(self) -> None:
        waiter = heapq.heappop(self._waiting)[2]
        if not waiter.done():
            waiter.set_result(None)
