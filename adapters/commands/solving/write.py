"""``lowhalf solve write``: what a 16-bit write through a pointer would change of today's occupants.

Nothing is written: the values after the write are computed.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from adapters.commands.console import numbers
from adapters.commands.console.bridge_argument import given_bridge
from adapters.commands.console.dump_arguments import each_dump, print_json
from adapters.commands.console.one_frame import take_frame
from adapters.commands.console.tables import add_reading_arguments, columns, title
from adapters.commands.console.telling import tell
from adapters.functions import installed_functions
from adapters.printable import printable
from adapters.sessions.one_frame import lacking, with_dump
from bridge.expressions.leaf_types import value_type
from bridge.memory.address_map import MemoryMap
from bridge.paths.address_lookup import (
    AROUND,
    AddressLookup,
    LookedUpBlock,
    Written,
    block_of,
    named_spots,
    owner_spots,
    write_question,
)
from bridge.paths.address_names import Pointer, Spot
from bridge.prepared import memory_map, prepare
from bridge.readings.frame import Frame
from bridge.values.value_type import Value, show_value
from schemas.compiler import BuildLayout
from schemas.errors import LowhalfError
from schemas.layout import Leaf, name_of
from schemas.loader import Bridge

__all__ = ["add_arguments", "run"]


@dataclass(frozen=True, slots=True)
class _Change:
    """A value that the write touches: bytes now and after, None where they are not held."""

    spot: Spot
    before: bytes | None
    after: bytes | None

    def shown(self, data: bytes | None) -> str:
        node = self.spot.node
        if data is None or not isinstance(node, Leaf):
            return "-"
        return printable(show_value(_value(node, data), value_type(node), ""))

    def as_json(self) -> dict[str, object]:
        return {
            "path": self.spot.path,
            "type": self.spot.type,
            "half": self.spot.half,
            "present": _plain(self.spot, self.before),
            "after": _plain(self.spot, self.after),
        }


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_reading_arguments(parser, many=True)
    parser.add_argument(
        "path", metavar="PATH", help="the field that is written, as courier.held.position.x"
    )
    parser.add_argument(
        "--want", type=numbers.half, required=True, metavar="W", help="the half that is written"
    )
    parser.add_argument(
        "--half", choices=("low", "high"), help="which half of the field (low; a 16-bit one whole)"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.epilog = "only tells: nothing is written"


def run(arguments: argparse.Namespace) -> int:
    return each_dump(arguments, _solver)


def _solver(arguments: argparse.Namespace) -> Callable[[Path | None], int]:
    bridge = given_bridge(arguments)
    watches = {watch.name: watch.expr for watch in bridge.file.watches}
    asked = {
        name: write_question(prepared, watches, arguments.path, arguments.half)
        for name, prepared in prepare(bridge, installed_functions()).items()
    }

    def solve(dump: Path | None) -> int:
        return _solve(with_dump(bridge, dump, arguments.format), dump, asked, arguments)

    return solve


def _solve(
    bridge: Bridge,
    dump: Path | None,
    asked: Mapping[str, tuple[AddressLookup, Written]],
    arguments: argparse.Namespace,
) -> int:
    memory = memory_map(bridge.schema)
    asking = {name: question.prepared for name, (question, _) in asked.items()}
    frame = take_frame(bridge, asking, arguments.wait, arguments.frame)
    question, target = asked[frame.build]
    layout = bridge.schema.builds[frame.build]
    answers = question.answers(frame.readings)
    start = answers.get("address")
    if not isinstance(start, int):
        reason = next(r.reason for r in frame.readings if r.watch.name == "address")
        tell(f"{arguments.path} has no address: {reason}")
        return 1
    address = start + target.offset
    if memory.flat(address, 2) is None:
        raise LowhalfError(f"{arguments.path}: 0x{address:08X} is outside every region")
    address = memory.address(memory.flat(address, 2) or 0)
    block = block_of(answers)
    # the pointer that is written through says what was there, not what is
    others = [(p, value) for p, value in question.led(answers) if not _through(p, target)]
    changes = _changes(layout, memory, address, others, block, answers, arguments.want)
    occupied = bool(changes)
    if not occupied:
        own = Spot(
            target.place.text, target.leaf, address - target.offset, target.offset, layout.order
        )
        changes = [_change(own, address, answers, _data(layout, arguments.want))]
    if arguments.json:
        told = {
            "address": address,
            "half": target.half,
            "want": arguments.want,
            "build": frame.build,
            "block": block and block.as_json(),
            "occupied": occupied,
            "changes": [change.as_json() for change in changes],
        }
        print_json(arguments, dump, told, "write")
    else:
        _print(frame, arguments, target, address, block, changes if occupied else [])
        if not occupied:
            print(f"nothing that is known lies there; as {printable(target.place.text)} sees it:")
            print(printable("  ".join(_row(changes[0]))))
    return 1 if lacking(frame) else 0


def _through(pointer: Pointer, target: Written) -> bool:
    """Whether the path that is written goes through this pointer."""
    text = target.place.text
    return text.startswith((f"{pointer.path}.", f"{pointer.path}["))


def _changes(
    layout: BuildLayout,
    memory: MemoryMap,
    address: int,
    led: list[tuple[Pointer, int]],
    block: LookedUpBlock | None,
    answers: Mapping[str, Value],
    want: int,
) -> list[_Change]:
    data = _data(layout, want)
    found: dict[tuple[str, int], _Change] = {}
    for place in (0, 1):
        at = address + place
        spots = owner_spots(layout, memory, block, at)
        if not any(spot.named for spot in spots):
            spots = named_spots(layout, memory, at, led, block)
        for spot in spots:
            if isinstance(spot.node, Leaf):
                found.setdefault((spot.path, spot.start), _change(spot, address, answers, data))
    return list(found.values())


def _data(layout: BuildLayout, want: int) -> bytes:
    return want.to_bytes(2, "big" if layout.order == ">" else "little")


def _change(spot: Spot, address: int, answers: Mapping[str, Value], data: bytes) -> _Change:
    """What writing *data* at *address* makes of the value that begins at the spot's start."""
    assert isinstance(spot.node, Leaf)
    before = _bytes(answers, spot.start - address, spot.node.size)
    if before is None:
        return _Change(spot, None, None)
    changed = bytearray(before)
    for number, value in enumerate(data):
        inside = address + number - spot.start
        if 0 <= inside < len(changed):
            changed[inside] = value
    return _Change(spot, before, bytes(changed))


def _bytes(answers: Mapping[str, Value], first: int, size: int) -> bytes | None:
    """Stored bytes, from *first* bytes behind the write on; None where not all were read."""
    if first not in AROUND or first + size - 1 not in AROUND:
        return None
    values = [answers.get(f"byte {away}") for away in range(first, first + size)]
    numbers_read = [value for value in values if isinstance(value, int)]
    return bytes(numbers_read) if len(numbers_read) == size else None


def _value(leaf: Leaf, data: bytes) -> Value:
    value: Value = leaf.value(leaf.packing.unpack(data)[0])
    return value


def _plain(spot: Spot, data: bytes | None) -> Value | None:
    if data is None or not isinstance(spot.node, Leaf):
        return None
    value = _value(spot.node, data)
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _print(
    frame: Frame,
    arguments: argparse.Namespace,
    target: Written,
    address: int,
    block: LookedUpBlock | None,
    changes: list[_Change],
) -> None:
    print(title(frame))
    what = f"the {target.half} half of {target.place.text}" if target.half else target.place.text
    what = printable(f"{what} ({name_of(target.leaf)})")
    print(f"0x{arguments.want:04X} as {what} would go to 0x{address:08X}")
    if block is not None:
        words = printable(block.words()) + f", 0x{block.offset:X} bytes into it"
        print(f"{words}: nobody's, until it is handed out" if not block.used else words)
    for line in columns([_row(change) for change in changes]):
        print(line)


def _row(change: _Change) -> list[str]:
    before, after = change.shown(change.before), change.shown(change.after)
    return [change.spot.words(), change.spot.type, before, "becomes", after]
