"""``lowhalf check``: loads everything, opens nothing; with a dump, tries actions on its heap."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from adapters.commands.console.bridge_argument import add_bridge_argument, given_bridge, names_pack
from adapters.commands.console.dump_arguments import add_dump_arguments, one_dump
from adapters.commands.console.tables import columns
from adapters.functions import installed_functions
from adapters.printable import json_text, printable
from bridge.evaluation.evaluator import Evaluator
from bridge.paths.address_form import address_form
from bridge.planning.described import described
from bridge.prepared import PreparedBuild, memory_map, prepare
from schemas.errors import LowhalfError
from schemas.loader import Bridge

if TYPE_CHECKING:  # most checks are of bridge files
    from adapters.commands.packing.checked import CheckedPack

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_bridge_argument(parser)
    add_dump_arguments(parser, many=False)
    parser.add_argument(
        "--heap", default="", metavar="NAME", help="try actions on this one of [heaps]; else [heap]"
    )
    parser.add_argument("--json", action="store_true", help="print all of it as one JSON object")


def run(arguments: argparse.Namespace) -> int:
    dump = one_dump(arguments)
    if dump is None and arguments.frame is not None:
        raise LowhalfError("--frame is for recordings: give one with --dump")
    bridge = given_bridge(arguments)
    ready = prepare(bridge, installed_functions())
    rows = _rows(bridge, ready)
    # the expressions of [state] and of allocators are checked here, on every build
    for prepared in ready.values():
        for heap in prepared.layout.allocators:
            described(prepared, heap)
        if prepared.layout.walks is not None:
            from adapters.commands.solving.walk_checks import check_walks_of

            check_walks_of(prepared)
    first = next(iter(ready.values())).layout
    count = len(first.actions) if first.allocators else 0
    tried = None if dump is None else _tried(bridge, ready, dump, arguments)
    pack = _pack(bridge, arguments.bridge)
    code = 1 if pack is not None and pack.failed else 0
    if arguments.json:
        told = _as_json(rows, list(ready), count, tried)
        print(json_text(told if pack is None else {**told, "pack": pack.as_json()}))
        return code
    if pack is not None:
        for line in pack.lines():
            print(line)
        print()
    schema = bridge.schema
    words = f"{bridge.path.name}: schema {schema.path.name}, game {schema.file.game.name}"
    print(printable(words))
    for line in columns(rows):
        print(line)
    actions = f" and {count} actions" if count else ""
    print(f"{len(rows) - 1} watches{actions} on {len(ready)} builds: all right")
    if tried is not None:
        print()
        tried.show()
    return code


def _pack(bridge: Bridge, path: Path) -> CheckedPack | None:
    """What else a pack holds; None of a bridge file."""
    if not names_pack(path):
        return None
    from adapters.commands.packing.checked import checked_pack
    from adapters.packs.reading import open_pack

    return checked_pack(open_pack(path), bridge)


def _rows(bridge: Bridge, ready: Mapping[str, PreparedBuild]) -> list[list[str]]:
    """The watches as a table: name, type, and where each build has it."""
    memory = memory_map(bridge.schema)
    found: dict[str, list[int | None]] = {
        name: Evaluator(prepared.program, prepared.layout, memory, whole=False).fixed_addresses
        for name, prepared in ready.items()
    }
    first = next(iter(ready.values()))
    rows = [["watch", "type", *ready]]
    for watch in first.watches:
        row = [watch.name, watch.type.name]
        for name, prepared in ready.items():
            slot = prepared.program.watches[watch.name]
            address = found[name][slot]
            form = address_form(prepared.program.slots[slot].address_node)
            row.append(form if address is None else f"0x{address:08X}")
        rows.append(row)
    return rows


def _tried(
    bridge: Bridge, ready: Mapping[str, PreparedBuild], dump: Path, arguments: argparse.Namespace
) -> Any:
    # what only this needs takes its time to load
    from adapters.commands.console.one_frame import take_frame
    from adapters.commands.planning.simulated import simulated
    from adapters.sessions.one_frame import with_dump
    from bridge.planning.described import planning_build

    heap = arguments.heap
    planning = {name: planning_build(prepared, heap) for name, prepared in ready.items()}
    asked = with_dump(bridge, dump, arguments.format)
    frame = take_frame(asked, planning, wait=10.0, number=arguments.frame)
    return simulated(frame, described(ready[frame.build], heap))


def _as_json(rows: list[list[str]], builds: list[str], actions: int, tried: Any) -> dict[str, Any]:
    return {
        "watches": [
            {"watch": name, "type": kind, "addresses": dict(zip(builds, at, strict=True))}
            for name, kind, *at in rows[1:]
        ],
        "actions": actions,
        "simulated": None if tried is None else tried.as_json(),
    }
