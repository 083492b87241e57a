"""``lowhalf tally``: how often each value was seen at the moments that a watch's tally names."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from adapters.commands.console.dump_arguments import add_format_argument, given_dumps
from adapters.commands.console.telling import tell
from adapters.commands.read import columns
from adapters.json_forms.tallies import Counted, kept_tallies, tallies_json, with_unseen
from adapters.printable import json_text, printable
from bridge.prepared import PreparedBuild, prepare
from schemas.loader import Bridge, load_bridge
from schemas.source_settings import DumpFormatName, RecordingSource


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
    ready = prepare(bridge)
    dumps = given_dumps(arguments)
    found = counted(bridge, ready, dumps, arguments.format)
    for word in found.words:
        tell(word)
    answer = tallies_json(found.counts, ready)
    if arguments.json:
        print(json_text(answer))
    else:
        for line in _table(answer["tallies"]):
            print(line)
    return 1 if found.failed else 0


def counted(
    bridge: Bridge,
    ready: Mapping[str, PreparedBuild],
    dumps: Sequence[Path] = (),
    dump_format: DumpFormatName | None = None,
) -> Counted:
    """The counts, from files or from what is kept; every tally of the bridge is among them.

    Raises OutputError, SourceError where no file at all can be read, and BridgeFileError where the
    bridge file has no tally.
    """
    source = bridge.file.source
    if not any(prepared.tallies for prepared in ready.values()):
        raise bridge.text.error(
            ("watches",), "there is no tally in the bridge file; write one, as tally(x, when)"
        )
    if not dumps and isinstance(source, RecordingSource):
        # what a recording gives does not depend on how often it was played
        dumps = [bridge.path.parent / source.path]
    if dumps:
        from adapters.sessions.tally_count import replayed

        found = replayed(bridge, ready, dumps, dump_format)
    else:
        found = Counted(kept_tallies(bridge))
    return replace(found, counts=with_unseen(found.counts, ready))


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
