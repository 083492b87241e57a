"""``lowhalf tally``: how often each value was seen at the moments that a watch's tally names."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from adapters.commands.console.dump_arguments import add_format_argument, given_dumps
from adapters.commands.console.tables import columns
from adapters.commands.console.telling import tell
from adapters.commands.console.until_stopped import run_until_stopped
from adapters.functions import installed_functions
from adapters.json_forms.tallies import tallies_json
from adapters.printable import json_text, printable
from adapters.sessions.bridge_file import load_bridge
from adapters.sessions.tally_count import counted
from bridge.prepared import prepare

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("bridge", type=Path, metavar="BRIDGE.toml", help="the bridge file")
    parser.add_argument(
        "--dump",
        type=Path,
        action="extend",
        nargs="+",
        metavar="FILE",
        help="count in these recordings and dumps; a dump is one moment, where when is true in it",
    )
    add_format_argument(parser)
    parser.add_argument("--json", action="store_true", help="print all as one JSON object")


def run(arguments: argparse.Namespace) -> int:
    bridge = load_bridge(arguments.bridge)
    ready = prepare(bridge, installed_functions())
    dumps = given_dumps(arguments)
    found = run_until_stopped(counted(bridge, ready, dumps, arguments.format, tell=tell))
    for word in found.words:
        tell(word)
    answer = tallies_json(found.counts, ready)
    if arguments.json:
        print(json_text(answer))
    else:
        for line in _table(answer["tallies"]):
            print(line)
    return 1 if found.failed else 0


def _table(answer: Sequence[Mapping[str, Any]]) -> list[str]:
    lines: list[str] = []
    for tally in answer:
        moments = tally["moments"]
        words = f"{moments} moment{'s' * (moments != 1)}"
        if tally["in_gaps"]:
            words += f", and {tally['in_gaps']} in frames that were not seen"
        any_in_gaps = tally["in_gaps"] > 0
        lines += [""] * bool(lines)
        lines.append(printable(f"{tally['expression']}  build {tally['build']}  {words}"))
        lines += columns(
            [
                [
                    *(f"  {row['text']}", str(row["count"]), f"{row['share']:.1%}"),
                    *([f"+{row['in_gaps']} not seen" if row["in_gaps"] else ""] * any_in_gaps),
                ]
                for row in tally["values"]
            ]
        )
    return lines
