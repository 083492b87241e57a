"""``lowhalf query``: what watches were in every frame of recordings."""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterable, Sequence
from pathlib import Path

from adapters.commands.console.dump_arguments import UNUSABLE
from adapters.commands.console.telling import tell
from adapters.exports.row_files import Destinations, RowFiles
from adapters.sessions.recorded_query import QuerySettings, RecordedQuery, Seen
from bridge.querying.asked import ColumnAsked
from bridge.querying.query import Numbers
from schemas.errors import LowhalfError, SourceError, SourceUnusable

__all__ = ["add_arguments", "run"]

_NAMED = re.compile(r"\s*(?P<name>[^\W\d]\w*)\s*=(?!=)(?P<expression>.*)", re.DOTALL)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "recordings", type=Path, nargs="+", metavar="REC", help="recordings, or folders of them"
    )
    parser.add_argument(
        "--watch",
        nargs="+",
        action="extend",
        metavar="NAME=EXPR",
        help="show this instead of all watches: a name and an expression, or one of both",
    )
    parser.add_argument(
        "--bridge", type=Path, metavar="BRIDGE.toml", help="in place of the recorded bridge file"
    )
    parser.add_argument(
        "--schema", type=Path, metavar="SCHEMA.toml", help="in place of the bridge file's schema"
    )
    parser.add_argument("--where", metavar="EXPR", help="only frames in which this holds")
    parser.add_argument(
        "--first", metavar="EXPR", help="only the first frame in which this holds; 1 if none does"
    )
    parser.add_argument("--frame", type=int, metavar="N", help="only the frame of this number")
    parser.add_argument(
        "--from", type=int, metavar="F", dest="from_", help="from the frame of this number on"
    )
    parser.add_argument("--to", type=int, metavar="F", help="up to the frame of this number")
    parser.add_argument("--csv", metavar="PATH", help="write CSV; - is standard output")
    parser.add_argument("--json", action="store_true", help="print an object a frame")
    parser.add_argument("--parquet", type=Path, metavar="PATH", help="write Parquet")
    parser.add_argument("--vtt", type=Path, metavar="PATH", help="write captions, as WebVTT")


def run(arguments: argparse.Namespace) -> int:
    files = list(_files(arguments.recordings))
    settings, destinations = _settings(arguments), _destinations(arguments)
    several = len(files) > 1
    if several and destinations.vtt is not None:
        raise LowhalfError(f"--vtt is of one recording, found {len(files)}")
    found = failed = 0
    with RowFiles(destinations, several=several) as out:
        for path in files:
            try:
                found += _one(path, settings, out)
            except SourceError as fault:
                if not several:
                    raise
                tell(fault)
                failed += 1
    if failed == len(files):
        return UNUSABLE
    return 1 if failed or (settings.only_first and not found) else 0


def _one(path: Path, settings: QuerySettings, out: RowFiles) -> int:
    """Write the rows of one recording; gives how many.  Raises SourceError."""
    query = RecordedQuery(path, settings)
    name = query.recording.path.name
    if settings.bridge is None:
        what = "bridge file" if settings.schema is not None else "bridge file and schema"
        tell(f"{name}: read by the {what} that it was recorded with; --bridge names another")
    for note in query.notes:
        tell(f"{name}: {note}")
    if not query.recording.complete:
        tell(f"{name}: was cut off; what is whole of it is used")
    columns = query.shown()
    if out.columns is not None and [c.name for c in columns] != [c.name for c in out.columns]:
        raise SourceUnusable(
            "has other watches than the recordings before: name some with --watch", source=name
        )
    out.begin(str(path), columns, query.first_time)
    found, seen = 0, query.seen
    for rows in query.rows():
        out.rows(rows)
        found += len(rows)
    _say(name, seen)
    if settings.numbers.only and not seen.wanted:
        raise SourceUnusable(
            f"has no frame {settings.numbers.first}: it holds frames {seen.least} to {seen.most}",
            source=f"recording {name}",
        )
    return found


def _say(name: str, seen: Seen) -> None:
    if seen.in_part:
        tell(
            f"{name}: {seen.in_part} of {seen.frames} frames were recorded in part: there only "
            "what was watched is sure to be of the frame"
        )


def _files(given: Iterable[Path]) -> Iterable[Path]:
    for path in given:
        if not path.is_dir():
            yield path
            continue
        inside = sorted(path.glob("*.mcap"))
        if not inside:
            raise LowhalfError(f"{path} has no recording, a file whose name ends in .mcap")
        yield from inside


def _settings(arguments: argparse.Namespace) -> QuerySettings:
    single = arguments.frame is not None
    if single and (arguments.from_ is not None or arguments.to is not None):
        raise LowhalfError("expected --frame, or --from and --to, found both")
    numbers = Numbers(arguments.from_, arguments.to)
    if single:
        numbers = Numbers(arguments.frame, arguments.frame)
    columns = _columns(arguments.watch or [])
    return QuerySettings(
        columns=columns,
        conditions=tuple(text for text in (arguments.where, arguments.first) if text is not None),
        numbers=numbers,
        only_first=single or arguments.first is not None,
        bridge=arguments.bridge,
        schema=arguments.schema,
        statuses=arguments.json,
    )


def _columns(watches: Sequence[str]) -> tuple[ColumnAsked, ...]:
    columns: dict[str, ColumnAsked] = {}
    for text in watches:
        named = _NAMED.fullmatch(text)
        name = named["name"] if named else text
        if name in columns:
            raise LowhalfError(f"two watches are named {name}")
        columns[name] = ColumnAsked(name, named["expression"].strip() if named else text)
    return tuple(columns.values())


def _destinations(arguments: argparse.Namespace) -> Destinations:
    csv: str | None = arguments.csv
    if csv == "-" and arguments.json:
        raise LowhalfError("--json and --csv - both print: give --csv a file")
    if csv is None and not (arguments.json or arguments.parquet or arguments.vtt):
        csv = "-"
    return Destinations(csv, arguments.json, arguments.parquet, arguments.vtt)
