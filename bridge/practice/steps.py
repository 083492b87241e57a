"""The way through an ordered list of steps.

Fed once for each frame that was taken, with what the frame shows of every step.  ``begin``,
``done`` and ``fail`` are states: they are looked at in every frame in which their step is the
current one, whether they became true just then or were true before.

* The first step is the current one from the start; the next is, in the same frame, as soon as the
  one before it is done.  So several steps may be done in one frame, the later ones in 0 frames.
* A step that has a ``begin`` waits until that is true, and nothing else of it is looked at before.
  Once it has begun it stays begun.  ``waited`` are the frames before, ``frames`` those since.
* Where ``fail`` and ``done`` are true in the same frame, the step has failed.

Frames are counted by the game's own numbers, so frames that were never sampled count as well; how
many those were is told with each frame, and each result says it.  A step that was done in the frame
behind missed ones may have been done in any of them, so it is marked, and so is the step after it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from bridge.practice.windows import StepTiming, Window

__all__ = ["Step", "StepOutcome", "StepResult", "StepSeen", "Way"]


@dataclass(frozen=True, slots=True)
class Step:
    """What is known of a step beforehand; ``waits`` says whether it has a ``begin``, and ``show``
    is the watch that is large meanwhile, empty for none."""

    name: str
    hint: str = ""
    waits: bool = False
    show: str = ""
    window: Window | None = None


@dataclass(frozen=True, slots=True)
class StepSeen:
    """What a frame shows of a step.  What has no value in the frame is not true.

    ``doubtful`` says that one of them is made of earlier frames, not all of which were seen.
    """

    done: bool = False
    begin: bool = False
    fail: bool = False
    doubtful: bool = False
    after: bool = False


class StepOutcome(StrEnum):
    DONE = "done"
    FAILED = "failed"
    GIVEN_UP = "given-up"
    """The runner gave up in it."""
    UNFINISHED = "unfinished"
    """The attempt was cut off in it, or had its success without it: neither done nor failed."""


@dataclass(frozen=True, slots=True)
class StepResult:
    """How a step that was reached came out; ``frames`` and ``seconds`` count from its begin.

    ``frames_seen`` are those of the frames waited and since that were taken; None where they were
    not counted, or where it is not known how many there were.  ``doubtful`` says that it was
    reached in missed frames, or that one of its expressions was made of earlier frames of which
    some were missed.  ``timing`` is None where the step has no window, or was not done.
    ``too_soon`` are the frames, while the step waited for its begin, in which its done became true.
    """

    name: str
    outcome: StepOutcome
    waited: int
    frames: int
    seconds: float
    frames_seen: int | None = None
    doubtful: bool = False
    timing: StepTiming | None = None
    too_soon: int = 0

    @property
    def known_frames(self) -> int | None:
        """``frames``; None where these are only the least that it may have taken."""
        return None if self.doubtful and self.frames_seen is None else self.frames

    @property
    def whole(self) -> bool | None:
        """Whether all frames that it was judged by were seen; None where that is not known."""
        if self.doubtful:
            return False
        if self.frames_seen is None:
            return None
        return self.frames_seen >= self.waited + self.frames

    def as_json(self) -> dict[str, Any]:
        """The result for ``--json``; what is not known is null."""
        return {
            "step": self.name,
            "outcome": str(self.outcome),
            "waited": self.waited,
            "frames": self.frames,
            "seconds": self.seconds,
            "frames_seen": self.frames_seen,
            "whole": self.whole,
            "timing": self.timing and self.timing.as_json(),
            "too_soon": self.too_soon,
        }


class Way:
    """Where the runner is among the steps.

    *missed* are the frames from *frame* on that were not seen; None where nobody counts them.
    """

    def __init__(
        self, steps: Sequence[Step], frame: int, time: float, missed: int | None = None
    ) -> None:
        self._steps = steps
        self.index = 0
        self.results: list[StepResult] = []
        self.doubtful = False
        self._missed: int | None = None
        self._entered = frame
        self._began: tuple[int, float] | None = None
        self._enter(frame, time)
        self._missed = missed

    @property
    def current(self) -> Step | None:
        """The step that the runner is in; None where all are done, or there is none."""
        return self._steps[self.index] if self.index < len(self._steps) else None

    @property
    def begun(self) -> bool:
        """Whether the current step no longer waits for its begin."""
        return self._began is not None

    @property
    def failed(self) -> bool:
        return bool(self.results) and self.results[-1].outcome is StepOutcome.FAILED

    @property
    def finished(self) -> bool:
        """Whether all steps are done."""
        return bool(self._steps) and self.index == len(self._steps)

    def frames(self, frame: int) -> int:
        """Frames since the current step began; since it was reached while it waits."""
        return frame - (self._entered if self._began is None else self._began[0])

    def take(
        self, seen: Sequence[StepSeen], frame: int, time: float, missed: int | None = None
    ) -> None:
        """Go as far as a frame allows; where a step fails, nothing moves any more.

        *missed* frames before this one were not seen; None where nobody counts them.
        """
        self._missed = None if missed is None or self._missed is None else self._missed + missed
        while (step := self.current) is not None and not self.failed:
            now = seen[self.index]
            self.doubtful = self.doubtful or now.doubtful
            if self._began is None:
                if not now.begin:
                    return
                self._began = frame, time
            if now.fail:
                self._result(step, StepOutcome.FAILED, frame, time)
                return
            if not now.done:
                return
            self._result(step, StepOutcome.DONE, frame, time)
            self.index += 1
            self._enter(frame, time)
            self._missed, self.doubtful = (None if missed is None else 0), bool(missed)

    def stop(self, outcome: StepOutcome, frame: int, time: float) -> tuple[StepResult, ...]:
        """All results, where the current step ends with *outcome*."""
        if (step := self.current) is not None and not self.failed:
            self._result(step, outcome, frame, time)
            self.index = len(self._steps)
        return tuple(self.results)

    def _enter(self, frame: int, time: float) -> None:
        self._entered = frame
        step = self.current
        self._began = None if step is None or step.waits else (frame, time)

    def _result(self, step: Step, outcome: StepOutcome, frame: int, time: float) -> None:
        began, since = self._began or (frame, time)
        all_frames = frame - self._entered
        seen = None if self._missed is None else all_frames - self._missed
        result = StepResult(
            *(step.name, outcome, began - self._entered, frame - began, max(0.0, time - since)),
            *(seen, self.doubtful),
        )
        self.results.append(result)
