"""``lowhalf explain``: the hexadecimal sum, step by step."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator, Sequence

from adapters.commands.one_frame import take_frame, with_dump
from adapters.commands.read import add_reading_arguments, columns, title
from adapters.outputs.step_words import step_rows
from bridge.explain import explain, working
from bridge.plan import plans
from schemas.loader import load_bridge

LONGEST_LABEL = 48
"""Characters of a label that stands beside what it labels."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_reading_arguments(parser)
    parser.add_argument("watch", metavar="WATCH-OR-EXPR", help="a watch's name, or an expression")
    parser.add_argument("--json", action="store_true", help="print the steps as a JSON array")


def run(arguments: argparse.Namespace) -> int:
    bridge = with_dump(load_bridge(arguments.bridge), arguments.dump)
    watches = {watch.name: watch.expr for watch in bridge.file.watches}
    explained = {
        name: explain(plan, watches, arguments.watch) for name, plan in plans(bridge).items()
    }
    frame = take_frame(
        bridge, {name: plan for name, (plan, _) in explained.items()}, arguments.wait
    )
    lines = list(working(explained[frame.build][1], frame.readings))
    if arguments.json:
        answer = [
            {"kind": step.kind, "label": step.label, "type": step.type, "offset": step.offset}
            | {key: value for key, value in reading.as_json().items() if key != "watch"}
            for step, reading in lines
        ]
        json.dump(answer, sys.stdout, ensure_ascii=False)
        print()
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
    return 0 if frame.readings[-1].status.has_value else 1


def _beside_long_labels(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    """Aligned lines; a label that is long, as a list's is, has a line of its own above."""
    short = [row if len(row[0]) <= LONGEST_LABEL else ["", *row[1:]] for row in rows]
    for row, line in zip(rows, columns(short), strict=True):
        if len(row[0]) > LONGEST_LABEL:
            yield row[0]
        yield line
