"""Attempts, steps and sessions as tables for people."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

from adapters.commands.console.tables import columns
from adapters.json_forms.attempts import (
    Chosen,
    best_and_median,
    clip_of,
    done_of,
    good_ones,
    results_of,
    score_of,
    steps_of,
)
from adapters.printable import printable
from adapters.words.practice import outcome_words, rate_words, seen_words
from bridge.practice.attempts import Attempt
from bridge.practice.sittings import Session
from bridge.practice.steps import StepOutcome
from schemas.loader import Bridge

__all__ = ["head_lines", "kept_names", "list_lines", "session_lines", "step_lines"]


def head_lines(
    bridge: Bridge,
    attempts: Sequence[Attempt],
    chosen: Chosen | None,
    sessions: Sequence[Session],
    left_out: int = 0,
) -> list[str]:
    """What all attempts gave, and the newest session or what is chosen.

    What frames were missed of is told where any were.
    """
    score = score_of(attempts)
    lines = [f"{printable(bridge.attempts_path.name)}: {_gave(attempts)}"]
    if chosen is not None:
        lines.append(f"{_meant(chosen, sessions)}: {_gave(chosen.attempts)}")
    elif sessions and (len(sessions) > 1 or sessions[-1].note):
        last = sessions[-1]
        note = f" ({printable(last.note)})" if last.note else ""
        lines.append(f"session {last.number}{note}: {_gave(last.attempts)}")
    if left_out:
        lines.append(f"left out: {left_out} of which frames were missed, or not counted")
    elif score.not_whole:
        lines.append(f"frames were missed in {score.not_whole} of these; --whole leaves those out")
    if score.unseen_between and not left_out:
        count = score.unseen_between
        lines.append(f"{count} frame{'s' * (count != 1)} between attempts may hide more of them")
    if good := good_ones(attempts if chosen is None else chosen.attempts):
        frames = best_and_median([attempt.frames for attempt in good])
        seconds = best_and_median([attempt.seconds for attempt in good])
        lines.append(
            f"time of a success: best {_frames(frames['best'])} ({_seconds(seconds['best'])}), "
            f"median {_frames(frames['median'])} ({_seconds(seconds['median'])})"
        )
    return lines


def step_lines(bridge: Bridge, attempts: Sequence[Attempt]) -> list[str]:
    """A line a step."""
    steps = steps_of(bridge, attempts)
    if not steps:
        return []
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
    return columns(rows)


def list_lines(bridge: Bridge, listed: Sequence[Attempt]) -> list[str]:
    """A line an attempt."""
    if not listed:
        return []
    names = kept_names(listed)
    marked = any(attempt.whole is False for attempt in listed)
    seen = ["seen"] if marked else []
    clips = [clip_of(bridge, attempt) for attempt in listed]
    clip = ["clip"] if any(clips) else []
    session = ["session"] if len({attempt.session for attempt in listed}) > 1 else []
    rows = [["attempt", *session, "began", "frames", *seen, "seconds", "outcome", *names, *clip]]
    for attempt, recorded in zip(listed, clips, strict=True):
        kept = {value.watch: value.text or value.status for value in attempt.kept}
        rows.append(
            [
                str(attempt.number),
                *([str(attempt.session)] if session else []),
                _time(attempt.began_time),
                "" if attempt.frames is None else str(attempt.frames),
                *([seen_words(attempt)] if marked else []),
                "" if attempt.seconds is None else f"{attempt.seconds:.2f}",
                _outcome(attempt),
                *(kept.get(name, "") for name in names),
                *([recorded or ""] if clip else []),
            ]
        )
    return columns(rows)


def session_lines(attempts: Sequence[Attempt], sessions: Sequence[Session]) -> list[str]:
    """A line a session, and one for all of them."""
    rows = [["session", "began", "ended", "attempts", "best", "median", "note"]]
    for each in sessions:
        score = each.score
        rows.append(
            [
                str(each.number),
                _time(each.began),
                _time(each.ended),
                rate_words(score.all),
                _frames(score.best),
                _frames(score.median),
                each.note,
            ]
        )
    score = score_of(attempts)
    rows.append(
        ["all", "", "", rate_words(score.all), _frames(score.best), _frames(score.median), ""]
    )
    return columns(rows)


def kept_names(attempts: Iterable[Attempt]) -> list[str]:
    """The watches whose values are kept with any of the attempts."""
    return list(dict.fromkeys(kept.watch for attempt in attempts for kept in attempt.kept))


def _gave(attempts: Sequence[Attempt]) -> str:
    score = score_of(attempts)
    undone = sum(attempt.undone for attempt in attempts)
    words = f"{rate_words(score.all)} succeeded"
    words += f", {score.streak} in a row" if score.streak > 1 else ""
    words += f"; {score.cut_off} cut off" if score.cut_off else ""
    return words + (f"; {undone} taken back" if undone else "")


def _meant(chosen: Chosen, sessions: Sequence[Session]) -> str:
    parts = []
    if chosen.session is not None:
        note = next((each.note for each in sessions if each.number == chosen.session), "")
        parts.append(f"session {chosen.session}" + (f" ({printable(note)})" if note else ""))
    if chosen.since is not None:
        parts.append(f"since {_time(chosen.since)}")
    return ", ".join(parts)


def _outcome(attempt: Attempt) -> str:
    words = [outcome_words(attempt)]
    words += ["by hand"] if attempt.by_hand else []
    words += ["taken back"] if attempt.undone else []
    told = ", ".join(words)
    return f"{told}: {attempt.reason}" if attempt.reason else told


def _time(seconds: float) -> str:
    return f"{datetime.fromtimestamp(seconds):%Y-%m-%d %H:%M:%S}"


def _frames(count: float | None) -> str:
    return "" if count is None else f"{count:g} frames"


def _seconds(time: float | None) -> str:
    return "" if time is None else f"{time:.2f} s"
