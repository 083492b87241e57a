"""What a frame says of practice: the step that the runner is in, and what attempts gave so far."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any

from bridge.practice.attempts import Attempt
from bridge.practice.steps import StepResult
from bridge.practice.totals import Score
from bridge.practice.windows import Window

__all__ = ["MAX_RECENT", "Phase", "Practice"]

MAX_RECENT = 64
"""Of the attempts that ended, as many are still told to who comes late."""


class Phase(StrEnum):
    BETWEEN = "between"
    """No attempt is under way."""
    WAITING = "waiting"
    """The current step has not begun."""
    RUNNING = "running"
    """The runner is in a step; without steps, in an attempt."""
    DONE = "done"
    """All steps are done, and the attempt's success is yet to come."""


@dataclass(frozen=True, slots=True)
class Practice:
    """``index`` counts steps from 1 and is 0 outside of them; ``frames`` are the game's, since the
    step began (since it was reached while it waits).  ``reason`` says which of the expressions
    that are looked at now have no value, and why.  ``attempt`` is the number of the one that is
    open, else 0, and ``attempt_frames`` how long it has been; ``attempt_frames_seen`` of those were
    taken (None where they are not counted, and where none is open), ``attempt_whole`` says whether
    all that it was judged by so far was seen, and ``attempt_long`` that it is several times as long
    as any that ended.  ``last`` is the attempt that ended
    last; without ``[attempts]`` the same of the last way through the steps, numbered 0.  ``score``
    is None without ``[attempts]``.  ``finished`` are the steps that are done on the way that is
    open, in their order.  ``ended`` counts those since lowhalf started (``last``
    may be older), and ``recent`` are the newest of these, at most MAX_RECENT, oldest first: who
    looks seldom finds there what ended in between.

    ``show`` is the watch that is large in this step, empty for none; ``next_step`` and
    ``next_hint`` are those of the step behind it, empty for none.  ``window`` is the current
    step's, and ``since`` the frames since its moment, None before that came; a step is done in
    time where ``since`` lies in the window.  ``too_soon`` are the frames since the current step's
    done became true while it still waited for its begin, None where it did not.  ``session`` is
    the number of the sitting and ``session_score`` what its attempts gave; 0 and None without
    ``[attempts]``.
    """

    phase: Phase = Phase.BETWEEN
    step: str = ""
    index: int = 0
    steps: int = 0
    frames: int = 0
    hint: str = ""
    reason: str = ""
    attempt: int = 0
    attempt_frames: int = 0
    last: Attempt | None = None
    score: Score | None = None
    finished: tuple[StepResult, ...] = ()
    attempt_frames_seen: int | None = None
    attempt_whole: bool | None = None
    attempt_long: bool = False
    ended: int = 0
    recent: tuple[Attempt, ...] = field(default=(), repr=False)
    show: str = ""
    next_step: str = ""
    next_hint: str = ""
    window: Window | None = None
    since: int | None = None
    too_soon: int | None = None
    session: int = 0
    session_score: Score | None = None

    def with_ended(self, attempt: Attempt) -> Practice:
        """The same once *attempt* has ended."""
        recent = (*self.recent, attempt)[-MAX_RECENT:]
        return replace(self, last=attempt, ended=self.ended + 1, recent=recent)

    def window_json(self) -> dict[str, Any] | None:
        """The current step's window as it is told; null without one."""
        if self.window is None:
            return None
        return {"frames": [self.window.first, self.window.last], "since": self.since}

    def as_json(self) -> dict[str, Any]:
        """The object that ``--json`` prints as a frame's ``practice``."""
        last = self.last
        shown: dict[str, Any] = {
            "phase": str(self.phase),
            "step": self.step or None,
            "index": self.index,
            "steps": self.steps,
            "frames": self.frames,
            "hint": self.hint,
            "reason": self.reason,
            "show": self.show or None,
            "next": {"step": self.next_step, "hint": self.next_hint} if self.next_step else None,
            "window": self.window_json(),
            "too_soon": self.too_soon,
            "finished": [step.as_json() for step in self.finished],
            "last": last
            and {
                "attempt": last.number,
                "outcome": str(last.outcome),
                "step": last.step or None,
                "reason": last.reason,
                "frames": last.frames,
                "frames_seen": last.frames_seen,
                "whole": last.whole,
                "by_hand": last.by_hand,
                "timing": last.timed and last.timed.timing_json(),
            },
        }
        if self.score is not None:
            score = self.score
            low, high = score.all.interval
            shown |= {
                "attempt": self.attempt or None,
                "attempt_frames": self.attempt_frames,
                "attempt_frames_seen": self.attempt_frames_seen,
                "attempt_whole": self.attempt_whole,
                "attempt_long": self.attempt_long,
                "attempts": score.all.count,
                "successes": score.all.good,
                "rate": score.all.rate,
                "interval": [low, high],
                "streak": score.streak,
                "cut_off": score.cut_off,
                "not_whole": score.not_whole,
                "unseen_between": score.unseen_between,
                "best": score.best,
                "median": score.median,
                "session": self.session_score and _session(self.session, self.session_score),
                "step_rates": [{"step": name, **rate.as_json()} for name, rate in score.steps],
            }
        return shown


def _session(number: int, score: Score) -> dict[str, Any]:
    """What one sitting gave."""
    return {
        "session": number,
        "attempts": score.all.count,
        "successes": score.all.good,
        "rate": score.all.rate,
        "interval": list(score.all.interval),
        "streak": score.streak,
        "best": score.best,
        "median": score.median,
    }
