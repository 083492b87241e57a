"""What all attempts gave together."""

from __future__ import annotations

import statistics
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from bridge.practice.attempts import Attempt, Outcome
from bridge.practice.steps import StepOutcome
from bridge.practice.wilson import wilson

__all__ = ["Rate", "Score", "Totals"]


@dataclass(frozen=True, slots=True)
class Rate:
    """``good`` of ``count``, and the 95 % interval in which the true rate lies (Wilson)."""

    good: int
    count: int

    @property
    def rate(self) -> float | None:
        return self.good / self.count if self.count else None

    @property
    def interval(self) -> tuple[float, float]:
        return wilson(self.good, self.count)

    def as_json(self) -> dict[str, Any]:
        low, high = self.interval
        return {"good": self.good, "count": self.count, "rate": self.rate, "interval": [low, high]}


@dataclass(frozen=True, slots=True)
class Score:
    """Totals at one moment.

    ``all`` is successes of attempts that came to an end by themselves: those that were cut off are
    in ``cut_off`` alone.  ``not_whole`` of those in ``all`` were judged with frames missed.
    ``unseen_between`` are the frames outside of attempts in which more of them may have begun.
    ``streak`` is successes in a row up to now, over which a cut goes without
    breaking it.  ``steps`` has each step's rate: how often it was done, of the times that it was
    reached and came out as done, failed or given up.  ``best`` and ``median`` are the frames that
    a success took, None without one whose frames are known.
    """

    all: Rate = Rate(0, 0)
    streak: int = 0
    cut_off: int = 0
    steps: tuple[tuple[str, Rate], ...] = ()
    not_whole: int = 0
    unseen_between: int = 0
    best: int | None = None
    median: float | None = None


_GOOD = {StepOutcome.DONE: 1, StepOutcome.FAILED: 0, StepOutcome.GIVEN_UP: 0}


class Totals:
    """Counts that attempts are added to.  *steps* are those of interest, in their order; without
    them all that are met.

    What the runner took back (``undone``) counts nowhere, but for the frames before it in which
    other attempts may have begun: they were missed all the same.
    """

    def __init__(self, steps: Iterable[str] = ()) -> None:
        self._cut_off = self._not_whole = self.unseen_between = 0
        self._row = bytearray()  # 1 for a success, 0 for what was none, in order
        self._frames: list[int] = []  # of successes
        self._steps: dict[str, tuple[int, int]] = dict.fromkeys(steps, (0, 0))
        self._fixed = bool(self._steps)

    def add(self, attempt: Attempt) -> None:
        """Count an attempt that has ended; one that is open says nothing yet."""
        if attempt.outcome is Outcome.OPEN:
            return
        self.unseen_between += attempt.unseen_before
        if attempt.undone:
            return
        if attempt.outcome is Outcome.CUT_OFF:
            self._cut_off += 1
        else:
            good = attempt.outcome is Outcome.SUCCESS
            self._row.append(good)
            self._not_whole += attempt.whole is False
            if good and attempt.frames is not None:
                self._frames.append(attempt.frames)
        self._count_steps(attempt, 1)

    def take_back(self, attempt: Attempt) -> None:
        """Of those that were added and not taken back, *attempt* is the last one that was not cut
        off: it counts no more."""
        good = attempt.outcome is Outcome.SUCCESS
        self._row.pop()
        self._not_whole -= attempt.whole is False
        if good and attempt.frames is not None:
            self._frames.remove(attempt.frames)
        self._count_steps(attempt, -1)

    def score(self) -> Score:
        steps = tuple(
            (name, Rate(*counts))
            for name, counts in self._steps.items()
            if self._fixed or counts[1]
        )
        row, frames = self._row, self._frames
        frames.sort()  # which is quick where all but the newest are in order
        return Score(
            *(Rate(row.count(1), len(row)), len(row) - 1 - row.rfind(0), self._cut_off, steps),
            *(self._not_whole, self.unseen_between),
            best=frames[0] if frames else None,
            median=statistics.median(frames) if frames else None,
        )

    def _count_steps(self, attempt: Attempt, times: int) -> None:
        for step in attempt.steps:
            if step.outcome not in _GOOD or (self._fixed and step.name not in self._steps):
                continue
            done, reached = self._steps.get(step.name, (0, 0))
            self._steps[step.name] = done + times * _GOOD[step.outcome], reached + times
