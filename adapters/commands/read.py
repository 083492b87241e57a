"""``lowhalf read``: one frame, evaluated once, printed."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

from adapters.commands.console.bridge_argument import given_bridge
from adapters.commands.console.dump_arguments import each_dump, print_json
from adapters.commands.console.expecting import add_expect_argument, met
from adapters.commands.console.one_frame import take_frame
from adapters.commands.console.tables import add_reading_arguments, columns, title
from adapters.functions import installed_functions
from adapters.printable import printable
from adapters.sessions.added_watches import with_watches
from adapters.sessions.one_frame import with_dump
from adapters.words.readings import state_words
from bridge.prepared import prepare
from bridge.readings.reading import Reading

__all__ = ["add_arguments", "run"]


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
    return each_dump(arguments, _reader)


def _reader(arguments: argparse.Namespace) -> Callable[[Path | None], int]:
    bridge, functions = given_bridge(arguments), installed_functions()
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
            if frame.plan is not None:
                from adapters.words.plan import plan_words

                print(printable(f"plan {frame.plan.name}: {plan_words(frame.plan)}"))
        if arguments.expect and not met(frame, readings):
            return 1
        return 0 if all(reading.status.has_value for reading in readings) else 1

    return read


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
