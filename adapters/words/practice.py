"""The line that says where the runner is, and what attempts gave so far."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.practice.attempts import Attempt
from bridge.practice.progress import Phase, Practice
from bridge.practice.steps import StepResult
from bridge.practice.totals import Rate
from bridge.practice.windows import StepTiming, Verdict

__all__ = [
    "MAX_BEFORE",
    "TOO_SOON",
    "count_words",
    "marked_words",
    "missed_words",
    "open_words",
    "outcome_words",
    "practice_words",
    "rate_words",
    "seen_words",
    "timed_words",
    "timing_words",
    "took_words",
    "where_words",
    "window_words",
]

TOO_SOON = "acted too soon: done before it began"
MAX_BEFORE = 6
"""Steps behind the runner whose frames are told; before them stand three dots."""


def practice_words(practice: Practice, *, frames: bool = True) -> str:
    """One line; *frames* says whether it counts them, which changes it with every frame."""
    parts = [_where(practice, frames), window_words(practice, frames=frames)]
    parts += [timed_words(practice), practice.hint]
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
    """The same with how its last window came out, and a mark where frames were missed.

    ``failed at turn, late by 3 (frame 17 of 11 to 14)``,
    ``success, turn right (frame 12 of 11 to 14), 3 of 120 frames missed``
    """
    timed, words = attempt.timed, ""
    if timed is not None and timed.timing is not None:
        words = timing_words(timed.timing)
        if timed.name != attempt.step or timed.timing.verdict is Verdict.RIGHT:
            words = f"{timed.name} {words}"
    return ", ".join(filter(None, (outcome_words(attempt), words, missed_words(attempt))))


def timing_words(timing: StepTiming) -> str:
    """``late by 3 (frame 17 of 11 to 14)``, ``early: done before it could be``.

    Where frames were missed it says by how many it may be otherwise either way.
    """
    first, last = timing.window
    unsure = ", unsure" if timing.unsure is None else ""
    if timing.unsure:
        unsure = f", give or take {timing.unsure}"
    frame = "" if timing.frames is None else f" (frame {timing.frames} of {first} to {last})"
    return f"{timing.reason}{unsure}{frame}"


def timed_words(practice: Practice) -> str:
    """How the newest step of the way that has a window came out: ``turn right (frame 12 of …)``."""
    for result in reversed(practice.finished):
        if result.timing is not None:
            return f"{result.name} {timing_words(result.timing)}"
    return ""


def window_words(practice: Practice, *, frames: bool = True) -> str:
    """The current step's window: ``frame 7 of 11 to 14``; empty without one.

    Before its moment, or where *frames* are not to be counted, ``window 11 to 14``.
    """
    window = practice.window
    if window is None:
        return ""
    span = f"{window.first} to {window.last}"
    counted = frames and practice.since is not None
    return f"frame {practice.since} of {span}" if counted else f"window {span}"


def where_words(practice: Practice) -> str:
    """What is to be said of a step that waits: ``yet to begin``; empty of one that has begun."""
    if practice.phase is not Phase.WAITING:
        return ""
    return "yet to begin" if practice.too_soon is None else TOO_SOON


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
        if waits := where_words(practice):
            words += f", {waits}"
    else:
        count, words = practice.attempt_frames, "under way"
    if frames:
        words += f", {count_words(count)}"
    if took:
        words += f" after {took}"
    return number + words
