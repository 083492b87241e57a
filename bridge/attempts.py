"""Practice cut into attempts.

Fed once for each frame that was taken.  ``start``, ``success`` and ``reset`` are moments: what
counts is that they become true, that is, are true in a frame and were not in the frame taken
before it.  What has no value in a frame is not true in it.  In the first frame of all, and in the
first after a cut, nothing becomes true: what was before is not known.

In one frame, in this order:

1. where an attempt is open, its steps go on (see ``bridge.steps``);
2. the open attempt ends, by the first of these that holds: a step has failed → ``failed``;
   success (without an expression: all steps are done) → ``success``; reset → ``reset``;
   start again → ``reset``, with the reason "started again";
3. where none is open and start becomes true, an attempt begins.  The frame in which it begins
   belongs to what was before: its steps, its success and its reset count from the next one.

A guest that was reset, a source that was lost, another build and the daemon's end cut an attempt
off: it is neither a success nor a failure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from bridge.steps import Step, StepOutcome, StepResult, StepSeen, Way
from bridge.values import Value

AGAIN = "started again"


class Outcome(StrEnum):
    OPEN = "open"
    """It is under way."""
    SUCCESS = "success"
    FAILED = "failed"
    RESET = "reset"
    CUT_OFF = "cut-off"


_STEP_OUTCOMES = {
    Outcome.SUCCESS: StepOutcome.UNFINISHED,
    Outcome.FAILED: StepOutcome.FAILED,
    Outcome.RESET: StepOutcome.RESET,
    Outcome.CUT_OFF: StepOutcome.UNFINISHED,
}


@dataclass(frozen=True, slots=True)
class Kept:
    """A watch's value at the moment of success or failure: what a reading says of it."""

    watch: str
    status: str
    value: Value | None
    text: str


@dataclass(frozen=True, slots=True)
class Attempt:
    """One attempt.

    ``began_time`` is in seconds since the Unix epoch.  ``step`` is the one that it stood in when it
    ended, where it was no success.  ``frames`` (of the game) and ``seconds`` are how long it took,
    to the last frame that was taken of it; None where that is not known.  ``frames_seen`` are those
    of ``frames`` that were taken; None where they were not counted.
    """

    number: int
    build: str
    began_frame: int
    began_time: float
    outcome: Outcome = Outcome.OPEN
    step: str = ""
    reason: str = ""
    frames: int | None = None
    seconds: float | None = None
    steps: tuple[StepResult, ...] = ()
    kept: tuple[Kept, ...] = ()
    frames_seen: int | None = None

    @property
    def whole(self) -> bool | None:
        """Whether each of its frames was seen; None where that is not known."""
        if self.frames is None or self.frames_seen is None:
            return None
        return self.frames_seen >= self.frames


@dataclass(frozen=True, slots=True)
class Seen:
    """What a frame shows: which expressions are true in it."""

    start: bool = False
    success: bool = False
    reset: bool = False
    steps: tuple[StepSeen, ...] = ()


class Attempts:
    """The attempt that is open, if any, and the way through its steps.

    *success* says whether there is an expression for it; *number* is the last attempt's number.
    """

    def __init__(self, steps: Sequence[Step], *, success: bool, number: int = 0) -> None:
        self.number = number
        self.open: Attempt | None = None
        self.way: Way | None = None
        self._steps = tuple(steps)
        self._success = success
        self._before: Seen | None = None
        self._frame = 0
        self._time = 0.0

    def take(self, seen: Seen, frame: int, time: float, build: str) -> Attempt | None:
        """A frame was taken; gives the attempt that ended in it."""
        before, self._before = self._before, seen
        known = before is not None
        start = known and seen.start and not (before and before.start)
        success = known and seen.success and not (before and before.success)
        reset = known and seen.reset and not (before and before.reset)
        self._frame, self._time = frame, time
        ended: Attempt | None = None
        if self.way is not None:
            self.way.take(seen.steps, frame, time)
            if self.way.failed:
                ended = self._end(Outcome.FAILED)
            elif success if self._success else self.way.finished:
                ended = self._end(Outcome.SUCCESS)
            elif reset:
                ended = self._end(Outcome.RESET)
            elif start:
                ended = self._end(Outcome.RESET, AGAIN)
        if start:
            self.number += 1
            self.open = Attempt(self.number, build, frame, time)
            self.way = Way(self._steps, frame, time)
        return ended

    def cut_off(self, reason: str) -> Attempt | None:
        """What comes next does not follow from what was; gives the attempt that was open."""
        self._before = None
        return self._end(Outcome.CUT_OFF, reason)

    def _end(self, outcome: Outcome, reason: str = "") -> Attempt | None:
        attempt, way = self.open, self.way
        if attempt is None or way is None:
            return None
        current = way.current
        stood = current.name if current is not None and outcome is not Outcome.SUCCESS else ""
        self.open = self.way = None
        return replace(
            attempt,
            outcome=outcome,
            step=stood,
            reason=reason,
            frames=self._frame - attempt.began_frame,
            seconds=max(0.0, self._time - attempt.began_time),
            steps=way.stop(_STEP_OUTCOMES[outcome], self._frame, self._time),
        )
