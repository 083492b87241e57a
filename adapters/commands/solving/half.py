"""``lowhalf solve half``: every f32 in an interval with a wanted half, and how far it is to go."""

from __future__ import annotations

import argparse
import itertools
import math
from decimal import Decimal
from fractions import Fraction

from adapters.commands.console import numbers
from adapters.commands.console.tables import columns
from adapters.printable import json_text
from bridge.solvers.halves import (
    Exact,
    HalfSolutions,
    exactly_stored,
    nearest_pattern,
    solutions,
    value_of,
    with_half,
)
from bridge.values.value_type import shortest_single
from schemas.errors import LowhalfError

__all__ = ["LISTED", "LISTED_AS_JSON", "add_arguments", "run"]

LISTED, LISTED_AS_JSON = 16, 1000


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--want", type=numbers.half, required=True, metavar="W", help="the half, 0 to 0xFFFF"
    )
    parser.add_argument("--half", choices=("low", "high"), default="low", help="which half (low)")
    parser.add_argument(
        "--from",
        type=numbers.exact,
        default=-math.inf,
        dest="lowest",
        metavar="A",
        help="from here",
    )
    parser.add_argument(
        "--to", type=numbers.exact, default=math.inf, dest="highest", metavar="B", help="up to here"
    )
    parser.add_argument(
        "--near", type=numbers.exact, metavar="X", help="the nearest ones not below and not above X"
    )
    parser.add_argument(
        "--limit",
        type=numbers.count,
        metavar="N",
        help=f"list at most N, from A on ({LISTED}; with --json {LISTED_AS_JSON})",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.epilog = (
        "bounds are exact, both belong to the interval, and both zeros count. spacing is the gap "
        "around X whether or not it lies in the interval; without X the least gap in the interval"
    )


def run(arguments: argparse.Namespace) -> int:
    want, high = arguments.want, arguments.half == "high"
    lowest, highest, near = arguments.lowest, arguments.highest, arguments.near
    if lowest > highest:
        raise LowhalfError(
            f"--from {_shown(lowest)} is above --to {_shown(highest)}: nothing lies between"
        )
    if near is not None and isinstance(near, float):
        raise LowhalfError("--near must be a finite number")
    found = solutions(want, high=high, lowest=lowest, highest=highest)
    if near is None:
        spacing, below, above = found.narrowest(), None, None
    else:
        spacing = solutions(want, high=high).spacing(near)
        below, above = found.below(near), found.above(near)
    limit = arguments.limit
    if limit is None:
        limit = LISTED_AS_JSON if arguments.json else LISTED
    if arguments.json:
        answer = {
            "count": found.count,
            "spacing": None if spacing is None else float(spacing),
            "below": None if below is None else value_of(below),
            "above": None if above is None else value_of(above),
            "values": list(itertools.islice(found.values(), limit)),
        }
        print(json_text(answer))
        return 0
    print(
        f"{arguments.half} half 0x{want:04X}: {_count(found.count)} from {_shown(lowest)} to "
        f"{_shown(highest)}"
    )
    rows = []
    if near is not None:
        rows += [_nearest("not above", near, below), _nearest("not below", near, above)]
    where = "apart there" if near is not None else "least gap"
    rows.append([where, "-" if spacing is None else f"{float(spacing):g}", "", ""])
    if near is not None:
        rows.append(_written(near, want, high, arguments.half))
    for line in columns(rows):
        print(line)
    _list(found, limit)
    return 0


def _list(found: HalfSolutions, limit: int) -> None:
    if not limit or not found.count:
        return
    print()
    listed = [
        [_value(pattern), f"0x{pattern:08X}"]
        for pattern in itertools.islice(found.patterns(), limit)
    ]
    width = max(len(row[0]) for row in listed)
    for value, pattern in listed:
        print(f"  {value:>{width}}  {pattern}")
    if found.count > limit:
        print(f"  and {_count(found.count - limit)} more")


def _count(number: int) -> str:
    return "1 value" if number == 1 else f"{number:,} values"


def _value(pattern: int) -> str:
    return shortest_single(value_of(pattern))


def _shown(number: Exact) -> str:
    """A bound as short as it can be told."""
    if isinstance(number, Fraction):
        return str(number.numerator) if number.denominator == 1 else str(_about(number))
    return str(number)


def _about(number: Fraction) -> float | Decimal:
    """A number that is to be shown; a decimal where it is further out than any double."""
    try:
        return float(number)
    except OverflowError:
        return Decimal(number.numerator) / number.denominator


def _nearest(words: str, near: Exact, pattern: int | None) -> list[str]:
    if pattern is None:
        return [f"{words} {_shown(near)}", "none in the interval", "", ""]
    way = Fraction(value_of(pattern)) - Fraction(near)
    told = f"{_about(way):+.6g} to go" if way else "there already"
    return [f"{words} {_shown(near)}", _value(pattern), f"0x{pattern:08X}", told]


def _written(near: Exact, want: int, high: bool, half: str) -> list[str]:
    """What the write of the half itself would make of the value."""
    try:
        before = nearest_pattern(near)
    except ValueError:
        return ["a write makes", "nothing: X is no f32", "", ""]
    after = with_half(before, want, high=high)
    value = value_of(after)
    told = shortest_single(value) if math.isfinite(value) else str(value)
    what = "X" if exactly_stored(near) is not None else f"{_value(before)}, the f32 nearest to X,"
    return ["a write makes", told, f"0x{after:08X}", f"of {what} with that {half} half"]
