"""``lowhalf attempts``: what all attempts gave, from the file in which they are kept."""

from __future__ import annotations

import argparse
import csv
import json
import statistics
import sys
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from adapters.attempts.database import open_for_reading, read_attempts
from adapters.attempts.ownership import is_owned
from adapters.commands.read import columns
from adapters.outputs.practice_words import outcome_words, rate_words
from adapters.outputs.words import printable
from bridge.attempts import Attempt, Outcome
from bridge.steps import StepOutcome, StepResult
from bridge.totals import Rate, Totals
from schemas.loader import Bridge, load_bridge

SHOWN = 10


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("bridge", type=Path, metavar="BRIDGE.toml", help="the bridge file")
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="print all as one JSON object")
    form.add_argument("--csv", action="store_true", help="print a line of CSV an attempt")
    parser.add_argument(
        "--last",
        type=int,
        metavar="N",
        help=f"list only the last N attempts; totals are of all (the table lists {SHOWN})",
    )


def run(arguments: argparse.Namespace) -> int:
    bridge = load_bridge(arguments.bridge)
    if bridge.file.attempts is None:
        raise bridge.text.error(("attempts",), "is missing: it says when an attempt starts")
    path = bridge.attempts_path
    running = is_owned(path)
    database = open_for_reading(path)
    try:
        attempts = read_attempts(database, running=running)
    finally:
        database.close()
    last = arguments.last
    if last is None:
        last = len(attempts) if arguments.json or arguments.csv else SHOWN
    listed = attempts[max(0, len(attempts) - max(0, last)) :]
    if arguments.json:
        json.dump(as_json(bridge, attempts, listed, running), sys.stdout, ensure_ascii=False)
        print()
    elif arguments.csv:
        _print_csv(attempts, listed)
    else:
        for line in table(bridge, attempts, listed):
            print(line)
    return 0


def as_json(
    bridge: Bridge, attempts: Sequence[Attempt], listed: Sequence[Attempt], running: bool
) -> dict[str, Any]:
    """What ``--json`` prints."""
    score = _totals(attempts)
    good = [attempt for attempt in attempts if attempt.outcome is Outcome.SUCCESS]
    return {
        "file": bridge.attempts_path.name,
        "running": running,
        "totals": {
            "attempts": score.all.count,
            "successes": score.all.good,
            "rate": score.all.rate,
            "interval": list(score.all.interval),
            "streak": score.streak,
            "cut_off": score.cut_off,
            "frames": _times([attempt.frames for attempt in good]),
            "seconds": _times([attempt.seconds for attempt in good]),
        },
        "steps": [
            {
                "step": name,
                **rate.as_json(),
                **{
                    str(outcome): sum(s.outcome is outcome for s in _of_step(attempts, name))
                    for outcome in StepOutcome
                },
                "frames": _times([step.frames for step in _done(attempts, name)]),
                "seconds": _times([step.seconds for step in _done(attempts, name)]),
            }
            for name, rate in _steps(bridge, attempts)
        ],
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
                "steps": [
                    {
                        "step": step.name,
                        "outcome": str(step.outcome),
                        "waited": step.waited,
                        "frames": step.frames,
                        "seconds": step.seconds,
                    }
                    for step in attempt.steps
                ],
                "kept": {
                    kept.watch: {"status": kept.status, "value": kept.value, "text": kept.text}
                    for kept in attempt.kept
                },
            }
            for attempt in listed
        ],
    }


def table(bridge: Bridge, attempts: Sequence[Attempt], listed: Sequence[Attempt]) -> list[str]:
    """The lines for people."""
    score = _totals(attempts)
    good = [attempt for attempt in attempts if attempt.outcome is Outcome.SUCCESS]
    lines = [f"{bridge.attempts_path.name}: {rate_words(score.all)} succeeded"]
    lines[0] += f", {score.streak} in a row" if score.streak > 1 else ""
    lines[0] += f"; {score.cut_off} cut off" if score.cut_off else ""
    if good:
        frames = _times([attempt.frames for attempt in good])
        seconds = _times([attempt.seconds for attempt in good])
        lines.append(
            f"time of a success: best {_frames(frames['best'])} ({_seconds(seconds['best'])}), "
            f"median {_frames(frames['median'])} ({_seconds(seconds['median'])})"
        )
    steps = _steps(bridge, attempts)
    if steps:
        rows = [["step", "done", "failed", "given up", "best", "median"]]
        for name, rate in steps:
            results = _of_step(attempts, name)
            times = _times([step.frames for step in _done(attempts, name)])
            rows.append(
                [
                    printable(name),
                    rate_words(rate),
                    str(sum(step.outcome is StepOutcome.FAILED for step in results)),
                    str(sum(step.outcome is StepOutcome.RESET for step in results)),
                    _frames(times["best"]),
                    _frames(times["median"]),
                ]
            )
        lines += ["", *columns(rows)]
    if listed:
        names = _kept_names(listed)
        rows = [["attempt", "began", "frames", "seconds", "outcome", *names]]
        for attempt in listed:
            kept = {value.watch: value.text or value.status for value in attempt.kept}
            rows.append(
                [
                    str(attempt.number),
                    f"{datetime.fromtimestamp(attempt.began_time):%Y-%m-%d %H:%M:%S}",
                    "" if attempt.frames is None else str(attempt.frames),
                    "" if attempt.seconds is None else f"{attempt.seconds:.2f}",
                    printable(_outcome(attempt)),
                    *(printable(kept.get(name, "")) for name in names),
                ]
            )
        lines += ["", *columns(rows)]
    return lines


def _print_csv(attempts: Sequence[Attempt], listed: Sequence[Attempt]) -> None:
    steps = list(dict.fromkeys(step.name for attempt in attempts for step in attempt.steps))
    names = _kept_names(attempts)
    out = csv.writer(sys.stdout, lineterminator="\n")
    out.writerow(
        [
            *("attempt", "build", "began", "began_frame", "outcome", "step", "reason"),
            *("frames", "seconds", *(f"frames of {step}" for step in steps), *names),
        ]
    )
    for attempt in listed:
        frames = {step.name: step.frames for step in attempt.steps}
        kept = {value.watch: value.value for value in attempt.kept}
        out.writerow(
            [
                attempt.number,
                attempt.build,
                datetime.fromtimestamp(attempt.began_time, UTC).isoformat(timespec="milliseconds"),
                attempt.began_frame,
                attempt.outcome,
                attempt.step,
                attempt.reason,
                attempt.frames,
                None if attempt.seconds is None else round(attempt.seconds, 3),
                *(frames.get(step) for step in steps),
                *(kept.get(name) for name in names),
            ]
        )


def _totals(attempts: Iterable[Attempt]) -> Any:
    totals = Totals()
    for attempt in attempts:
        totals.add(attempt)
    return totals.score()


def _steps(bridge: Bridge, attempts: Sequence[Attempt]) -> list[tuple[str, Rate]]:
    """The bridge file's steps in their order, then those that it had before."""
    found = dict(_totals(attempts).steps)
    names = dict.fromkeys([step.name for step in bridge.file.steps] + list(found))
    return [(name, found.get(name, Rate(0, 0))) for name in names]


def _of_step(attempts: Iterable[Attempt], name: str) -> list[StepResult]:
    return [step for attempt in attempts for step in attempt.steps if step.name == name]


def _done(attempts: Iterable[Attempt], name: str) -> list[StepResult]:
    return [step for step in _of_step(attempts, name) if step.outcome is StepOutcome.DONE]


def _times(found: Iterable[float | None]) -> dict[str, float | None]:
    known = [time for time in found if time is not None]
    if not known:
        return {"best": None, "median": None}
    return {"best": min(known), "median": statistics.median(known)}


def _kept_names(attempts: Iterable[Attempt]) -> list[str]:
    return list(dict.fromkeys(kept.watch for attempt in attempts for kept in attempt.kept))


def _outcome(attempt: Attempt) -> str:
    words = outcome_words(attempt)
    return f"{words}: {attempt.reason}" if attempt.reason else words


def _frames(count: float | None) -> str:
    return "" if count is None else f"{count:g} frames"


def _seconds(time: float | None) -> str:
    return "" if time is None else f"{time:.2f} s"
