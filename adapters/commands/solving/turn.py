"""``lowhalf solve turn``: the cheapest way from one angle16 to another, and the next best few."""

from __future__ import annotations

import argparse
import itertools
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from adapters.commands.console import numbers
from adapters.commands.console.tables import columns, title
from adapters.commands.solving.live import add_live_arguments, read_values
from adapters.printable import json_text, printable
from adapters.sessions.bridge_file import load_bridge
from bridge.expressions.arithmetic import degrees, turn
from bridge.readings.frame import Frame
from bridge.solvers.turning_moves import moves_of
from bridge.solvers.turns import TURN, TurnAnswer, TurnSearch, TurnSequence
from schemas.errors import LowhalfError
from schemas.loader import Bridge
from schemas.moves_file import load_moves
from schemas.schema_file import MoveTable

__all__ = ["MAX_OTHERS", "add_arguments", "run"]

MAX_OTHERS = 50


@dataclass(frozen=True, slots=True)
class _Answer:
    """What was asked and found: ``chosen`` is about an angle within what may be off, ``exact``
    about the wanted one; ``closer`` are ways to angles that lie nearer and cost more."""

    start: int
    to: int
    within: int
    exact: TurnAnswer
    angle: int | None
    chosen: TurnAnswer
    closer: tuple[tuple[int, TurnSequence], ...]
    below: TurnSequence
    above: TurnSequence


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--from",
        type=numbers.angle_or_expression,
        required=True,
        dest="start",
        metavar="A",
        help="this angle: units, degrees as 90°, or with --bridge an expression",
    )
    parser.add_argument(
        "--to", type=numbers.angle, required=True, metavar="B", help="to this one, also as 90°"
    )
    parser.add_argument(
        "--within",
        type=numbers.angle_width,
        default=0,
        metavar="N",
        help="any angle up to N units, or degrees as 0.5°, from B is good: the cheapest (0)",
    )
    parser.add_argument(
        "--moves",
        type=Path,
        metavar="FILE.toml",
        help="a schema file, or a file of [moves.NAME] alone; else those of --bridge's schema",
    )
    parser.add_argument(
        "--others",
        type=numbers.count,
        default=3,
        metavar="N",
        help=f"how many of the next best ways, at most {MAX_OTHERS} (3)",
    )
    add_live_arguments(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.epilog = (
        "ways differ in how often moves are used; equal frames are told apart by the count of "
        "moves. nearest are the angles before and behind B that can be reached"
    )


def run(arguments: argparse.Namespace) -> int:
    bridge = None if arguments.bridge is None else load_bridge(arguments.bridge)
    search = TurnSearch(moves_of(_moves(arguments, bridge)))
    start, frame = arguments.start, None
    if isinstance(start, str):
        start, frame = _live_angle(arguments, bridge)
    answer = _answer(search, start, arguments)
    if arguments.json:
        print(json_text(_as_json(answer, frame)))
        return 0
    if frame is not None:
        print(title(frame))
    way = turn(answer.to, start)
    print(f"from 0x{start:04X} to 0x{answer.to:04X}: {way:+} units, {degrees(way):+.2f}°")
    _print(answer)
    return 0


def _moves(arguments: argparse.Namespace, bridge: Bridge | None) -> Mapping[str, MoveTable]:
    if arguments.moves is not None:
        return load_moves(arguments.moves)
    if bridge is None:
        raise LowhalfError("give --moves FILE.toml, or --bridge for those of its schema")
    if not bridge.schema.file.moves:
        raise LowhalfError(f"{bridge.schema.path} has no [moves]; give --moves FILE.toml")
    return bridge.schema.file.moves


def _live_angle(arguments: argparse.Namespace, bridge: Bridge | None) -> tuple[int, Frame]:
    text: str = arguments.start
    if bridge is None:
        raise LowhalfError(f'--from "{text}" is no angle; for an expression give --bridge')
    frame, (reading,) = read_values(arguments, bridge, [text])
    value = reading.value
    if not isinstance(value, int) or not -TURN < value < TURN:
        raise LowhalfError(f"--from {text} is {reading.text}, expected an angle16")
    return value % TURN, frame


def _answer(search: TurnSearch, start: int, arguments: argparse.Namespace) -> _Answer:
    to, others = arguments.to, min(arguments.others, MAX_OTHERS)
    exact = search.answer(start, to, others)
    within = search.within(start, to, arguments.within)
    angle = within[0][0] if within else None
    chosen = exact if angle in (None, to) else search.answer(start, angle or 0, others)
    closer = tuple((each, _way(search, start, each)) for each, _ in within[1:])
    below, above = _way(search, start, exact.below), _way(search, start, exact.above)
    return _Answer(start, to, arguments.within, exact, angle, chosen, closer, below, above)


def _way(search: TurnSearch, start: int, angle: int) -> TurnSequence:
    best = search.answer(start, angle, 0).best
    assert best is not None
    return best


def _as_json(answer: _Answer, frame: Frame | None) -> dict[str, Any]:
    best = answer.chosen.best
    exact, to = answer.exact, answer.to
    way = turn(to, answer.start)
    told = {
        "reachable": best is not None,
        "frames": None if best is None else best.frames,
        "moves": [] if best is None else list(best.moves),
        "nearest": list(dict.fromkeys((exact.below, exact.above))),
        "others": [_way_as_json(way) for way in answer.chosen.others],
        "reason": exact.proof if best is None else "",
        "start": answer.start,
        "to": to,
        "turn": way,
        "degrees": degrees(way),
        "angle": answer.angle,
        "off": None if answer.angle is None else turn(answer.angle, to),
        "closer": [_reached(angle, to, way) for angle, way in answer.closer],
        "below": _reached(exact.below, to, answer.below),
        "above": _reached(exact.above, to, answer.above),
    }
    if frame is not None:
        told |= {"frame": frame.number, "build": frame.build}
    return told


def _way_as_json(way: TurnSequence) -> dict[str, Any]:
    return {"frames": way.frames, "moves": list(way.moves)}


def _reached(angle: int, to: int, way: TurnSequence) -> dict[str, Any]:
    off = turn(angle, to)
    return {"angle": angle, "off": off, "degrees": degrees(off), **_way_as_json(way)}


def _print(answer: _Answer) -> None:
    exact, to = answer.exact, answer.to
    if answer.chosen.best is None:
        print(f"cannot be reached: {printable(exact.proof)}")
        many = _count(exact.count, "angle")
        print(f"{many} can be; going down and up from 0x{to:04X} the first are")
        down, up = (to - exact.below) % TURN, (exact.above - to) % TURN
        rows = [
            _row(f"0x{exact.below:04X}", f"-{down}", f"-{degrees(down):.2f}°", answer.below),
            _row(f"0x{exact.above:04X}", f"+{up}", f"+{degrees(up):.2f}°", answer.above),
        ]
        for line in columns(rows):
            print(f"  {line}")
        return
    if answer.within and answer.angle is not None:
        off = turn(answer.angle, to)
        words = f"0x{answer.angle:04X}, {off:+} units, {degrees(off):+.2f}°" if off else "B itself"
        print(f"within {_count(answer.within, 'unit')} the cheapest is {words}")
    ways = (answer.chosen.best, *answer.chosen.others)
    for number, line in enumerate(columns([_row("", "", "", way)[3:] for way in ways]), 1):
        print(f"{number}. {line}")
    if not answer.chosen.all_others:
        print("the search for further ways was ended early")
    if answer.closer:
        print("nearer, for more frames:")
        rows = [
            _row(f"0x{angle:04X}", f"{off:+}", f"{degrees(off):+.2f}°", way)
            for angle, way in answer.closer
            for off in [turn(angle, to)]
        ]
        for line in columns(rows):
            print(f"  {line}")


def _row(angle: str, off: str, in_degrees: str, way: TurnSequence) -> list[str]:
    frames, moves = _count(way.frames, "frame"), _count(len(way.moves), "move")
    return [angle, off, in_degrees, frames, moves, _runs(way)]


def _count(number: int, what: str) -> str:
    return f"{number:,} {what}{'s' * (number != 1)}"


def _runs(way: TurnSequence) -> str:
    runs = [(name, len(list(group))) for name, group in itertools.groupby(way.moves)]
    told = [name if count == 1 else f"{count} × {name}" for name, count in runs]
    return ", ".join(told) or "none is needed"
