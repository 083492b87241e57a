"""Attempts that the runner counts, between frames and without any.

What is counted belongs to the frame that was taken last; its number is that of now only where that
frame is fresh, and then alone it is known how many frames an attempt took.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from bridge.ports.clock import Clock
from bridge.ports.counting_by_hand import CountingByHand
from bridge.practice.attempts import Attempt, Attempts, Kept, Outcome
from bridge.sampling.practice_history import PracticeHistory
from schemas.errors import OutputError

__all__ = ["FRESH", "HandCounting", "LastFrame"]

FRESH = 1.0
"""Seconds for which a frame's number counts as that of now."""


@dataclass(frozen=True, slots=True)
class LastFrame:
    """The frame that was taken last: its build, the time of day and the ticks that it was given,
    and what makes of it the values that are kept with an attempt."""

    build: str
    time: float
    ticks: float
    kept: Callable[[], Sequence[Kept]]


class HandCounting(CountingByHand):
    """*told* is called after each change, with the time of day and the attempt that ended, if any.

    ``ready`` is whether what was kept before is known, so that numbers go on from it.
    """

    def __init__(
        self,
        attempts: Attempts,
        history: PracticeHistory,
        clock: Clock,
        told: Callable[[float, Attempt | None], None],
    ) -> None:
        self.ready = False
        self._attempts = attempts
        self._history = history
        self._clock = clock
        self._told = told
        self._last: LastFrame | None = None
        self._taken = 0.0

    def took(self, frame: LastFrame) -> None:
        """A frame was taken just now."""
        self._last, self._taken = frame, self._clock.now()

    def lost(self) -> None:
        """What comes next does not follow from the frame that was taken last."""
        self._last = None

    def count(self) -> str:
        self._check()
        time, ticks, build, fresh = self._now()
        ended = self._attempts.end_by_hand(Outcome.SUCCESS, ticks=ticks, fresh=fresh)
        words = "is a success"
        if ended is None:
            ended = self._attempts.counted_by_hand(time, build)
            words += "; how long it took is not known"
        if fresh and self._last is not None:
            ended = replace(ended, kept=tuple(self._last.kept()))
        ended = self._history.ended(ended)
        self._told(time, ended)
        return f"attempt {ended.number} {words}"

    def undo(self) -> str:
        self._check()
        undone = self._history.undo()
        if undone is None:
            raise OutputError("no attempt is left that could be taken back")
        self._told(self._now()[0], None)
        return f"attempt {undone.number}, {undone.outcome}, does not count any more"

    def again(self) -> str:
        self._check()
        time, ticks, build, fresh = self._now()
        ended = self._attempts.begin_by_hand(time, build, ticks=ticks, fresh=fresh)
        if ended is not None:
            ended = self._history.ended(ended)
        assert self._attempts.open is not None
        self._attempts.open = begun = self._history.began(self._attempts.open)
        self._told(time, ended)
        given_up = f"; {ended.number} is given up" if ended is not None else ""
        return f"attempt {begun.number} begins{given_up}"

    def _check(self) -> None:
        if not self.ready:
            raise OutputError("attempts cannot be counted now: lowhalf starts, or ends")

    def _now(self) -> tuple[float, float, str, bool]:
        """The time of day, ticks, the build, and whether the last frame's number is that of now.

        Times go on from the last frame's: those of a recording are not those of now.
        """
        now, last = self._clock.now(), self._last
        if last is None:
            return self._clock.time_of_day(), now, "", False
        passed = max(0.0, now - self._taken)
        return last.time + passed, last.ticks + passed, last.build, passed <= FRESH
