"""``lowhalf verify``: files of expectations held against the dumps and recordings they name."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from adapters.commands.console.tables import columns
from adapters.commands.console.telling import tell
from adapters.commands.console.until_stopped import run_until_stopped
from adapters.commands.console.worker_processes import ProcessDied, each_done
from adapters.json_forms.junit import Suite, junit_text
from adapters.printable import json_text
from adapters.sessions.verifying import (
    PreparedExpectations,
    load_prepared,
    moments_by_source,
    verdicts,
)
from bridge.verifying.expectation import Verdict
from schemas.errors import FileError, LowhalfError, OutputError
from schemas.existing import is_directory, is_file
from schemas.expect_file import ENDING, load_expectations
from schemas.system_words import system_words

__all__ = ["add_arguments", "run"]

_WRONG = 2


@dataclass(frozen=True, slots=True)
class _Work:
    """The moments of one source, by their numbers in a file of expectations."""

    path: Path
    moments: Sequence[int] = ()


@dataclass(frozen=True, slots=True)
class _Done:
    """What became of it: verdicts, or why the file is wrong, and what sources noted."""

    verdicts: Sequence[Verdict] = ()
    wrong: str = ""
    line: int = 0
    notes: Sequence[str] = ()


@dataclass(slots=True)
class _File:
    path: Path
    verdicts: list[Verdict] = field(default_factory=list)
    wrong: list[_Done] = field(default_factory=list)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "paths",
        type=Path,
        nargs="+",
        metavar="PATH",
        help=f"a file of expectations, or a folder in which all *{ENDING} are looked for",
    )
    parser.add_argument("--all", action="store_true", help="list what is as expected, too")
    parser.add_argument(
        "--junit", type=Path, metavar="FILE", help="also write a report in the form of JUnit"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.epilog = (
        "exit codes: 0 all is as expected; 1 something is not, or a dump cannot be read; 2 a file "
        "of expectations, or a bridge file that it names, is wrong"
    )


def run(arguments: argparse.Namespace) -> int:
    paths = _files(arguments.paths)
    files = {path: _File(path) for path in paths}
    work: list[_Work] = []
    for path in paths:
        try:
            work += [_Work(path, group) for group in moments_by_source(load_expectations(path))]
        except FileError as fault:
            files[path].wrong.append(_Done(wrong=str(fault), line=fault.line))
    for item, done in zip(work, each_done(_verifier, None, work), strict=True):
        if isinstance(done, ProcessDied):
            done = _Done(wrong=f"{item.path}: {done}")
        for note in done.notes:
            tell(note)
        file = files[item.path]
        file.verdicts += done.verdicts
        if done.wrong and done.wrong not in [each.wrong for each in file.wrong]:
            file.wrong.append(done)
    for file in files.values():
        file.verdicts.sort(key=lambda verdict: verdict.line)
        for each in file.wrong:
            tell(each.wrong)
    if arguments.junit is not None:
        _write(arguments.junit, junit_text(map(_suite, files.values())))
    if arguments.json:
        print(json_text(_json(files.values())))
    else:
        for line in _table(files.values(), every=arguments.all):
            print(line)
    if any(file.wrong for file in files.values()):
        return _WRONG
    return 0 if all(each.passed for file in files.values() for each in file.verdicts) else 1


def _files(paths: Iterable[Path]) -> list[Path]:
    """Every file of expectations, once.  Raises LowhalfError where there is none."""
    found: dict[Path, None] = {}
    for path in paths:
        if is_directory(path):
            inside = sorted(each for each in path.rglob(f"*{ENDING}") if is_file(each))
            if not inside:
                raise LowhalfError(f"{path}: there is no *{ENDING} in it; lowhalf expect makes one")
            found.update(dict.fromkeys(inside))
        else:
            found[path] = None
    return list(found)


def _verifier(_: None) -> Callable[[_Work], _Done]:
    """What looks at moments; the file that it has prepared last is kept."""
    kept: list[tuple[Path, PreparedExpectations]] = []

    def look(work: _Work) -> _Done:
        notes: list[str] = []
        try:
            if not kept or kept[0][0] != work.path:
                kept[:] = [(work.path, load_prepared(work.path))]
            looked = verdicts(kept[0][1], work.moments, tell=notes.append)
            return _Done(run_until_stopped(looked), notes=notes)
        except FileError as fault:
            line = fault.line if fault.file == str(work.path) else 0
            return _Done(wrong=str(fault), line=line, notes=notes)
        except LowhalfError as fault:
            return _Done(wrong=f"{work.path}: {fault}", notes=notes)

    return look


def _suite(file: _File) -> Suite:
    return Suite(str(file.path), file.verdicts, [each.wrong for each in file.wrong])


def _json(files: Iterable[_File]) -> dict[str, object]:
    files = list(files)
    rows = [(file, verdict) for file in files for verdict in file.verdicts]
    failures = [
        {
            "file": str(file.path),
            "line": verdict.line,
            "expected": verdict.expected,
            "found": verdict.found,
        }
        for file, verdict in rows
        if not verdict.passed
    ]
    failures += [
        {
            "file": str(file.path),
            "line": each.line,
            "expected": "files that are right",
            "found": each.wrong,
        }
        for file in files
        for each in file.wrong
    ]
    passed = sum(verdict.passed for _, verdict in rows)
    return {"passed": passed, "failed": len(failures), "failures": failures}


def _table(files: Iterable[_File], *, every: bool) -> Iterator[str]:
    files = list(files)
    rows = []
    for file in files:
        for verdict in file.verdicts:
            if every or not verdict.passed:
                place = f"{file.path}:{verdict.line}"
                how = "as expected" if verdict.passed else f"found {verdict.found}"
                rows.append([place, verdict.path[0], verdict.expected, how])
    yield from columns(rows)
    verdicts = [verdict for file in files for verdict in file.verdicts]
    passed = sum(verdict.passed for verdict in verdicts)
    wrong = sum(bool(file.wrong) for file in files)
    words = f"{passed} as expected, {len(verdicts) - passed} not"
    if wrong:
        words += f"; {wrong} file{'s are' if wrong > 1 else ' is'} wrong"
    yield words


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, "utf-8", newline="\n")
    except OSError as fault:
        reason = (system_words(fault) or str(fault)).lower()
        raise OutputError(f"{path} cannot be written: {reason}") from fault
