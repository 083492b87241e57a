"""Walks that were found, as lines and as JSON."""

from __future__ import annotations

import math
from typing import Any

from adapters.commands.console.tables import columns, title
from adapters.commands.solving.walk_start import WalkStart
from adapters.printable import printable
from bridge.expressions.arithmetic import degrees
from bridge.solvers.halves import value_of
from bridge.solvers.walks.answer import MAX_WINDOW, FoundWalk, Run, Verdict, WalkAnswer
from bridge.solvers.walks.model import Position
from bridge.values.value_type import shortest_single

__all__ = ["print_walks", "walks_as_json"]


def walks_as_json(answer: WalkAnswer, start: WalkStart, axis: str) -> dict[str, Any]:
    """The answer as one object."""
    first, *others = answer.walks or (None,)
    told = {
        "verdict": str(answer.verdict),
        "reason": answer.reason,
        "axis": axis,
        "start": _position(start.position),
        "best": None if first is None else _walk(first),
        "others": [_walk(each) for each in others if each is not None],
        "all_others": answer.all_others,
        "states": answer.states,
        "made": answer.made,
        "not_numbers": answer.not_numbers,
    }
    if start.frame is not None:
        told |= {"frame": start.frame.number, "build": start.frame.build}
    return told


def print_walks(answer: WalkAnswer, start: WalkStart, axis: str, wanted: str) -> None:
    """The answer in lines."""
    if start.frame is not None:
        print(title(start.frame))
    position = start.position
    faces = f", facing 0x{position.facing:04X} ({degrees(position.facing):.2f}°)"
    faces = faces if start.walks.sine is not None else ""
    print(printable(f"from {axis} = {_value(position.patterns[axis])}{faces}; wanted: {wanted}"))
    if not answer.walks:
        words = {
            Verdict.IMPOSSIBLE: "cannot be reached",
            Verdict.NOT_WITHIN: "not within these bounds",
            Verdict.CUT_SHORT: "none was found",
        }
        print(f"{words[answer.verdict]}: {answer.reason}")
        return
    for number, line in enumerate(columns([_row(walk, axis) for walk in answer.walks]), 1):
        print(f"{number}. {line}")
    print(f"{answer.reason}; {_count(answer.states, 'state')} in all")
    if not answer.all_others:
        print("no further walks were looked for")


def _row(walk: FoundWalk, axis: str) -> list[str]:
    return [
        _count(walk.frames, "frame"),
        _count(len(walk.moves), "move"),
        ", ".join(map(_run, _told_runs(walk))) or "none is needed",
        f"{axis} = {_value(walk.end.patterns[axis])}",
        _robust(walk),
    ]


def _told_runs(walk: FoundWalk) -> tuple[tuple[Run, bool], ...]:
    """Each run, and whether it is the part of a move of several frames."""
    last = len(walk.runs) - 1
    return tuple(
        (run, bool(walk.last_frames) and number == last) for number, run in enumerate(walk.runs)
    )


def _run(told: tuple[Run, bool]) -> str:
    run, part = told
    if part:
        return f"{run.move} for {_count(run.count, 'frame')}"
    return run.move if run.count == 1 else f"{run.count} × {run.move}"


def _robust(walk: FoundWalk) -> str:
    first, last = walk.window
    words = []
    if first < last:
        least = " at least" * (last - walk.frames >= MAX_WINDOW)
        words.append(f"also from frame {first:,} to {last:,}{least}")
    held = [run for run in walk.runs[:-1] if run.less or run.more]
    for run in held:
        ways = " or ".join(way for way, works in (("less", run.less), ("more", run.more)) if works)
        words.append(f"one {run.move} {ways} works too")
    return "; ".join(words) or "in that frame alone"


def _value(pattern: int) -> str:
    value = value_of(pattern)
    told = shortest_single(value) if math.isfinite(value) else str(value)
    return f"{told} (0x{pattern:08X})"


def _walk(walk: FoundWalk) -> dict[str, Any]:
    return {
        "frames": walk.frames,
        "moves": list(walk.moves),
        "runs": [
            {"move": run.move, "count": run.count, "less": run.less, "more": run.more}
            for run in walk.runs
        ],
        "last_frames": walk.last_frames,
        "window": list(walk.window),
        "robust": walk.robust,
        "end": _position(walk.end),
    }


def _position(position: Position) -> dict[str, Any]:
    values = {name: value_of(pattern) for name, pattern in position.patterns.items()}
    return {
        "values": {n: value if math.isfinite(value) else None for n, value in values.items()},
        "bits": {name: f"0x{pattern:08X}" for name, pattern in position.patterns.items()},
        "facing": position.facing,
    }


def _count(number: int, what: str) -> str:
    return f"{number:,} {what}{'s' * (number != 1)}"
