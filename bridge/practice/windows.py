"""The frames in which a step is to be done, counted from a moment.

The moment is the frame in which an expression became true, and counts as 0.  A step that is done in
frame 9 behind it, where its window is [11, 14], is early by 2; in frame 17 it is late by 3.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

__all__ = ["BEFORE_IT_COULD_BE", "Moment", "StepTiming", "Verdict", "Window"]

BEFORE_IT_COULD_BE = "early: done before it could be"
"""What is said of a step that was done before the moment came."""


class Verdict(StrEnum):
    EARLY = "early"
    RIGHT = "right"
    LATE = "late"


@dataclass(frozen=True, slots=True)
class StepTiming:
    """When a step was done, against its window.

    ``by`` are the frames outside of the window, 0 where it was right, and ``frames`` those from the
    moment to done; both None where the step was done before the moment came.  ``unsure`` says by
    how many frames it may have been otherwise either way, since some right before the moment or
    done were missed; 0 where these were seen, None where that is not known, as where both came in
    the same missed frames.
    """

    verdict: Verdict
    by: int | None
    frames: int | None
    window: tuple[int, int]
    unsure: int | None = 0

    @property
    def reason(self) -> str:
        """``early by 2``, ``late by 3``, ``right``."""
        if self.by is None:
            return BEFORE_IT_COULD_BE
        return f"{self.verdict} by {self.by}" if self.by else str(self.verdict)

    def as_json(self) -> dict[str, Any]:
        """The object for ``--json``; what is not known is null."""
        return {
            "verdict": str(self.verdict),
            "by": self.by,
            "frames": self.frames,
            "window": list(self.window),
            "unsure": self.unsure,
        }


@dataclass(frozen=True, slots=True)
class Window:
    """The first and the last frame behind the moment in which a step is right."""

    first: int
    last: int

    def judge(self, frames: int | None, unsure: int | None = 0) -> StepTiming:
        """A step that was done *frames* behind the moment; None: before it came."""
        window = self.first, self.last
        if frames is None:
            return StepTiming(Verdict.EARLY, None, None, window, unsure)
        if frames < self.first:
            return StepTiming(Verdict.EARLY, self.first - frames, frames, window, unsure)
        if frames > self.last:
            return StepTiming(Verdict.LATE, frames - self.last, frames, window, unsure)
        return StepTiming(Verdict.RIGHT, 0, frames, window, unsure)


class Moment:
    """When the newest moment of a window came, while a way is open.

    Fed once for each frame that was taken.  *missed* are the frames before it that were not seen,
    None where nobody counts them.  A moment that came in missed frames is told with the frame
    behind them, the last in which it may have come.  ``old`` says that the step's done has been
    true since the way began, and ``old_doubtful`` that this may be otherwise.
    """

    def __init__(self, missed: int | None) -> None:
        self.frame: int | None = None
        self._missed = missed
        self._gaps = bool(missed)
        self._doubtful = False
        self.old = True
        self.old_doubtful = bool(missed)

    @property
    def doubtful(self) -> bool:
        """Whether another moment may have come in frames that were missed since this one."""
        return self._gaps or self._doubtful

    def take(self, rose: bool, frame: int, missed: int | None, doubtful: bool) -> None:
        """*rose* says whether the expression became true, *doubtful* whether that is in doubt."""
        if rose:
            self.frame, self._missed = frame, missed
            self._gaps, self._doubtful = bool(missed), doubtful
            return
        if missed is None:
            self._missed = None
        self._gaps = self._gaps or bool(missed)
        self._doubtful = self._doubtful or doubtful

    def look(self, done_before: bool, missed: int | None, doubtful: bool) -> None:
        """*done_before* says that the step's done is true and did not become so in this frame."""
        if self.old:
            self.old = done_before
            self.old_doubtful = doubtful or (done_before and (self.old_doubtful or bool(missed)))

    def since(self, frame: int) -> int | None:
        """Frames since the moment; None before it came."""
        return None if self.frame is None else frame - self.frame

    def judge(self, window: Window, frame: int, missed: int | None) -> StepTiming:
        """The step was done in *frame*, or in the *missed* ones before it."""
        unsure = None
        if self.frame is None:
            unsure = None if self.doubtful or self._missed is None else 0
        elif self.frame == frame and missed:
            # which of them came first in what was missed, nobody knows
            unsure = None
        elif not self._doubtful and self._missed is not None and missed is not None:
            unsure = max(self._missed, missed)
        return window.judge(self.since(frame), unsure)
