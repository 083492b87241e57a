"""``lowhalf check``: loads everything, opens nothing."""

from __future__ import annotations

import argparse
from pathlib import Path

from adapters.commands.console.tables import columns
from adapters.functions import installed_functions
from adapters.printable import printable
from adapters.sessions.bridge_file import load_bridge
from bridge.evaluation.evaluator import Evaluator
from bridge.paths.address_form import address_form
from bridge.prepared import memory_map, prepare

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("bridge", type=Path, metavar="BRIDGE.toml", help="the bridge file")


def run(arguments: argparse.Namespace) -> int:
    bridge = load_bridge(arguments.bridge)
    ready, memory = prepare(bridge, installed_functions()), memory_map(bridge.schema)
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
    schema = bridge.schema
    words = f"{bridge.path.name}: schema {schema.path.name}, game {schema.file.game.name}"
    print(printable(words))
    for line in columns(rows):
        print(line)
    print(f"{len(first.watches)} watches on {len(ready)} builds: all right")
    return 0
