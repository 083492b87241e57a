"""``--dump`` and what goes with it: which dumps a command reads, and each of them in turn."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import Any

from adapters.commands.console.telling import tell
from adapters.printable import json_text
from schemas.errors import LowhalfError, SourceError
from schemas.source_settings import DumpFormatName

__all__ = [
    "FORMATS",
    "UNUSABLE",
    "add_dump_arguments",
    "add_format_argument",
    "each_dump",
    "given_dumps",
    "one_dump",
    "print_json",
]

FORMATS: tuple[DumpFormatName, ...] = ("auto", "raw", "elf", "ihex", "srec")

UNUSABLE = 3
"""The exit code where no dump could be opened, as of any source."""


def add_dump_arguments(parser: argparse.ArgumentParser, *, many: bool) -> None:
    """``--dump``, ``--format`` and ``--frame`` of a command that reads one frame of a source."""
    more = "; may be repeated" if many else ""
    parser.add_argument(
        "--dump",
        type=Path,
        action="append",
        metavar="FILE",
        help=f"read this dump or recording instead{more}",
    )
    add_format_argument(parser)
    parser.add_argument(
        "--frame",
        type=int,
        metavar="N",
        help="of a recording, the frame that the game counts as N (the first)",
    )


def add_format_argument(parser: argparse.ArgumentParser) -> None:
    """``--format``: how ``--dump`` is read."""
    parser.add_argument(
        "--format",
        choices=FORMATS,
        help="what the dump is once unpacked, as format in [source]; auto looks at it",
    )


def one_dump(arguments: argparse.Namespace) -> Path | None:
    """The dump of a command that reads one.  Raises LowhalfError where several are given."""
    dumps: list[Path] = given_dumps(arguments)
    if len(dumps) > 1:
        raise LowhalfError(f"expected one --dump, found {len(dumps)}: ask for each by itself")
    return dumps[0] if dumps else None


def each_dump(arguments: argparse.Namespace, one: Callable[[Path | None], int]) -> int:
    """Do *one* for each dump, or once with None for the bridge file's source; the exit code.

    Of several, one that cannot be read is told of, the others are read, and the code is 1; it is 3
    where none can be read.
    """
    dumps = given_dumps(arguments)
    if len(dumps) < 2:
        return one(dumps[0] if dumps else None)
    code, failed = 0, 0
    for dump in dumps:
        try:
            code = max(code, one(dump))
        except SourceError as fault:
            tell(fault)
            failed += 1
    if failed == len(dumps):
        return UNUSABLE
    return max(code, 1) if failed else code


def print_json(arguments: argparse.Namespace, dump: Path | None, answer: Any, name: str) -> None:
    """An answer as one line of JSON.

    Of several dumps each line is an object that names its dump beside what the answer holds; an
    answer that is no object stands in it as *name*.
    """
    if len(given_dumps(arguments)) > 1:
        held = answer if isinstance(answer, dict) else {name: answer}
        answer = {"dump": str(dump), **held}
    print(json_text(answer))


def given_dumps(arguments: argparse.Namespace) -> list[Path]:
    """All that ``--dump`` names.  Raises LowhalfError for a ``--format`` of nothing."""
    dumps: list[Path] = arguments.dump or []
    if arguments.format is not None and not dumps:
        raise LowhalfError("--format says how --dump is read: give --dump, or format in [source]")
    return dumps
