"""``--dump`` and what goes with it: which dumps a command reads, and each of them in turn."""

from __future__ import annotations

import argparse
import gc
from collections.abc import Callable, Sequence
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import Any

from adapters.commands.console.telling import pass_on, tell
from adapters.printable import json_text
from schemas.errors import LowhalfError, SourceError
from schemas.existing import is_directory, is_file
from schemas.source_settings import DumpFormatName

__all__ = [
    "FORMATS",
    "NO_DUMPS",
    "UNUSABLE",
    "Make",
    "add_dump_arguments",
    "add_format_argument",
    "each_dump",
    "given_dumps",
    "one_dump",
    "print_json",
]

FORMATS: tuple[DumpFormatName, ...] = ("auto", "raw", "elf", "ihex", "srec")

NO_DUMPS = frozenset(
    [".toml", ".sqlite", ".md", ".txt", ".rst", ".json", ".xml", ".csv", ".html", ".log", ".py"]
)
"""How names end of files in a folder that are passed over: settings, reports and notes."""

Make = Callable[[argparse.Namespace], Callable[[Path | None], int]]
"""From a command's arguments, what it does with one dump, or without one; that gives a code."""

_TIDIED = 8
"""Dumps of which memory may be held at a time."""
UNUSABLE = 3
"""The exit code where no dump could be opened, as of any source."""


def add_dump_arguments(parser: argparse.ArgumentParser, *, many: bool) -> None:
    """``--dump``, ``--format`` and ``--frame`` of a command that reads one frame of a source."""
    if many:
        parser.add_argument(
            "--dump",
            type=Path,
            action="extend",
            nargs="+",
            metavar="FILE",
            help="read these dumps and recordings instead; of a folder, all in it",
        )
    else:
        parser.add_argument(
            "--dump",
            type=Path,
            action="append",
            metavar="FILE",
            help="read this dump or recording instead",
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
    dumps = given_dumps(arguments)
    if len(dumps) > 1:
        raise LowhalfError(f"expected one --dump, found {len(dumps)}: ask for each by itself")
    return dumps[0] if dumps else None


def each_dump(arguments: argparse.Namespace, make: Make, *, apart: bool = True) -> int:
    """Do what *make* makes for each dump, or once for the bridge file's source; the exit code.

    Of several, one that cannot be read is told of, the others are read, and the code is 1; it is 3
    where none can be read.  Many are read by further processes, which make their own; so *make*
    stands in a module under its own name, or *apart* is false.
    """
    dumps = given_dumps(arguments)
    if len(dumps) < 2:
        return make(arguments)(dumps[0] if dumps else None)
    from adapters.commands.console.worker_processes import ProcessDied, each_done, worth_it

    if not apart or not worth_it(len(dumps)):
        return _here(dumps, make(arguments))
    code, failed = 0, 0
    make(arguments)  # what is wrong with a file or an expression is found here, and once
    alone = argparse.Namespace(**{**vars(arguments), "dump": None, "found_dumps": ()})
    for dump, done in zip(dumps, each_done(_Apart, (make, alone), dumps), strict=True):
        if isinstance(done, ProcessDied):
            tell(f"{dump}: {done}")
            failed += 1
            continue
        print(done.printed, end="")
        pass_on(done.told)
        if done.wrong:
            raise LowhalfError(done.wrong)
        code, failed = max(code, done.code), failed + done.unread
    return _code(code, failed, len(dumps))


def _here(dumps: Sequence[Path], one: Callable[[Path | None], int]) -> int:
    code, failed = 0, 0
    for number, dump in enumerate(dumps):
        if number % _TIDIED == _TIDIED - 1:
            gc.collect()  # whole images hang in circles
        try:
            code = max(code, one(dump))
        except SourceError as fault:
            tell(fault)
            failed += 1
    return _code(code, failed, len(dumps))


def _code(code: int, failed: int, count: int) -> int:
    if failed == count:
        return UNUSABLE
    return max(code, 1) if failed else code


@dataclass(frozen=True, slots=True)
class _Done:
    """What another process printed of a dump and told of it.

    ``wrong`` is why it ended, which ends all; ``unread`` whether the dump could not be read.
    """

    code: int
    printed: str
    told: str
    unread: bool
    wrong: str


class _Apart:
    """A command in another process, where it prints into a text."""

    def __init__(self, made_of: tuple[Make, argparse.Namespace]) -> None:
        make, arguments = made_of
        self._one = make(arguments)

    def __call__(self, dump: Path) -> _Done:
        code, unread, wrong = 0, False, ""
        with redirect_stdout(StringIO()) as printed, redirect_stderr(StringIO()) as told:
            try:
                code = self._one(dump)
            except SourceError as fault:
                tell(fault)
                unread = True
            except LowhalfError as fault:
                wrong = str(fault)
        return _Done(code, printed.getvalue(), told.getvalue(), unread, wrong)


def print_json(arguments: argparse.Namespace, dump: Path | None, answer: Any, name: str) -> None:
    """An answer as one line of JSON.

    Of several dumps each line is an object that names its dump beside what the answer holds; an
    answer that is no object stands in it as *name*.
    """
    if arguments.several:
        held = answer if isinstance(answer, dict) else {name: answer}
        answer = {"dump": str(dump), **held}
    print(json_text(answer))


def given_dumps(arguments: argparse.Namespace) -> Sequence[Path]:
    """All that ``--dump`` names, with the files in folders.

    Raises LowhalfError for a ``--format`` of nothing, and for a folder without a dump.
    """
    if "found_dumps" not in arguments:
        named: list[Path] = arguments.dump or []
        if arguments.format is not None and not named:
            raise LowhalfError(
                "--format says how --dump is read: give --dump, or format in [source]"
            )
        arguments.found_dumps = [dump for each in named for dump in _dumps_of(each)]
        arguments.several = len(arguments.found_dumps) > 1
    found: Sequence[Path] = arguments.found_dumps
    return found


def _dumps_of(path: Path) -> list[Path]:
    """The files of a folder that may be dumps, sorted by name; else the path itself."""
    if not is_directory(path):
        return [path]
    inside = sorted(
        each
        for each in path.iterdir()
        if not each.name.startswith(".") and each.suffix not in NO_DUMPS and is_file(each)
    )
    if not inside:
        raise LowhalfError(f"{path}: there is no dump or recording in this folder")
    return inside
