"""Time, as the core asks for it: the seconds that pass, the time of day, and waiting.

The core measures and waits by nothing else, so that tests give it a clock of their own, on which an
hour of waiting takes no time.
"""

from __future__ import annotations

import abc
from contextlib import AbstractAsyncContextManager, AbstractContextManager, nullcontext

__all__ = ["Clock"]


class Clock(abc.ABC):
    """All times are in seconds."""

    @abc.abstractmethod
    def now(self) -> float:
        """Seconds since some moment that stays the same, whatever is done to the time of day.

        Everything that measures how long something took counts these.  They go on while the machine
        is suspended, where the system can tell: what happened elsewhere meanwhile has happened.
        """

    @abc.abstractmethod
    def time_of_day(self) -> float:
        """Seconds since the Unix epoch: they say when something was, never how long it took."""

    @abc.abstractmethod
    def processor_time(self) -> float:
        """Seconds of the processor's time that this thread has taken, from any beginning."""

    @abc.abstractmethod
    async def sleep(self, seconds: float) -> None:
        """Let others run for *seconds*; at 0 each has its turn once."""

    @abc.abstractmethod
    async def sleep_until(self, when: float) -> None:
        """Let others run until :meth:`now` gives *when*, to a tenth of a millisecond."""

    @abc.abstractmethod
    def timeout(self, seconds: float | None) -> AbstractAsyncContextManager[object]:
        """What is done inside is cancelled after *seconds*; then TimeoutError is raised."""

    def fine_waits(self) -> AbstractContextManager[None]:
        """While it lasts, waits are as fine as :meth:`sleep_until` says, also where that costs.

        Somebody who waits for nothing that is so exact does without.
        """
        return nullcontext()
