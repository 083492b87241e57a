"""Attempts of one sitting.

A session lasts until nothing was attempted for half an hour: an attempt that begins over 30 minutes
after the last one ended, or began where it has no end, belongs to the next.  Sessions are numbered
from 1.  The time of day alone decides, so they last over restarts of lowhalf; where the clock was
set back, the session goes on.
"""

from __future__ import annotations

from bridge.practice.attempts import Attempt

__all__ = ["APART", "Sittings"]

APART = 1800.0
"""Seconds without an attempt, behind which the next one begins a session."""


class Sittings:
    """``number`` is the last session's, 0 before the first."""

    def __init__(self) -> None:
        self.number = 0
        self._last: float | None = None

    def at(self, time: float) -> int:
        """The session of an attempt that begins now; *time* in seconds since the Unix epoch."""
        goes_on = self._last is not None and time - self._last <= APART
        return self.number if goes_on else self.number + 1

    def take(self, attempt: Attempt) -> int:
        """The session of an attempt: the one that it has, else the one that follows from when it
        began.  Attempts come in their order; one that has ended may come again."""
        number = attempt.session or self.at(attempt.began_time)
        self.number = max(self.number, number)
        self._last = attempt.began_time + (attempt.seconds or 0.0)
        return number
