"""``lowhalf read``: one frame, evaluated once, printed."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from pathlib import Path

from adapters.commands.console.dump_arguments import each_dump, print_json
from adapters.commands.console.expecting import add_expect_argument, met
from adapters.commands.console.one_frame import take_frame
from adapters.commands.console.tables import add_reading_arguments, columns, title
from adapters.functions import installed_functions
from adapters.sessions.one_frame import with_dump
from adapters.words.readings import state_words
from bridge.expressions.compiling import check
from bridge.expressions.functions.function import Function
from bridge.prepared import prepare
from bridge.readings.reading import Reading
from schemas.bridge_file import WatchTable
from schemas.loader import Bridge, load_bridge

ADDED = ""
"""The name under which an expression is checked: one that no expression can use."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_reading_arguments(parser, many=True)
    add_expect_argument(parser)
    parser.add_argument(
        "--watch",
        action="append",
        metavar="EXPR",
        help="read this watch or expression instead of all watches; may be repeated",
    )
    parser.add_argument("--json", action="store_true", help="print the frame as one JSON object")


def run(arguments: argparse.Namespace) -> int:
    bridge, functions = load_bridge(arguments.bridge), installed_functions()
    if arguments.watch:
        bridge = with_watches(bridge, arguments.watch, functions)
    ready = prepare(bridge, functions)
    wanted = set(arguments.watch or [])

    def read(dump: Path | None) -> int:
        asked = with_dump(bridge, dump, arguments.format)
        frame = take_frame(asked, ready, arguments.wait, arguments.frame)
        readings = [r for r in frame.readings if not wanted or r.watch.name in wanted]
        if arguments.json:
            answer = {**frame.as_json(), "readings": [reading.as_json() for reading in readings]}
            print_json(arguments, dump, answer, "frame")
        else:
            print(title(frame))
            for line in columns([_row(reading) for reading in readings]):
                print(line)
        if arguments.expect and not met(frame, readings):
            return 1
        return 0 if all(reading.status.has_value for reading in readings) else 1

    return each_dump(arguments, read)


def with_watches(
    bridge: Bridge, expressions: Sequence[str], functions: Mapping[str, Function]
) -> Bridge:
    """The bridge with further watches, each named by its expression; known names are left out.

    *functions* can be called.  Raises ExpressionError.
    """
    known = {watch.name: watch.expr for watch in bridge.file.watches}
    added = {text: text for text in expressions if text not in known}
    for layout in bridge.schema.builds.values():
        if bridge.file.build in ("auto", layout.name):
            for text in added:
                check(layout, {**known, ADDED: text}, functions=functions)
    tables = [
        WatchTable.model_construct(name=text, label="", expr=text, show="", target=None, group="")
        for text in added
    ]
    file = bridge.file.model_copy(update={"watches": (*bridge.file.watches, *tables)})
    return Bridge(file, bridge.text, bridge.schema)


def _row(reading: Reading) -> list[str]:
    value = reading.text if reading.status.has_value else str(reading.status)
    address = "" if reading.address is None else f"0x{reading.address:08X}"
    return [
        reading.watch.title,
        value,
        state_words(reading) if reading.status.has_value else "",
        address,
        reading.reason,
    ]
