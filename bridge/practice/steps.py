"""The way through an ordered list of steps.

Fed once for each frame that was taken, with what the frame shows of every step.  ``begin``,
``done`` and ``fail`` are states: they are looked at in every frame in which their step is the
current one, whether they became true just then or were true before.

* The first step is the current one from the start; the next is, in the same frame, as soon as the
  one before it is done.  So several steps may be done in one frame, the later ones in 0 frames.
* A step that has a ``begin`` waits until that is true, and nothing else of it is looked at before.
  Once it has begun it stays begun.  ``waited`` are the frames before, ``frames`` those since.
* Where ``done`` becomes true while its step still waits, it was done too soon: the step goes on
  waiting, and its result counts it.
* Where ``fail`` and ``done`` are true in the same frame, the step has failed.

``after`` is a moment: the newest frame, up to the one in which its step is done, in which it became
true.  It is looked at in every frame while the way is open, so also before its step is reached or
has begun, and before all else in a frame: where ``after`` becomes true and the step is done in one
frame, also one in which the step was only reached, that is frame 0 of its window.  A step that is
done outside of its window, or before the moment came, has failed.  The window's end alone fails
nothing: how late a step is, is known when it is done.  In the frame in which the way begins nothing
becomes true; where none is known of before, that is the first frame that is taken.  But where
``after`` is the very expression that begins attempts, that frame is the moment.  What was done when
the way began, and has been ever since, the runner did not do: a step with a window goes on until
its done becomes true anew.

Frames are counted by the game's own numbers, so frames that were never sampled count as well; how
many those were is told with each frame, and each result says it.  A step that was done in the frame
behind missed ones may have been done in any of them, so it is marked, and so is the step after it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from bridge.practice.windows import Moment, StepTiming, Verdict, Window

__all__ = ["Step", "StepOutcome", "StepResult", "StepSeen", "Way"]


@dataclass(frozen=True, slots=True)
class Step:
    """What is known of a step beforehand; ``waits`` says whether it has a ``begin``, and ``show``
    is the watch that is large meanwhile, empty for none.  ``from_begin`` says whether its window
    counts from what begins attempts."""

    name: str
    hint: str = ""
    waits: bool = False
    show: str = ""
    window: Window | None = None
    from_begin: bool = False


@dataclass(frozen=True, slots=True)
class StepSeen:
    """What a frame shows of a step.  What has no value in the frame is not true.

    ``doubtful`` says that done, begin or fail is made of earlier frames, not all of which were
    seen, and ``after_doubtful`` the same of after.  ``rises`` are the times that done and after
    became true since the frame before, as a counter of the game's tells behind a gap.
    """

    done: bool = False
    begin: bool = False
    fail: bool = False
    doubtful: bool = False
    after: bool = False
    after_doubtful: bool = False
    rises: tuple[int, int] = (0, 0)

    def became(self, before: StepSeen | None) -> tuple[bool, bool]:
        """Whether done and after became true since the frame *before*; nothing does without one."""
        if before is None:
            return False, False
        # what rose in a gap need not be true in the frame behind it: the next one may have it anew
        had_done, had_after = (times > 0 for times in before.rises)
        return (
            self.rises[0] > 0 or (self.done and (had_done or not before.done)),
            self.rises[1] > 0 or (self.after and (had_after or not before.after)),
        )


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
    some were missed, or that some were missed since the moment of its window.  ``timing`` is None
    where the step has no window, or was not done.
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

    def timing_json(self) -> dict[str, Any] | None:
        """``timing`` with the step's name; null without one."""
        return None if self.timing is None else {"step": self.name, **self.timing.as_json()}

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
    *before* is what the last frame before those that are taken showed; None where that is not
    known.
    """

    def __init__(
        self,
        steps: Sequence[Step],
        frame: int,
        time: float,
        missed: int | None = None,
        before: Sequence[StepSeen] | None = None,
    ) -> None:
        self._steps = steps
        self.index = 0
        self.results: list[StepResult] = []
        self.doubtful = False
        self._missed: int | None = None
        self._entered = frame
        self._began: tuple[int, float] | None = None
        self._before = before
        self._moments = [Moment(missed) if step.window else None for step in steps]
        self._too_soon: list[int] = []
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
    def reason(self) -> str:
        """Why the step has failed, where it was done outside of its window; else empty."""
        timing = self.results[-1].timing if self.failed else None
        return "" if timing is None else timing.reason

    @property
    def finished(self) -> bool:
        """Whether all steps are done."""
        return bool(self._steps) and self.index == len(self._steps)

    def frames(self, frame: int) -> int:
        """Frames since the current step began; since it was reached while it waits."""
        return frame - (self._entered if self._began is None else self._began[0])

    def begins(self, frame: int, missed: int | None, doubtful: bool) -> None:
        """What begins attempts became true in *frame*, or in the *missed* ones before it."""
        for step, moment in zip(self._steps, self._moments, strict=True):
            if moment is not None and step.from_begin:
                moment.take(True, frame, missed, doubtful)

    def since(self, frame: int) -> int | None:
        """Frames since the moment of the current step's window; None without, or before it."""
        moment = self._moments[self.index] if self.current is not None else None
        return None if moment is None else moment.since(frame)

    def too_soon(self, frame: int) -> int | None:
        """Frames since the current step was done while it waits; None where it was not."""
        return frame - self._too_soon[-1] if self._too_soon and self._began is None else None

    def take(
        self,
        seen: Sequence[StepSeen],
        frame: int,
        time: float,
        missed: int | None = None,
        *,
        failing: bool = True,
    ) -> None:
        """Go as far as a frame allows; where a step fails, nothing moves any more.

        *missed* frames before this one were not seen; None where nobody counts them.  Where not
        *failing*, a step that would fail in this frame is neither failed nor done.
        """
        self._missed = None if missed is None or self._missed is None else self._missed + missed
        became = self._became(seen, frame, missed)
        while (step := self.current) is not None and not self.failed:
            now = seen[self.index]
            self.doubtful = self.doubtful or now.doubtful
            if self._began is None:
                if not now.begin:
                    if became[self.index] and failing:
                        self._too_soon.append(frame)
                    return
                self._began = frame, time
            done, moment = now.done, self._moments[self.index]
            if moment is not None:
                self.doubtful = self.doubtful or moment.old_doubtful
                done = done and not moment.old
            timing = self._timing(step, frame, missed) if done and not now.fail else None
            outside = timing is not None and timing.verdict is not Verdict.RIGHT
            if now.fail or outside:
                if failing:
                    self._result(step, StepOutcome.FAILED, frame, time, timing)
                return
            if not done:
                return
            self._result(step, StepOutcome.DONE, frame, time, timing)
            self.index += 1
            self._enter(frame, time)
            self._missed, self.doubtful = (None if missed is None else 0), bool(missed)

    def uncount(self) -> None:
        """How many frames the current step takes cannot be known any more."""
        self.doubtful, self._missed = True, None

    def stop(self, outcome: StepOutcome, frame: int, time: float) -> tuple[StepResult, ...]:
        """All results, where the current step ends with *outcome*."""
        if (step := self.current) is not None and not self.failed:
            self._result(step, outcome, frame, time)
            self.index = len(self._steps)
        return tuple(self.results)

    def _became(self, seen: Sequence[StepSeen], frame: int, missed: int | None) -> list[bool]:
        """Which steps' done became true in a frame, whose moments are noted."""
        befores = [None] * len(seen) if self._before is None else self._before
        became = []
        for now, before, moment in zip(seen, befores, self._moments, strict=True):
            done, after = now.became(before)
            if moment is not None:
                doubtful = now.after_doubtful or (before is not None and before.after_doubtful)
                moment.take(after, frame, missed, doubtful)
                doubtful = now.doubtful or (before is not None and before.doubtful)
                moment.look(now.done and not done, missed, doubtful)
            became.append(done)
        self._before = seen
        return became

    def _timing(self, step: Step, frame: int, missed: int | None) -> StepTiming | None:
        moment = self._moments[self.index]
        if step.window is None or moment is None:
            return None
        self.doubtful = self.doubtful or moment.doubtful
        return moment.judge(step.window, frame, missed)

    def _enter(self, frame: int, time: float) -> None:
        self._entered, self._too_soon = frame, []
        step = self.current
        self._began = None if step is None or step.waits else (frame, time)

    def _result(
        self,
        step: Step,
        outcome: StepOutcome,
        frame: int,
        time: float,
        timing: StepTiming | None = None,
    ) -> None:
        began, since = self._began or (frame, time)
        all_frames = frame - self._entered
        seen = None if self._missed is None else all_frames - self._missed
        result = StepResult(
            *(step.name, outcome, began - self._entered, frame - began, max(0.0, time - since)),
            *(seen, self.doubtful, timing, len(self._too_soon)),
        )
        self.results.append(result)
