"""Talk with a stub: answers and stops in their time, and faults in a source's words."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence

from adapters.sources.debugger import rsp
from adapters.sources.debugger.rsp_link import Burst, Link, LinkError, NoAnswer
from schemas.errors import SourceLost

__all__ = ["Talk"]


class Talk:
    """One connection's talk.  Everything here raises SourceLost where the stub is gone or late."""

    def __init__(self, link: Link, source: str, seconds: float) -> None:
        """*source* names the source in faults; the stub may take *seconds* for each answer."""
        self.link = link
        self._source = source
        self._seconds = seconds
        self._stalled = f"stalled: no answer from the stub within {seconds:g} s"
        self._unstopped = f"stalled: the guest did not stop within {seconds:g} s"

    def check(self) -> None:
        """Raises SourceLost where the connection is gone."""
        if self.link.lost:
            raise self.lost(self.link.lost)

    def take_stops(self) -> list[rsp.Stop]:
        """The stops that nobody has taken yet, the oldest first."""
        stops = list(self.link.stops)
        self.link.stops.clear()
        return stops

    async def look(self) -> None:
        """Take in what has come already."""
        with self._within(self._stalled):
            await self.link.look()

    async def ask(
        self, payloads: Sequence[bytes], *, until_stop: bool = False, late: str = ""
    ) -> list[bytes]:
        """The answers; with *until_stop* raises StopCame as ``Link.ask`` does.

        *late* is what to say where no answer comes.
        """
        with self._within(late or self._stalled):
            return await self.link.ask(payloads, self._seconds, until_stop=until_stop)

    async def stop(self, late: str) -> rsp.Stop:
        """The stop that is due; *late* is what to say where none comes."""
        with self._within(late):
            return await self.link.stop(self._seconds)

    async def interrupted(self) -> rsp.Stop:
        """The stop that an interrupt is to have."""
        return await self.stop(self._unstopped)

    async def quiet_stop(self, seconds: float) -> rsp.Stop | None:
        """A stop that comes by itself within *seconds*; None where none does."""
        try:
            return await self.link.stop(seconds, asked=False)
        except NoAnswer:
            return None
        except LinkError as fault:
            raise self.lost(str(fault)) from fault

    async def burst(self, burst: Burst) -> None:
        """See a burst through."""
        try:
            await self.link.burst(burst, self._seconds)
        except NoAnswer as fault:
            raise self.lost(self._stalled if burst.came else self._unstopped) from fault
        except LinkError as fault:
            raise self.lost(str(fault)) from fault

    async def fall_in_step(self) -> None:
        """Forget what was asked, some of which the stub may have missed."""
        with self._within(self._stalled):
            await self.link.fall_in_step(self._seconds)

    def lost(self, words: str) -> SourceLost:
        return SourceLost(words, source=self._source)

    @contextlib.contextmanager
    def _within(self, late: str) -> Iterator[None]:
        try:
            yield
        except NoAnswer as fault:
            raise self.lost(late) from fault
        except LinkError as fault:
            raise self.lost(str(fault)) from fault
