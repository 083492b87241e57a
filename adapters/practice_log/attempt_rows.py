"""Attempts and their steps as rows of their tables; rows of earlier versions are shorter."""

from __future__ import annotations

from typing import Any

from adapters.practice_log.tables import RENAMED
from bridge.practice.attempts import Attempt, Outcome
from bridge.practice.steps import StepOutcome, StepResult
from bridge.practice.windows import StepTiming, Verdict

__all__ = ["attempt_of", "attempt_row", "step_of", "step_row"]


def attempt_row(attempt: Attempt) -> tuple[object, ...]:
    """Without steps and kept values, which have tables of their own."""
    return (
        attempt.number,
        attempt.build,
        attempt.began_frame,
        attempt.began_time,
        attempt.outcome,
        attempt.step,
        attempt.reason,
        attempt.frames,
        attempt.seconds,
        attempt.frames_seen,
        attempt.doubtful,
        attempt.unseen_before,
        attempt.session,
        attempt.by_hand,
        attempt.undone,
    )


def step_row(number: int, place: int, step: StepResult) -> tuple[object, ...]:
    """The step at *place*, from 0, of attempt *number*."""
    timing: tuple[object, ...] = (None,) * 6
    if (judged := step.timing) is not None:
        timing = judged.verdict, judged.by, judged.frames, *judged.window, judged.unsure
    return (
        *(number, place, step.name, step.outcome, step.waited, step.frames, step.seconds),
        *(step.frames_seen, step.doubtful, step.too_soon, *timing),
    )


def attempt_of(row: tuple[Any, ...]) -> Attempt:
    """The attempt of a row of any version.  Raises ValueError for what it cannot hold."""
    later: list[Any] = [None, 0, 0, 0, 0, 0]
    later[: len(row) - 9] = row[9:]
    seen, doubtful, before, session, by_hand, undone = later
    return Attempt(
        *(row[0], row[1], row[2], row[3], Outcome(RENAMED.get(row[4], row[4])), row[5], row[6]),
        frames=row[7],
        seconds=row[8],
        frames_seen=seen,
        doubtful=bool(doubtful),
        unseen_before=before,
        session=_count(session),
        by_hand=bool(by_hand),
        undone=bool(undone),
    )


def step_of(row: tuple[Any, ...]) -> StepResult:
    """The result of a row of any version.  Raises ValueError for what it cannot hold."""
    later: list[Any] = [None, 0, 0, *(None,) * 6]
    later[: len(row) - 7] = row[7:]
    seen, doubtful, too_soon, *timing = later
    return StepResult(
        *(row[2], StepOutcome(RENAMED.get(row[3], row[3])), row[4], row[5], row[6]),
        frames_seen=seen,
        doubtful=bool(doubtful),
        too_soon=_count(too_soon),
        timing=_timing(*timing),
    )


def _timing(
    verdict: str | None, by: object, since: object, first: object, last: object, unsure: object
) -> StepTiming | None:
    if verdict is None:
        return None
    known = [None if count is None else _count(count) for count in (by, since, unsure)]
    return StepTiming(Verdict(verdict), known[0], known[1], (_count(first), _count(last)), known[2])


def _count(value: object) -> int:
    """A count of a column that SQLite lets hold anything.  Raises ValueError."""
    if not isinstance(value, int) or value < 0:
        raise ValueError(f"expected a count, found {value!r}")
    return value
