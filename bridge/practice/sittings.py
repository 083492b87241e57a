"""Attempts of one sitting.

A session lasts until nothing was attempted for half an hour: an attempt that begins over 30 minutes
after the last one ended, or began where it has no end, belongs to the next.  Sessions are numbered
from 1.  The time of day alone decides, so they last over restarts of lowhalf; where the clock was
set back, the session goes on.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from bridge.practice.attempts import Attempt
from bridge.practice.totals import Score, Totals

__all__ = ["APART", "Session", "Sittings", "numbered", "sessions_of"]

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


@dataclass(frozen=True, slots=True)
class Session:
    """One sitting: its attempts, and what those gave.

    ``began`` and ``ended`` are in seconds since the Unix epoch; the last attempt's beginning stands
    for its end where that is not known.
    """

    number: int
    began: float
    ended: float
    attempts: tuple[Attempt, ...]
    score: Score
    note: str = ""


def numbered(attempts: Iterable[Attempt]) -> list[Attempt]:
    """The attempts, the oldest first, with the sessions of those that were kept without any."""
    sittings = Sittings()
    return [
        attempt if attempt.session == number else replace(attempt, session=number)
        for attempt in attempts
        for number in (sittings.take(attempt),)
    ]


def sessions_of(attempts: Iterable[Attempt], notes: Mapping[int, str]) -> list[Session]:
    """The sessions of attempts that have their numbers, the oldest first."""
    found: dict[int, list[Attempt]] = {}
    for attempt in attempts:
        found.setdefault(attempt.session, []).append(attempt)
    sessions = []
    for number in sorted(found):
        ones = found[number]
        totals = Totals()
        for attempt in ones:
            totals.add(attempt)
        last = ones[-1]
        ended = last.began_time + (last.seconds or 0.0)
        score, note = totals.score(), notes.get(number, "")
        sessions.append(Session(number, ones[0].began_time, ended, tuple(ones), score, note))
    return sessions
