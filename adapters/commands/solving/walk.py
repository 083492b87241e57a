"""``lowhalf solve walk``: the cheapest moves after which a coordinate has the wanted bits.

Each step is made in binary32, as the game makes it; that there is no such walk is proved.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from adapters.commands.console import numbers
from adapters.commands.console.until_stopped import StopSignals
from adapters.commands.solving.live import add_live_arguments
from adapters.commands.solving.walk_shown import print_walks, walks_as_json
from adapters.commands.solving.walk_start import number_pattern, start_of
from adapters.printable import json_text
from adapters.sessions.bridge_file import load_bridge
from adapters.system_clock import system_clock
from bridge.solvers.halves import value_of
from bridge.solvers.walks.answer import Verdict, find_walks
from bridge.solvers.walks.search import Bounds, WalkSearch
from bridge.solvers.walks.tables import lasting_names
from bridge.solvers.walks.wanted import Wanted
from bridge.values.value_type import shortest_single
from schemas.errors import LowhalfError
from schemas.loader import Bridge
from schemas.moves_file import load_walks
from schemas.toml_file import nearest
from schemas.walk_table import WalksTable

__all__ = ["MAX_OTHERS", "MAX_STATES", "add_arguments", "run"]

MAX_OTHERS = 50
MAX_STATES = 5_000_000
_CODES = {Verdict.CHEAPEST: 0, Verdict.CUT_SHORT: 4}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--from",
        dest="start",
        metavar="EXPR",
        help="x,y,z, of which each may be bits as 0x41EC2B6D; or with --bridge an expression that "
        "has these fields (position of [walks])",
    )
    parser.add_argument(
        "--facing",
        type=numbers.angle_or_expression,
        metavar="A",
        help="the angle that is faced: units, degrees as 90°, or an expression (facing of [walks])",
    )
    parser.add_argument(
        "--with",
        action="append",
        dest="values",
        metavar="NAME=VALUE",
        help="a variable of [walks]; may be repeated",
    )
    parser.add_argument("--axis", default="x", metavar="NAME", help="the coordinate (x)")
    parser.add_argument("--want-low", type=numbers.half, metavar="W", help="its low half")
    parser.add_argument("--want-high", type=numbers.half, metavar="W", help="its high half")
    parser.add_argument(
        "--want-between",
        type=numbers.exact,
        nargs=2,
        metavar=("A", "B"),
        help="from A to B, both included",
    )
    parser.add_argument("--want-exact", metavar="V", help="the f32 that is nearest to V")
    parser.add_argument("--want-bits", metavar="BITS", help="all its bits, as 0x41EC2B6D")
    parser.add_argument(
        "--moves",
        type=Path,
        metavar="FILE.toml",
        help="a schema file, or a file of [walks] alone; else those of --bridge's schema",
    )
    parser.add_argument(
        "--within-moves", type=numbers.count, metavar="N", help="at most N moves; else any count"
    )
    parser.add_argument(
        "--within-frames", type=numbers.count, metavar="N", help="at most N frames; else any count"
    )
    parser.add_argument(
        "--others",
        type=numbers.count,
        default=3,
        metavar="N",
        help=f"how many of the next best walks, at most {MAX_OTHERS} (3)",
    )
    parser.add_argument(
        "--seconds", type=float, default=10.0, metavar="S", help="search for at most S seconds (10)"
    )
    parser.add_argument(
        "--states",
        type=_states,
        default=MAX_STATES,
        metavar="N",
        help=f"keep at most N states, some 100 bytes each ({MAX_STATES})",
    )
    add_live_arguments(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.epilog = (
        "several --want are all wanted. A move that is held for N frames counts as N moves. exit "
        "codes: 0 no walk is cheaper, and that is proved; 1 there is none, or none within the "
        "bounds, and that is proved; 4 cut short by time, memory or Ctrl-C: nothing is proved"
    )


def run(arguments: argparse.Namespace) -> int:
    wanted, words = _wanted(arguments)
    if not arguments.seconds > 0:
        raise LowhalfError("--seconds must be above 0")
    bridge = None if arguments.bridge is None else load_bridge(arguments.bridge)
    table = _table(arguments, bridge)
    names, axis = lasting_names(table), arguments.axis
    if axis not in names:
        raise LowhalfError(f"no move uses or changes {axis}{nearest(axis, names)}")
    start = start_of(arguments, table, bridge)
    bounds = Bounds(arguments.within_moves, arguments.within_frames, arguments.states)
    clock = system_clock()
    end = clock.now() + arguments.seconds
    with StopSignals() as signals:

        def go_on(search: WalkSearch) -> bool:
            return not signals.number and clock.now() < end

        answer = find_walks(
            start.walks,
            start.position,
            axis,
            wanted,
            bounds,
            min(arguments.others, MAX_OTHERS),
            go_on,
        )
    if arguments.json:
        print(json_text(walks_as_json(answer, start, axis)))
    else:
        print_walks(answer, start, axis, words)
    return _CODES.get(answer.verdict, 1)


def _table(arguments: argparse.Namespace, bridge: Bridge | None) -> WalksTable:
    if arguments.moves is not None:
        return load_walks(arguments.moves)
    if bridge is None:
        raise LowhalfError("give --moves FILE.toml, or --bridge for those of its schema")
    if bridge.schema.file.walks is None:
        raise LowhalfError(f"{bridge.schema.path} has no [walks]; give --moves FILE.toml")
    return bridge.schema.file.walks


def _wanted(arguments: argparse.Namespace) -> tuple[Wanted, str]:
    """What is wanted, and the same in words."""
    words = []
    pattern: int | None = None
    if arguments.want_bits is not None:
        pattern = number_pattern(arguments.want_bits)
        words.append(f"0x{pattern:08X}")
    lowest = highest = None
    if arguments.want_between is not None:
        lowest, highest = arguments.want_between
        if lowest > highest:
            raise LowhalfError("--want-between: the first is above the second")
        words.append(f"{float(lowest):g} to {float(highest):g}")
    if arguments.want_exact is not None:
        if lowest is not None:
            raise LowhalfError("--want-exact and --want-between do not go together")
        value = value_of(number_pattern(arguments.want_exact))
        lowest = highest = value
        words.append(shortest_single(value))
    for half, name in ((arguments.want_low, "low"), (arguments.want_high, "high")):
        if half is not None:
            words.append(f"{name} half 0x{half:04X}")
    if not words:
        raise LowhalfError("give what is wanted: --want-low, --want-between, --want-exact, …")
    wanted = Wanted(arguments.want_low, arguments.want_high, lowest, highest, pattern)
    return wanted, " and ".join(words)


def _states(text: str) -> int:
    number = numbers.whole(text)
    if not 1 <= number <= 100_000_000:
        raise argparse.ArgumentTypeError(f"expected 1 to 100000000, found {text}")
    return number
