"""``lowhalf heap``: the map of the heap, as a table and as a strip."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from adapters.commands.console.bridge_argument import given_bridge
from adapters.commands.console.dump_arguments import each_dump, print_json
from adapters.commands.console.heap_strip import strip
from adapters.commands.console.one_frame import take_heap
from adapters.commands.console.standard_streams import styled
from adapters.commands.console.tables import (
    add_heap_argument,
    add_reading_arguments,
    columns,
    title,
)
from adapters.functions import installed_functions
from adapters.printable import printable
from adapters.sessions.one_frame import heap_of, with_dump
from bridge.heap.blocks import Heap
from bridge.prepared import prepare
from bridge.readings.frame import Frame

__all__ = ["add_arguments", "as_json", "run"]

_STYLES = {True: "bold cyan", False: "dim", None: "yellow"}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_reading_arguments(parser, many=True)
    add_heap_argument(parser, "show this heap alone, of several")
    parser.add_argument("--json", action="store_true", help="print the map as one JSON object")


def run(arguments: argparse.Namespace) -> int:
    return each_dump(arguments, _mapper)


def _mapper(arguments: argparse.Namespace) -> Callable[[Path | None], int]:
    bridge = given_bridge(arguments)
    ready = prepare(bridge, installed_functions())

    def show(dump: Path | None) -> int:
        asked = with_dump(bridge, dump, arguments.format)
        frame, heap = take_heap(asked, ready, arguments.wait, arguments.frame)
        heap = heap_of(heap, arguments.heap)
        if arguments.json:
            print_json(arguments, dump, as_json(frame, heap), "heap")
        else:
            _print(frame, heap)
        return 0 if all(each.damaged is None for each in heap.all) else 1

    return show


def as_json(frame: Frame, heap: Heap) -> dict[str, Any]:
    """The object that ``--json`` prints; sizes are in bytes.

    ``heap`` is there where the first heap has a name, and ``others`` where there are more.
    """
    others = [_heap_json(each) for each in heap.others]
    return {
        "frame": frame.number,
        "build": frame.build,
        **_heap_json(heap),
        **({"others": others} if others else {}),
    }


def _heap_json(heap: Heap) -> dict[str, Any]:
    return {
        **({"heap": heap.name} if heap.name else {}),
        "blocks": [
            {
                "index": block.index,
                "start": block.start,
                "size": block.size,
                "used": block.used,
                "owner": block.owner,
                "header": block.header,
                **({} if block.handle is None else {"handle": block.handle}),
            }
            for block in heap.blocks
        ],
        "damaged": heap.damaged,
    }


def _print(frame: Frame, heap: Heap) -> None:
    print(title(frame))
    print()
    for number, each in enumerate(heap.all):
        if number:
            print()
        if heap.others:
            print(f"heap {each.name}:" if each.name else "the heap without a name:")
            print()
        _print_one(each)


def _print_one(heap: Heap) -> None:
    from rich.console import Console
    from rich.text import Text

    blocks = list(heap.blocks)
    if blocks:
        # colours and the width are the terminal's; NO_COLOR and COLUMNS are obeyed
        console = Console(highlight=False, markup=False, emoji=False)
        drawn = strip(blocks, console.width)
        with styled(sys.stdout):
            for row in drawn.rows:
                text = Text.assemble(*((p.text, _STYLES[p.used]) for p in row))
                console.print(text, soft_wrap=True)
        print()
        each = f"{drawn.bytes_per_column:.0f}" if drawn.bytes_per_column >= 10 else "a few"
        print(f"|name### used   |... free   + several blocks   a column is {each} bytes")
        print()
        rows = [["block", "start", "size", "", "owner"]]
        for block in blocks:
            state = "used" if block.used else "free"
            owner = block.owner if block.used else ""
            owner = "used, nothing tells the blocks apart" if block.run else owner
            rows.append(
                [str(block.index), f"0x{block.start:08X}", f"0x{block.size:X}", state, owner]
            )
        for line in columns(rows):
            print(line)
        print()
    print(_summary(heap))


def _summary(heap: Heap) -> str:
    blocks = heap.blocks
    if heap.damaged is not None:
        before = f"the {len(blocks)} before it are shown" if blocks else "no block is known"
        word = "not all there" if heap.awaited else "damaged"
        return f"{word}: {printable(heap.damaged)}; {before}"
    if not blocks:
        return f"no blocks: {printable(heap.empty)}"
    parts = []
    for used in (True, False):
        sizes = [block.size for block in blocks if block.used is used]
        word = "used" if used else "free"
        parts.append(f"{len(sizes)} {word} with 0x{sum(sizes):X} bytes")
    return f"{len(blocks)} blocks: {', '.join(parts)}"
