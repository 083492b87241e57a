"""Attempts, sessions and windows as CSV, which a spreadsheet takes for nothing but text."""

from __future__ import annotations

import csv
import sys
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime

from adapters.commands.attempting.tables import kept_names
from adapters.json_forms.attempts import score_of
from adapters.printable import spreadsheet_cell
from bridge.practice.attempts import Attempt
from bridge.practice.sittings import Session
from bridge.practice.timings import Timings
from bridge.practice.totals import Score

__all__ = ["print_attempts", "print_sessions", "print_timings"]

_Row = Sequence[object]


def print_attempts(attempts: Sequence[Attempt], listed: Sequence[Attempt]) -> None:
    """A line an attempt; the columns of steps and watches are those of all *attempts*."""
    steps = list(dict.fromkeys(step.name for attempt in attempts for step in attempt.steps))
    timed = list(
        dict.fromkeys(
            step.name for attempt in attempts for step in attempt.steps if step.timing is not None
        )
    )
    names = kept_names(attempts)
    rows: list[_Row] = [
        [
            *("attempt", "build", "began", "began_frame", "outcome", "step", "reason"),
            *("frames", "seconds", *(f"frames of {step}" for step in steps), *names),
            *("frames_seen", "whole", "unseen_before", *(f"whole {step}" for step in steps)),
            *("session", "by_hand", "undone"),
            *(f"{what} {step}" for step in timed for what in ("verdict of", "since moment of")),
        ]
    ]
    for attempt in listed:
        frames = {step.name: step.frames for step in attempt.steps}
        whole = {step.name: step.whole for step in attempt.steps}
        kept = {value.watch: value.value for value in attempt.kept}
        timings = {step.name: step.timing for step in attempt.steps if step.timing is not None}
        verdicts: list[object] = []
        for step in timed:
            timing = timings.get(step)
            verdicts += [None, None] if timing is None else [timing.verdict, timing.frames]
        rows.append(
            [
                attempt.number,
                attempt.build,
                _time(attempt.began_time),
                attempt.began_frame,
                attempt.outcome,
                attempt.step,
                attempt.reason,
                attempt.frames,
                None if attempt.seconds is None else round(attempt.seconds, 3),
                *(frames.get(step) for step in steps),
                *(kept.get(name) for name in names),
                *(attempt.frames_seen, _truth(attempt.whole), attempt.unseen_before),
                *(_truth(whole.get(step)) for step in steps),
                *(attempt.session, _truth(attempt.by_hand), _truth(attempt.undone)),
                *verdicts,
            ]
        )
    _print(rows)


def print_sessions(attempts: Sequence[Attempt], sessions: Sequence[Session]) -> None:
    """A line a session, and one for all of them."""
    rows: list[_Row] = [
        [
            *("session", "began", "ended", "attempts", "successes", "rate", "low", "high"),
            *("streak", "cut_off", "best", "median", "note"),
        ]
    ]
    for each in sessions:
        times = _time(each.began), _time(each.ended)
        rows.append([each.number, *times, *_gave(each.score), each.note])
    rows.append(["all", None, None, *_gave(score_of(attempts)), None])
    _print(rows)


def print_timings(timings: Iterable[Timings]) -> None:
    """A line a bar of each histogram; what was done before its moment came has no frames."""
    rows: list[_Row] = [
        ["step", "window_first", "window_last", "verdict", "frames", "count", "unsure"]
    ]
    for each in timings:
        head = each.step, *each.window
        if each.before:
            inside = sum(one.unsure for one in each.bins)
            rows.append([*head, "early", None, each.before, each.unsure - inside])
        rows += [[*head, one.verdict, one.frames, one.count, one.unsure] for one in each.bins]
    _print(rows)


def _gave(score: Score) -> _Row:
    low, high = score.all.interval
    return [
        *(score.all.count, score.all.good, score.all.rate, low, high),
        *(score.streak, score.cut_off, score.best, score.median),
    ]


def _print(rows: Iterable[_Row]) -> None:
    out = csv.writer(sys.stdout, lineterminator="\n")
    out.writerows(map(spreadsheet_cell, row) for row in rows)


def _time(seconds: float) -> str:
    return datetime.fromtimestamp(seconds, UTC).isoformat(timespec="milliseconds")


def _truth(value: bool | None) -> str:
    return "" if value is None else str(value).lower()
