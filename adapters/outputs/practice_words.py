"""The line that says where the runner is, and what attempts gave so far."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.attempts import Attempt, Outcome
from bridge.practice import Phase, Practice
from bridge.steps import StepResult
from bridge.totals import Rate

MOST_BEFORE = 6
"""Steps behind the runner whose frames are told; before them stand three dots."""


def practice_words(practice: Practice, *, frames: bool = True) -> str:
    """One line; *frames* says whether it counts them, which changes it with every frame."""
    parts = [_where(practice, frames), practice.hint]
    if practice.phase in (Phase.BETWEEN, Phase.RUNNING, Phase.WAITING) and practice.last:
        parts.append(f"last {outcome_words(practice.last)}")
    if practice.score is not None:
        score = practice.score
        parts.append(rate_words(score.all) if score.all.count else "")
        parts.append(f"{score.streak} in a row" if score.streak > 1 else "")
    parts.append(f"({practice.reason})" if practice.reason else "")
    return "  ".join(filter(None, parts))


def outcome_words(attempt: Attempt) -> str:
    """How an attempt ended: ``failed at turn``, ``reset at turn``, ``cut off``."""
    words = "cut off" if attempt.outcome is Outcome.CUT_OFF else str(attempt.outcome)
    return f"{words} at {attempt.step}" if attempt.step else words


def count_words(frames: int) -> str:
    """``1 frame``, ``14 frames``."""
    return f"{frames} frame{'s' * (frames != 1)}"


def took_words(finished: Sequence[StepResult]) -> str:
    """The frames of the steps that are done, in their order: ``60 + 1``; empty without any."""
    numbers = [str(step.frames) for step in finished]
    if len(numbers) > MOST_BEFORE:
        numbers = ["…", *numbers[-MOST_BEFORE:]]
    return " + ".join(numbers)


def rate_words(rate: Rate) -> str:
    """``9 of 17, 53 % (31 to 74 %)``: the interval holds the true rate with 95 % confidence."""
    if rate.rate is None:
        return "0 of 0"
    low, high = rate.interval
    return f"{rate.good} of {rate.count}, {rate.rate:.0%} ({low * 100:.0f} to {high:.0%})".replace(
        "%", " %"
    )


def _where(practice: Practice, frames: bool) -> str:
    if practice.phase is Phase.BETWEEN:
        return "between attempts" if practice.score is not None else "before the first step"
    number = f"attempt {practice.attempt}: " if practice.attempt else ""
    took = took_words(practice.finished) if frames else ""
    if practice.phase is Phase.DONE:
        words = f"{number}all {practice.steps} steps done"
        return f"{words} in {took} frames" if took else words
    count, words = practice.frames, ""
    if practice.step:
        words = f"step {practice.index} of {practice.steps}, {practice.step}"
        if practice.phase is Phase.WAITING:
            words += ", yet to begin"
    else:
        count, words = practice.attempt_frames, "under way"
    if frames:
        words += f", {count_words(count)}"
    if took:
        words += f" after {took}"
    return number + words
