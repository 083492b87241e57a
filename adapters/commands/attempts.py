"""``lowhalf attempts``: what all attempts gave, from the file in which they are kept."""

from __future__ import annotations

import argparse
import csv
import sys
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path

from adapters.commands.console.tables import columns
from adapters.json_forms.attempts import (
    attempts_json,
    best_and_median,
    clip_of,
    done_of,
    kept_attempts,
    last_of,
    results_of,
    score_of,
    steps_of,
    whole_ones,
)
from adapters.printable import json_text, printable, spreadsheet_cell
from adapters.sessions.bridge_file import load_bridge
from adapters.words.practice import outcome_words, rate_words, seen_words
from bridge.practice.attempts import Attempt, Outcome
from bridge.practice.steps import StepOutcome
from schemas.loader import Bridge

__all__ = ["SHOWN", "add_arguments", "run", "table"]

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
    parser.add_argument(
        "--whole",
        action="store_true",
        help="only attempts of which every frame was seen, in totals as in the list",
    )


def run(arguments: argparse.Namespace) -> int:
    bridge = load_bridge(arguments.bridge)
    if bridge.file.attempts is None:
        raise bridge.text.error(("attempts",), "is missing: it says when an attempt begins")
    attempts, running = kept_attempts(bridge)
    left_out = 0
    if arguments.whole:
        left_out, attempts = len(attempts), whole_ones(attempts)
        left_out -= len(attempts)
    last = arguments.last
    if last is None:
        last = len(attempts) if arguments.json or arguments.csv else SHOWN
    listed = last_of(attempts, last)
    if arguments.json:
        answer = attempts_json(bridge, attempts, listed, running, left_out)
        print(json_text(answer))
    elif arguments.csv:
        _print_csv(attempts, listed)
    else:
        for line in table(bridge, attempts, listed, left_out):
            print(line)
    return 0


def table(
    bridge: Bridge, attempts: Sequence[Attempt], listed: Sequence[Attempt], left_out: int = 0
) -> list[str]:
    """The lines for people.  What frames were missed of is told where any were."""
    score = score_of(attempts)
    good = [attempt for attempt in attempts if attempt.outcome is Outcome.SUCCESS]
    lines = [f"{printable(bridge.attempts_path.name)}: {rate_words(score.all)} succeeded"]
    lines[0] += f", {score.streak} in a row" if score.streak > 1 else ""
    lines[0] += f"; {score.cut_off} cut off" if score.cut_off else ""
    if left_out:
        lines.append(f"left out: {left_out} of which frames were missed, or not counted")
    elif score.not_whole:
        lines.append(f"frames were missed in {score.not_whole} of these; --whole leaves those out")
    if score.unseen_between and not left_out:
        count = score.unseen_between
        lines.append(f"{count} frame{'s' * (count != 1)} between attempts may hide more of them")
    if good:
        frames = best_and_median([attempt.frames for attempt in good])
        seconds = best_and_median([attempt.seconds for attempt in good])
        lines.append(
            f"time of a success: best {_frames(frames['best'])} ({_seconds(seconds['best'])}), "
            f"median {_frames(frames['median'])} ({_seconds(seconds['median'])})"
        )
    steps = steps_of(bridge, attempts)
    if steps:
        rows = [["step", "done", "failed", "given up", "best", "median"]]
        for name, rate in steps:
            results = results_of(attempts, name)
            times = best_and_median([step.known_frames for step in done_of(attempts, name)])
            rows.append(
                [
                    name,
                    rate_words(rate),
                    str(sum(step.outcome is StepOutcome.FAILED for step in results)),
                    str(sum(step.outcome is StepOutcome.GIVEN_UP for step in results)),
                    _frames(times["best"]),
                    _frames(times["median"]),
                ]
            )
        lines += ["", *columns(rows)]
    if listed:
        names = _kept_names(listed)
        marked = any(attempt.whole is False for attempt in listed)
        seen = ["seen"] if marked else []
        clips = [clip_of(bridge, attempt) for attempt in listed]
        clip = ["clip"] if any(clips) else []
        rows = [["attempt", "began", "frames", *seen, "seconds", "outcome", *names, *clip]]
        for attempt, recorded in zip(listed, clips, strict=True):
            kept = {value.watch: value.text or value.status for value in attempt.kept}
            rows.append(
                [
                    str(attempt.number),
                    f"{datetime.fromtimestamp(attempt.began_time):%Y-%m-%d %H:%M:%S}",
                    "" if attempt.frames is None else str(attempt.frames),
                    *([seen_words(attempt)] if marked else []),
                    "" if attempt.seconds is None else f"{attempt.seconds:.2f}",
                    _outcome(attempt),
                    *(kept.get(name, "") for name in names),
                    *([recorded or ""] if clip else []),
                ]
            )
        lines += ["", *columns(rows)]
    return lines


def _print_csv(attempts: Sequence[Attempt], listed: Sequence[Attempt]) -> None:
    steps = list(dict.fromkeys(step.name for attempt in attempts for step in attempt.steps))
    names = _kept_names(attempts)
    rows: list[Sequence[object]] = [
        [
            *("attempt", "build", "began", "began_frame", "outcome", "step", "reason"),
            *("frames", "seconds", *(f"frames of {step}" for step in steps), *names),
            *("frames_seen", "whole", "unseen_before", *(f"whole {step}" for step in steps)),
        ]
    ]
    for attempt in listed:
        frames = {step.name: step.frames for step in attempt.steps}
        whole = {step.name: step.whole for step in attempt.steps}
        kept = {value.watch: value.value for value in attempt.kept}
        rows.append(
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
                *(attempt.frames_seen, _truth(attempt.whole), attempt.unseen_before),
                *(_truth(whole.get(step)) for step in steps),
            ]
        )
    out = csv.writer(sys.stdout, lineterminator="\n")
    out.writerows(map(spreadsheet_cell, row) for row in rows)


def _kept_names(attempts: Iterable[Attempt]) -> list[str]:
    return list(dict.fromkeys(kept.watch for attempt in attempts for kept in attempt.kept))


def _outcome(attempt: Attempt) -> str:
    words = outcome_words(attempt)
    return f"{words}: {attempt.reason}" if attempt.reason else words


def _truth(value: bool | None) -> str:
    return "" if value is None else str(value).lower()


def _frames(count: float | None) -> str:
    return "" if count is None else f"{count:g} frames"


def _seconds(time: float | None) -> str:
    return "" if time is None else f"{time:.2f} s"
