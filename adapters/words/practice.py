"""The line that says where the runner is, and what attempts gave so far."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.practice.attempts import Attempt
from bridge.practice.progress import Phase, Practice
from bridge.practice.steps import StepResult
from bridge.practice.totals import Rate

__all__ = [
    "MAX_BEFORE",
    "count_words",
    "marked_words",
    "missed_words",
    "open_words",
    "outcome_words",
    "practice_words",
    "rate_words",
    "seen_words",
    "took_words",
]

MAX_BEFORE = 6
"""Steps behind the runner whose frames are told; before them stand three dots."""


def practice_words(practice: Practice, *, frames: bool = True) -> str:
    """One line; *frames* says whether it counts them, which changes it with every frame."""
    parts = [_where(practice, frames), practice.hint]
    if practice.phase in (Phase.BETWEEN, Phase.RUNNING, Phase.WAITING) and practice.last:
        parts.append(f"last {marked_words(practice.last)}")
    if practice.score is not None:
        score = practice.score
        parts.append(rate_words(score.all) if score.all.count else "")
        parts.append(f"{score.streak} in a row" if score.streak > 1 else "")
        parts.append(f"{score.not_whole} with frames missed" if score.not_whole else "")
    parts.append(f"({practice.reason})" if practice.reason else "")
    return "  ".join(filter(None, parts))


def outcome_words(attempt: Attempt) -> str:
    """How an attempt ended: ``failed at turn``, ``given up at turn``, ``cut off``."""
    words = str(attempt.outcome).replace("-", " ")
    return f"{words} at {attempt.step}" if attempt.step else words


def count_words(frames: int) -> str:
    """``1 frame``, ``14 frames``."""
    return f"{frames} frame{'s' * (frames != 1)}"


def took_words(finished: Sequence[StepResult]) -> str:
    """The frames of the steps that are done, in their order: ``60 + 1``; empty without any."""
    numbers = [str(step.frames) for step in finished]
    if len(numbers) > MAX_BEFORE:
        numbers = ["…", *numbers[-MAX_BEFORE:]]
    return " + ".join(numbers)


def marked_words(attempt: Attempt) -> str:
    """The same with a mark where frames were missed: ``success, 3 of 120 frames missed``."""
    return ", ".join(filter(None, (outcome_words(attempt), missed_words(attempt))))


def missed_words(attempt: Attempt) -> str:
    """What was missed of an attempt; empty where nothing was, or where that is not known."""
    if attempt.whole is not False:
        return ""
    frames, seen = attempt.frames, attempt.frames_seen
    if frames is None:
        return "frames missed, nobody knows how many"
    if seen is None or seen >= frames:
        return "frames missed before it"
    return f"{frames - seen} of {frames} frames missed"


def seen_words(attempt: Attempt) -> str:
    """A table's cell: ``all``, ``117 of 120``, ``in doubt`` where earlier frames were missed."""
    if attempt.frames is None or attempt.frames_seen is None:
        return "not known"
    if attempt.frames_seen < attempt.frames:
        return f"{attempt.frames_seen} of {attempt.frames}"
    return "in doubt" if attempt.doubtful else "all"


def open_words(practice: Practice, *, frames: bool = True) -> str:
    """What is to be said of the open attempt beside its number: its length, and what was missed.

    *frames* says whether it counts, which changes it with every frame.  Empty without an attempt.
    """
    if not practice.attempt:
        return ""
    count, seen = practice.attempt_frames, practice.attempt_frames_seen
    parts = [f"{count:,} frame{'s' * (count != 1)}"] if frames else []
    if practice.attempt_whole is False:
        missed = f"{count - seen:,} missed" if seen is not None and seen < count else ""
        parts.append(missed if frames and missed else "frames missed")
    if practice.attempt_long:
        parts.append("unusually long")
    return ", ".join(parts)


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
    number = ""
    if practice.attempt:
        # without steps the length stands behind "under way"
        bare = not practice.step and practice.phase is not Phase.DONE
        said = open_words(practice, frames=frames and not bare)
        number = ", ".join(filter(None, (f"attempt {practice.attempt}", said))) + ": "
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
