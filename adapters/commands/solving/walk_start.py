"""Where a walk begins: numbers that were given, and what one frame of the game says of the rest."""

from __future__ import annotations

import argparse
import re
import struct
from collections.abc import Mapping
from dataclasses import dataclass

from adapters.commands.solving.live import read_values
from adapters.functions import installed_functions
from bridge.expressions.compiling import check
from bridge.readings.frame import Frame
from bridge.readings.reading import Reading
from bridge.solvers.halves import exact, nearest_pattern
from bridge.solvers.walks.model import TURN, Position, Walks
from bridge.solvers.walks.tables import lasting_names, uses_facing, walks_of
from schemas.errors import ExpressionError, LowhalfError
from schemas.loader import Bridge
from schemas.toml_file import nearest
from schemas.walk_table import COORDINATES, WalksTable

__all__ = ["WalkStart", "number_pattern", "start_of"]

_BITS = re.compile(r"0[xX][0-9A-Fa-f]{8}")
_NUMBER = re.compile(r"\s*[+\-\N{MINUS SIGN}]?\.?[0-9]")
_MAX_ENTRIES = 4096


@dataclass(frozen=True, slots=True)
class WalkStart:
    """The walks, where somebody stands, and the frame that says so; None where all was given."""

    walks: Walks
    position: Position
    frame: Frame | None


def number_pattern(text: str) -> int:
    """The pattern of a number, the nearest binary32, or of eight digits of bits in 0x form.

    Raises LowhalfError.
    """
    if _BITS.fullmatch(text.strip()):
        pattern = int(text, 16)
    else:
        try:
            pattern = nearest_pattern(exact(text))
        except (ValueError, OverflowError) as fault:
            raise LowhalfError(f'"{text.strip()[:60]}": {fault}') from None
    if pattern & 0x7F80_0000 == 0x7F80_0000:
        raise LowhalfError(f"{text.strip()} is no finite f32")
    return pattern


def start_of(arguments: argparse.Namespace, table: WalksTable, bridge: Bridge | None) -> WalkStart:
    """The start that arguments and the game give.  Raises LowhalfError for what nobody says."""
    names = lasting_names(table)
    given = _given(arguments, table, names)
    asked = _asked(arguments, table, names, given)
    facing: int | None = None
    if not uses_facing(table):
        facing = 0
    elif isinstance(arguments.facing, int):
        facing = arguments.facing
    faced = arguments.facing if isinstance(arguments.facing, str) else table.facing
    if facing is None and faced is None:
        raise LowhalfError("moves use the angle that is faced: give --facing")
    symbol = table.sine.symbol if table.sine is not None and uses_facing(table) else None
    if bridge is None:
        if asked or facing is None or symbol is not None:
            what = next(iter(asked.values()), None) or (faced if facing is None else symbol)
            raise LowhalfError(f"{what} is to be read in the game: give --bridge, or numbers")
        return WalkStart(walks_of(table), Position(given, facing), None)
    entries = [] if symbol is None else _entries(bridge, symbol)
    expressions = [*asked.values(), *([] if facing is not None else [str(faced)]), *entries]
    frame = None
    if expressions:
        frame, readings = read_values(arguments, bridge, list(dict.fromkeys(expressions)))
        found = {reading.watch.name: reading for reading in readings}
        given |= {name: _f32(found[text]) for name, text in asked.items()}
        if facing is None:
            facing = _angle(found[str(faced)])
        made = [_f32(found[text]) for text in entries]
        return WalkStart(_walks(table, made), _ordered(given, names, facing), frame)
    return WalkStart(_walks(table, []), _ordered(given, names, facing or 0), None)


def _walks(table: WalksTable, entries: list[int]) -> Walks:
    try:
        return walks_of(table, entries or None)
    except ValueError as fault:
        raise LowhalfError(str(fault)) from None


def _ordered(given: Mapping[str, int], names: tuple[str, ...], facing: int) -> Position:
    return Position({name: given[name] for name in names}, facing)


def _given(
    arguments: argparse.Namespace, table: WalksTable, names: tuple[str, ...]
) -> dict[str, int]:
    """Patterns that the command line gives."""
    given: dict[str, int] = {}
    for text in arguments.values or ():
        name, sign, value = text.partition("=")
        if not sign or name not in table.variables:
            hint = nearest(name, table.variables) if sign else ", as speed=0.5"
            raise LowhalfError(f"--with {text}: expected a variable of [walks] and its value{hint}")
        given[name] = number_pattern(value)
    start: str | None = arguments.start
    if start is not None and _NUMBER.match(start):
        numbers = start.split(",")
        if len(numbers) != len(COORDINATES):
            raise LowhalfError(f"--from {start}: expected three numbers x,y,z")
        given |= {
            name: number_pattern(number) for name, number in zip(COORDINATES, numbers, strict=True)
        }
    return {name: pattern for name, pattern in given.items() if name in names}


def _asked(
    arguments: argparse.Namespace,
    table: WalksTable,
    names: tuple[str, ...],
    given: Mapping[str, int],
) -> dict[str, str]:
    """Name → the expression that is read for it, of what is not given."""
    position = arguments.start or table.position
    asked: dict[str, str] = {}
    for name in names:
        if name in given:
            continue
        if name in table.variables:
            asked[name] = table.variables[name]
        elif position is None:
            raise LowhalfError("give --from: x,y,z, or with --bridge an expression")
        else:
            asked[name] = f"{position}.{name}"
    return asked


def _f32(reading: Reading) -> int:
    if not reading.watch.type.single or not isinstance(reading.value, float):
        raise LowhalfError(f"{reading.watch.name} is a {reading.watch.type.name}, expected an f32")
    return int.from_bytes(struct.pack(">f", reading.value), "big")


def _angle(reading: Reading) -> int:
    value = reading.value
    if not isinstance(value, int) or not -TURN < value < TURN:
        raise LowhalfError(f"{reading.watch.name} is {reading.text}, expected an angle16")
    return value % TURN


def _entries(bridge: Bridge, symbol: str) -> list[str]:
    """An expression for each entry of a table of sines: the most that are a power of two."""
    functions = installed_functions()
    layouts = [
        layout
        for layout in bridge.schema.builds.values()
        if bridge.file.build in ("auto", layout.name)
    ]
    count = _MAX_ENTRIES
    while True:
        try:
            for layout in layouts:
                check(layout, {"": f"{symbol}[{count - 1}]"}, functions=functions)
        except ExpressionError:
            if count == 4:
                raise
            count //= 2
        else:
            return [f"{symbol}[{number}]" for number in range(count)]
