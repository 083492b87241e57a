"""``lowhalf tally``: how often each value was seen at the moments that a watch's tally names."""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from adapters.commands.console.dump_arguments import add_format_argument, given_dumps
from adapters.commands.console.tables import columns
from adapters.commands.console.telling import tell
from adapters.commands.console.until_stopped import run_until_stopped
from adapters.commands.console.worker_processes import ProcessDied, each_done, worth_it
from adapters.functions import installed_functions
from adapters.json_forms.tallies import tallies_json, with_unseen
from adapters.printable import json_text, printable
from adapters.sessions.bridge_file import load_bridge
from adapters.sessions.tally_count import (
    FileCount,
    all_counted,
    count_file,
    counted,
    require_tallies,
)
from bridge.prepared import prepare
from schemas.errors import SourceUnusable
from schemas.source_settings import DumpFormatName

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("bridge", type=Path, metavar="BRIDGE.toml", help="the bridge file")
    parser.add_argument(
        "--dump",
        type=Path,
        action="extend",
        nargs="+",
        metavar="FILE",
        help="count in these recordings and dumps, of a folder in all in it; a dump is one moment, "
        "where when is true in it",
    )
    add_format_argument(parser)
    parser.add_argument("--json", action="store_true", help="print all as one JSON object")


def run(arguments: argparse.Namespace) -> int:
    bridge = load_bridge(arguments.bridge)
    ready = prepare(bridge, installed_functions())
    dumps = given_dumps(arguments)
    if not worth_it(len(dumps)):
        found = run_until_stopped(counted(bridge, ready, dumps, arguments.format, tell=tell))
    else:
        require_tallies(bridge, ready)
        found = all_counted(_apart(arguments, dumps), tell=tell)
        found = replace(found, counts=with_unseen(found.counts, ready))
    for word in found.words:
        tell(word)
    answer = tallies_json(found.counts, ready)
    if arguments.json:
        print(json_text(answer))
    else:
        for line in _table(answer["tallies"]):
            print(line)
    return 1 if found.failed else 0


def _apart(arguments: argparse.Namespace, dumps: Sequence[Path]) -> Iterator[FileCount]:
    """The counts of each file, of which other processes do most."""
    asked = arguments.bridge, arguments.format
    for dump, done in zip(dumps, each_done(_counter, asked, dumps), strict=True):
        if isinstance(done, ProcessDied):
            fault = SourceUnusable(str(done), source=str(dump))
            yield FileCount(Counter(), Counter(), {}, [str(fault)], False, fault)
            continue
        file, notes = done
        for note in notes:
            tell(note)
        yield file


def _counter(
    asked: tuple[Path, DumpFormatName | None],
) -> Callable[[Path], tuple[FileCount, list[str]]]:
    """What counts in one file, and gives what its source notes beside it."""
    bridge = load_bridge(asked[0])
    ready = prepare(bridge, installed_functions())

    def count(path: Path) -> tuple[FileCount, list[str]]:
        notes: list[str] = []
        work = count_file(bridge, ready, path, asked[1], tell=notes.append)
        return run_until_stopped(work), notes

    return count


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
