"""``lowhalf check``: loads everything, opens nothing."""

from __future__ import annotations

import argparse
from pathlib import Path

from adapters.commands.read import columns
from adapters.printable import printable
from bridge.evaluator import Evaluator
from bridge.explain import address_form
from bridge.plan import memory_map, plans
from schemas.loader import load_bridge


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("bridge", type=Path, metavar="BRIDGE.toml", help="the bridge file")


def run(arguments: argparse.Namespace) -> int:
    bridge = load_bridge(arguments.bridge)
    ready, memory = plans(bridge), memory_map(bridge.schema)
    found: dict[str, list[int | None]] = {
        name: Evaluator(plan.program, plan.layout, memory, whole=False).fixed_addresses
        for name, plan in ready.items()
    }
    first = next(iter(ready.values()))
    rows = [["watch", "type", *ready]]
    for watch in first.watches:
        row = [watch.name, watch.type.name]
        for name, plan in ready.items():
            slot = plan.program.watches[watch.name]
            address = found[name][slot]
            form = address_form(plan.program.slots[slot].address_node)
            row.append(form if address is None else f"0x{address:08X}")
        rows.append(row)
    schema = bridge.schema
    words = f"{bridge.path.name}: schema {schema.path.name}, game {schema.file.game.name}"
    print(printable(words))
    for line in columns(rows):
        print(line)
    print(f"{len(first.watches)} watches on {len(ready)} builds: all right")
    return 0
