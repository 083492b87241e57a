"""``lowhalf where``: which symbol and field is at a guest address, and in which half of it."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from adapters.commands.console import numbers
from adapters.commands.console.bridge_argument import given_bridge
from adapters.commands.console.dump_arguments import each_dump, print_json
from adapters.commands.console.one_frame import take_frame
from adapters.commands.console.tables import add_reading_arguments, columns
from adapters.commands.console.telling import tell
from adapters.functions import installed_functions
from adapters.sessions.one_frame import lacking, with_dump
from bridge.memory.address_map import MemoryMap
from bridge.paths.address_lookup import LookedUpBlock, block_of, named_spots, where_question
from bridge.paths.address_names import Spot, symbol_spots
from bridge.prepared import memory_map, prepare
from schemas.errors import LowhalfError, SourceError
from schemas.loader import Bridge
from schemas.toml_file import nearest

__all__ = ["MAX_NAMES", "add_arguments", "run"]

MAX_NAMES = 8
"""Names of one byte that a line tells."""


@dataclass(frozen=True, slots=True)
class _Answer:
    build: str
    spots: Sequence[Spot]
    """The most specific first."""
    block: LookedUpBlock | None
    complete: bool = True
    """Whether all had come that the answer depends on."""

    @property
    def spot(self) -> Spot | None:
        return self.spots[0] if self.spots else None

    def as_json(self) -> dict[str, object]:
        spot = self.spot
        paths = [s.path if s.named else f"{s.path} + 0x{s.offset:X}" for s in self.spots]
        return {
            "path": paths[0] if paths else None,
            "paths": paths,
            "type": spot and spot.type,
            "half": spot and spot.half,
            "build": self.build,
            "block": self.block and self.block.as_json(),
        }

    def words(self) -> str:
        names = [spot.words() for spot in self.spots[:MAX_NAMES]]
        if len(self.spots) > MAX_NAMES:
            names.append(f"{len(self.spots) - MAX_NAMES} more")
        told = ", ".join(names) or "nothing that is known"
        return told if self.block is None else f"{told}; {self.block.words()}"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_reading_arguments(parser, many=True)
    parser.add_argument("address", type=numbers.address, metavar="ADDRESS", help="guest address")
    parser.add_argument("--build", metavar="BUILD", help="in this build, whichever is running")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.epilog = (
        "symbols are told without a source where the build is named; what lies behind pointers, "
        "and the heap's block, need a frame. where no frame can be read, symbols are told for "
        "every build, and with --json for the first that has one there"
    )


def run(arguments: argparse.Namespace) -> int:
    return each_dump(arguments, _teller)


def _teller(arguments: argparse.Namespace) -> Callable[[Path | None], int]:
    bridge = given_bridge(arguments)
    memory, address = memory_map(bridge.schema), arguments.address
    if memory.flat(address) is None:
        raise LowhalfError(f"0x{address:08X} is outside every region: {_regions(memory)}")
    named = arguments.build
    if named is not None:
        if named not in bridge.schema.builds:
            raise LowhalfError(
                f"the schema has no build {named}{nearest(named, bridge.schema.builds)}"
            )
        file = bridge.file.model_copy(update={"build": named})
        bridge = Bridge(file, bridge.text, bridge.schema)
    by_symbols = [
        _at_symbols(bridge, name, memory, address)
        for name in prepare(bridge, installed_functions())
    ]
    several = arguments.several

    def tell_of(dump: Path | None) -> int:
        answers = by_symbols
        # of several dumps each is looked at, since it may be of another build
        if several or not (len(answers) == 1 and answers[0].spot and answers[0].spot.named):
            asked = with_dump(bridge, dump, arguments.format)
            try:
                answers = [_in_a_frame(asked, memory, address, arguments)]
            except SourceError as fault:
                if several:
                    raise
                tell(f"only symbols are known, not what pointers lead to: {fault}")
        if arguments.json:
            first = next((answer for answer in answers if answer.spot is not None), answers[0])
            print_json(arguments, dump, first.as_json(), "where")
        else:
            begin = [str(dump)] if several else []
            rows = [
                [*begin, f"0x{address:08X}", answer.build, answer.words(), _of(answer)]
                for answer in answers
            ]
            for line in columns(rows):
                print(line)
        return 0 if all(answer.complete for answer in answers) else 1

    return tell_of


def _of(answer: _Answer) -> str:
    """Type and address of what was named; once of names that have both in common."""
    named = [spot for spot in answer.spots[:MAX_NAMES] if spot.named]
    places = dict.fromkeys(f"{spot.type} at 0x{spot.start:08X}" for spot in named)
    return f"({', '.join(places)})" if places else ""


def _at_symbols(bridge: Bridge, build: str, memory: MemoryMap, address: int) -> _Answer:
    return _Answer(build, symbol_spots(bridge.schema.builds[build], memory, address), None)


def _in_a_frame(
    bridge: Bridge, memory: MemoryMap, address: int, arguments: argparse.Namespace
) -> _Answer:
    watches = {watch.name: watch.expr for watch in bridge.file.watches}
    asked = {
        name: where_question(prepared, watches, address)
        for name, prepared in prepare(bridge, installed_functions()).items()
    }
    asking = {name: question.prepared for name, question in asked.items()}
    frame = take_frame(bridge, asking, arguments.wait, arguments.frame)
    question = asked[frame.build]
    answers = question.answers(frame.readings)
    block = block_of(answers)
    layout = bridge.schema.builds[frame.build]
    spots = named_spots(layout, memory, address, question.led(answers), block)
    return _Answer(frame.build, spots, block, complete=not lacking(frame))


def _regions(memory: MemoryMap) -> str:
    return ", ".join(
        f"{region.name} is 0x{region.start:08X} to 0x{region.end - 1:08X}"
        + "".join(f", also at 0x{mirror:08X}" for mirror in region.mirrors)
        for region in memory.regions
    )
