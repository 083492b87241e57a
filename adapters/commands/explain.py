"""``lowhalf explain``: the hexadecimal sum, step by step."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from adapters.commands.console.bridge_argument import given_bridge
from adapters.commands.console.dump_arguments import each_dump, print_json
from adapters.commands.console.expecting import add_expect_argument, met
from adapters.commands.console.one_frame import take_frame
from adapters.commands.console.tables import add_reading_arguments, columns, title
from adapters.functions import installed_functions
from adapters.printable import printable
from adapters.sessions.one_frame import with_dump
from adapters.words.derivation import step_rows
from bridge.paths.derivation import explain, working
from bridge.prepared import prepare

__all__ = ["MAX_LABEL_LENGTH", "add_arguments", "run"]

MAX_LABEL_LENGTH = 48
"""Characters of a label that stands beside what it labels."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_reading_arguments(parser, many=True)
    add_expect_argument(parser)
    parser.add_argument("watch", metavar="WATCH-OR-EXPR", help="a watch's name, or an expression")
    parser.add_argument("--json", action="store_true", help="print the steps as a JSON array")


def run(arguments: argparse.Namespace) -> int:
    return each_dump(arguments, _explainer)


def _explainer(arguments: argparse.Namespace) -> Callable[[Path | None], int]:
    bridge = given_bridge(arguments)
    watches = {watch.name: watch.expr for watch in bridge.file.watches}
    ready = prepare(bridge, installed_functions())
    explained = {
        name: explain(prepared, watches, arguments.watch) for name, prepared in ready.items()
    }
    asking = {name: prepared for name, (prepared, _) in explained.items()}

    def tell(dump: Path | None) -> int:
        asked = with_dump(bridge, dump, arguments.format)
        frame = take_frame(asked, asking, arguments.wait, arguments.frame)
        lines = list(working(explained[frame.build][1], frame.readings))
        if arguments.json:
            answer = [
                {"kind": step.kind, "label": step.label, "type": step.type, "offset": step.offset}
                | {key: value for key, value in reading.as_json().items() if key != "watch"}
                for step, reading in lines
            ]
            print_json(arguments, dump, answer, "steps")
        else:
            print(title(frame))
            print()
            rows = [
                row
                for (step, reading), (_, base) in zip(lines, [(None, None), *lines], strict=False)
                for row in step_rows(step, base, reading, frame.build)
            ]
            for line in _beside_long_labels(rows):
                print(line)
        last = frame.readings[-1]
        # the last step is the watch, which has its target in the bridge file's own plan
        known = {watch.name: watch for watch in ready[frame.build].watches}
        named = known.get(arguments.watch, replace(last.watch, name=arguments.watch))
        if arguments.expect and not met(frame, [replace(last, watch=named)]):
            return 1
        return 0 if last.status.has_value else 1

    return tell


def _beside_long_labels(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    """Aligned lines; a label that is long, as a list's is, has a line of its own above."""
    short = [row if len(row[0]) <= MAX_LABEL_LENGTH else ["", *row[1:]] for row in rows]
    for row, line in zip(rows, columns(short), strict=True):
        if len(row[0]) > MAX_LABEL_LENGTH:
            yield printable(row[0])
        yield line
