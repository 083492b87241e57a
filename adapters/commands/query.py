"""``lowhalf query``: what watches were in every frame of recordings."""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from adapters.commands.console.dump_arguments import UNUSABLE
from adapters.commands.console.telling import tell
from adapters.commands.console.worker_processes import FEWEST, ProcessDied, cores, each_done
from adapters.exports.row_files import Destinations, RowFiles
from adapters.sessions.recorded_query import (
    Portion,
    PortionDone,
    PortionWorker,
    QuerySettings,
    RecordedQuery,
    Seen,
    Told,
)
from bridge.querying.asked import ColumnAsked
from bridge.querying.query import Numbers
from schemas.errors import LowhalfError, SourceError, SourceUnusable
from schemas.existing import is_file

__all__ = ["add_arguments", "run"]

_MUCH = 16 << 20
"""Bytes of recordings from which on further processes are worth their start."""
_MANY = 4
"""Portions of one recording from which on they are."""
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
        for path, parts in _parts(files, settings):
            try:
                found += _one(path, parts, settings, out)
            except SourceError as fault:
                if not several:
                    raise
                tell(fault)
                failed += 1
    if failed == len(files):
        return UNUSABLE
    return 1 if failed or (settings.only_first and not found) else 0


_Parts = Iterator[PortionDone | ProcessDied]


def _parts(files: Sequence[Path], settings: QuerySettings) -> Iterator[tuple[Path, _Parts]]:
    """Each recording and what is done of it, part by part: by all cores where that pays."""
    if len(files) == 1:
        yield files[0], _of_one(files[0], settings)
        return
    sizes = sum(path.stat().st_size for path in files if is_file(path))
    if cores() < 2 or (sizes < _MUCH and len(files) < FEWEST):
        for path in files:
            yield path, _of_one(path, settings)
        return
    done = each_done(PortionWorker, settings, [Portion(path) for path in files], cores())
    for path, part in zip(files, done, strict=True):
        yield path, iter([part])


def _of_one(path: Path, settings: QuerySettings) -> _Parts:
    query = RecordedQuery(path, settings)
    told, portions = query.told(), query.portions
    if len(portions) >= _MANY and cores() > 1:
        yield PortionDone([], Seen(), told)
        yield from each_done(PortionWorker, settings, portions, cores())
        return
    yield PortionDone([], Seen(), told)
    for rows in query.rows():
        yield PortionDone([rows], Seen(), told)
    yield PortionDone([], query.seen, told)


def _one(path: Path, parts: _Parts, settings: QuerySettings, out: RowFiles) -> int:
    """Write the rows of one recording; gives how many.  Raises SourceError."""
    found, seen, begun = 0, Seen(), False
    for part in parts:
        if isinstance(part, ProcessDied):
            raise SourceUnusable(str(part), source=path.name)
        if part.told is not None and not begun:
            begun = True
            _begin(path, part.told, out)
        seen.add(part.seen)
        for rows in part.rows:
            out.rows(rows)
            found += len(rows)
            if settings.only_first:
                return found
        if part.fault:
            raise (_Unusable if part.unusable else LowhalfError)(part.fault)
    if seen.in_part:
        tell(
            f"{path.name}: {seen.in_part} of {seen.frames} frames were recorded in part: there "
            "only what was watched is sure to be of the frame"
        )
    if settings.numbers.only and not seen.wanted:
        raise SourceUnusable(
            f"has no frame {settings.numbers.first}: it holds frames {seen.least} to {seen.most}",
            source=f"recording {path.name}",
        )
    return found


class _Unusable(SourceError):
    """What another process says of a recording, which names it already."""

    def __init__(self, words: str) -> None:
        Exception.__init__(self, words)


def _begin(path: Path, told: Told, out: RowFiles) -> None:
    for note in told.notes:
        tell(f"{path.name}: {note}")
    names = [column.name for column in told.columns]
    if out.columns is not None and names != [column.name for column in out.columns]:
        raise SourceUnusable(
            "has other watches than the recordings before: name some with --watch",
            source=path.name,
        )
    out.begin(str(path), told.columns, told.first_time)


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
