"""``lowhalf solve turn``: the cheapest way from one angle16 to another, and the next best few."""

from __future__ import annotations

import argparse
import itertools
from pathlib import Path

from adapters.commands.console import numbers
from adapters.commands.console.tables import columns
from adapters.printable import json_text, printable
from bridge.expressions.arithmetic import degrees, turn
from bridge.expressions.functions.turns import moves_of
from bridge.solvers.turns import TURN, TurnAnswer, TurnSearch, TurnSequence
from schemas.moves_file import load_moves

__all__ = ["MAX_OTHERS", "add_arguments", "run"]

MAX_OTHERS = 50


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--from", type=numbers.angle, required=True, dest="start", metavar="A", help="this angle"
    )
    parser.add_argument("--to", type=numbers.angle, required=True, metavar="B", help="to this one")
    parser.add_argument(
        "--moves",
        type=Path,
        required=True,
        metavar="FILE.toml",
        help="a schema file, or a file of [moves.NAME] alone",
    )
    parser.add_argument(
        "--others",
        type=numbers.count,
        default=3,
        metavar="N",
        help=f"how many of the next best ways, at most {MAX_OTHERS} (3)",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.epilog = (
        "ways differ in how often moves are used; equal frames are told apart by the count of "
        "moves. nearest are the angles before and behind B that can be reached"
    )


def run(arguments: argparse.Namespace) -> int:
    moves = moves_of(load_moves(arguments.moves))
    start, to = arguments.start, arguments.to
    answer = TurnSearch(moves).answer(start, to, min(arguments.others, MAX_OTHERS))
    best = answer.best
    if arguments.json:
        told = {
            "reachable": best is not None,
            "frames": None if best is None else best.frames,
            "moves": [] if best is None else list(best.moves),
            "nearest": list(dict.fromkeys((answer.below, answer.above))),
            "others": [{"frames": way.frames, "moves": list(way.moves)} for way in answer.others],
            "reason": answer.proof,
        }
        print(json_text(told))
        return 0
    way = turn(to, start)
    print(f"from 0x{start:04X} to 0x{to:04X}: {way:+} units, {degrees(way):+.2f}°")
    _print(answer, to)
    return 0


def _print(answer: TurnAnswer, to: int) -> None:
    if answer.best is None:
        print(f"cannot be reached: {printable(answer.proof)}")
        many = _count(answer.count, "angle")
        print(f"{many} can be; going down and up from 0x{to:04X} the first are")
        print(f"  0x{answer.below:04X}  -{(to - answer.below) % TURN}")
        print(f"  0x{answer.above:04X}  +{(answer.above - to) % TURN}")
        return
    rows = [
        [_count(way.frames, "frame"), _count(len(way.moves), "move"), _runs(way)]
        for way in (answer.best, *answer.others)
    ]
    for number, line in enumerate(columns(rows), 1):
        print(f"{number}. {line}")
    if not answer.all_others:
        print("the search for further ways was ended early")


def _count(number: int, what: str) -> str:
    return f"{number:,} {what}{'s' * (number != 1)}"


def _runs(way: TurnSequence) -> str:
    runs = [(name, len(list(group))) for name, group in itertools.groupby(way.moves)]
    told = [name if count == 1 else f"{count} × {name}" for name, count in runs]
    return ", ".join(told) or "none is needed"
