"""What all attempts gave, as JSON: for the command and for the page that shows it."""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from adapters.practice_log.database import open_for_reading, read_attempts
from adapters.practice_log.ownership import is_owned
from adapters.practice_log.session_notes import read_notes
from adapters.recordings.clip_path import clip_path
from bridge.practice.attempts import Attempt, Outcome
from bridge.practice.sittings import Session, numbered, sessions_of
from bridge.practice.steps import StepOutcome, StepResult
from bridge.practice.timings import timings_of
from bridge.practice.totals import Rate, Score, Totals
from schemas.existing import is_file
from schemas.loader import Bridge

__all__ = [
    "Chosen",
    "attempts_json",
    "best_and_median",
    "clip_of",
    "done_of",
    "good_ones",
    "kept_attempts",
    "kept_notes",
    "last_of",
    "results_of",
    "score_of",
    "steps_of",
    "whole_ones",
]


@dataclass(frozen=True, slots=True)
class Chosen:
    """Those of the attempts that belong to a session, or began at a time or behind it.

    ``since`` is in seconds since the Unix epoch.
    """

    attempts: Sequence[Attempt]
    session: int | None = None
    since: float | None = None


def kept_attempts(bridge: Bridge) -> tuple[list[Attempt], bool]:
    """All attempts in the bridge's file, and whether a daemon writes it now.

    Each has its session, also where the file is of a version that kept none.

    Raises OutputError where it is not there, or is not what it should be.
    """
    path = bridge.attempts_path
    running = is_owned(path)
    database = open_for_reading(path)
    try:
        return numbered(read_attempts(database, running=running)), running
    finally:
        database.close()


def kept_notes(bridge: Bridge) -> dict[int, str]:
    """The notes of sessions in the bridge's file.  Raises OutputError as ``kept_attempts``."""
    database = open_for_reading(bridge.attempts_path)
    try:
        return read_notes(database)
    finally:
        database.close()


def last_of(attempts: Sequence[Attempt], count: int) -> Sequence[Attempt]:
    """The last *count* of them."""
    return attempts[max(0, len(attempts) - max(0, count)) :]


def whole_ones(attempts: Iterable[Attempt]) -> list[Attempt]:
    """Those that are known to have been judged with all their frames seen."""
    return [attempt for attempt in attempts if attempt.whole]


def attempts_json(
    bridge: Bridge,
    attempts: Sequence[Attempt],
    listed: Sequence[Attempt],
    running: bool,
    left_out: int = 0,
    *,
    notes: Mapping[int, str] | None = None,
    chosen: Chosen | None = None,
) -> dict[str, Any]:
    """Totals and sessions of all *attempts*; steps and windows of those that are *chosen*, which
    are all where that is None; and those that are *listed* one by one.

    Times are in game frames and in seconds, null where they are not known.  *left_out* are how many
    are in the file beside them.
    """
    some = attempts if chosen is None else chosen.attempts
    return {
        "file": bridge.attempts_path.name,
        "running": running,
        "totals": {**_totals(attempts), "left_out": left_out},
        "chosen": chosen
        and {"session": chosen.session, "since": chosen.since, **_totals(chosen.attempts)},
        "sessions": [_session(each) for each in sessions_of(attempts, notes or {})],
        "steps": [
            {
                "step": name,
                **rate.as_json(),
                **{
                    str(outcome).replace("-", "_"): sum(
                        s.outcome is outcome for s in results_of(some, name)
                    )
                    for outcome in StepOutcome
                },
                "frames": best_and_median([step.known_frames for step in done_of(some, name)]),
                "seconds": best_and_median([step.seconds for step in done_of(some, name)]),
            }
            for name, rate in steps_of(bridge, some)
        ],
        "timing": [each.as_json() for each in timings_of(some)],
        "attempts": [
            {
                "attempt": attempt.number,
                "build": attempt.build,
                "began": attempt.began_time,
                "began_frame": attempt.began_frame,
                "outcome": str(attempt.outcome),
                "step": attempt.step or None,
                "reason": attempt.reason,
                "frames": attempt.frames,
                "seconds": attempt.seconds,
                "frames_seen": attempt.frames_seen,
                "whole": attempt.whole,
                "unseen_before": attempt.unseen_before,
                "session": attempt.session,
                "by_hand": attempt.by_hand,
                "undone": attempt.undone,
                "clip": clip_of(bridge, attempt),
                "steps": [step.as_json() for step in attempt.steps],
                "kept": {
                    kept.watch: {"status": kept.status, "value": kept.value, "text": kept.text}
                    for kept in attempt.kept
                },
            }
            for attempt in listed
        ],
    }


def _totals(attempts: Sequence[Attempt]) -> dict[str, Any]:
    score = score_of(attempts)
    good = good_ones(attempts)
    return {
        "attempts": score.all.count,
        "successes": score.all.good,
        "rate": score.all.rate,
        "interval": list(score.all.interval),
        "streak": score.streak,
        "cut_off": score.cut_off,
        "undone": sum(attempt.undone for attempt in attempts),
        "not_whole": score.not_whole,
        "unseen_between": score.unseen_between,
        "frames": best_and_median([attempt.frames for attempt in good]),
        "seconds": best_and_median([attempt.seconds for attempt in good]),
    }


def _session(session: Session) -> dict[str, Any]:
    return {
        "session": session.number,
        "began": session.began,
        "ended": session.ended,
        "note": session.note,
        **_totals(session.attempts),
    }


def clip_of(bridge: Bridge, attempt: Attempt) -> str | None:
    """The recording of an attempt, from the bridge file's folder on; None where there is none."""
    path = clip_path(bridge, attempt)
    return path.relative_to(bridge.path.parent).as_posix() if is_file(path) else None


def score_of(attempts: Iterable[Attempt]) -> Score:
    """The totals of all attempts."""
    totals = Totals()
    for attempt in attempts:
        totals.add(attempt)
    return totals.score()


def steps_of(bridge: Bridge, attempts: Sequence[Attempt]) -> list[tuple[str, Rate]]:
    """The bridge file's steps in their order, then those that it had before."""
    found = dict(score_of(attempts).steps)
    names = dict.fromkeys([step.name for step in bridge.file.steps] + list(found))
    return [(name, found.get(name, Rate(0, 0))) for name in names]


def good_ones(attempts: Iterable[Attempt]) -> list[Attempt]:
    """The successes that were not taken back."""
    return [each for each in attempts if each.outcome is Outcome.SUCCESS and not each.undone]


def results_of(attempts: Iterable[Attempt], name: str) -> list[StepResult]:
    """What the attempts gave in one step, but for those that were taken back."""
    counted = (attempt for attempt in attempts if not attempt.undone)
    return [step for attempt in counted for step in attempt.steps if step.name == name]


def done_of(attempts: Iterable[Attempt], name: str) -> list[StepResult]:
    """Those of them in which the step was done."""
    return [step for step in results_of(attempts, name) if step.outcome is StepOutcome.DONE]


def best_and_median(found: Iterable[float | None]) -> dict[str, float | None]:
    """``best`` and ``median`` of the times that are known; null without any."""
    known = [time for time in found if time is not None]
    if not known:
        return {"best": None, "median": None}
    return {"best": min(known), "median": statistics.median(known)}
