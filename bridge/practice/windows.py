"""The frames in which a step is to be done, counted from a moment.

The moment is the frame in which an expression became true, and counts as 0.  A step that is done in
frame 9 behind it, where its window is [11, 14], is early by 2; in frame 17 it is late by 3.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

__all__ = ["StepTiming", "Verdict", "Window"]


class Verdict(StrEnum):
    EARLY = "early"
    RIGHT = "right"
    LATE = "late"


@dataclass(frozen=True, slots=True)
class StepTiming:
    """When a step was done, against its window.

    ``by`` are the frames outside of the window, 0 where it was right, and ``frames`` those from the
    moment to done; both None where the step was done before the moment came.  ``unsure`` says by
    how many frames it may have been otherwise either way, since some around the moment or around
    done were missed; 0 where all were seen, None where that is not known.
    """

    verdict: Verdict
    by: int | None
    frames: int | None
    window: tuple[int, int]
    unsure: int | None = 0

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
