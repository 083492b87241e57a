"""``lowhalf expect``: writes a first file of expectations from what dumps and recordings give."""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable
from pathlib import Path

from adapters.commands.console.dump_arguments import add_dump_arguments, each_dump, given_dumps
from adapters.commands.console.one_frame import take_frame
from adapters.commands.console.telling import tell
from adapters.functions import installed_functions
from adapters.sessions.bridge_file import load_bridge
from adapters.sessions.one_frame import with_dump
from bridge.prepared import prepare
from bridge.verifying.first_draft import DraftedMoment, draft
from schemas.errors import ExpectFileError, LowhalfError
from schemas.existing import exists
from schemas.expect_file import ENDING
from schemas.loader import Bridge
from schemas.seen_letters import toml_string
from schemas.source_settings import RecordingSource
from schemas.system_words import system_words

__all__ = ["add_arguments", "run"]

_WAIT = 10.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("bridge", type=Path, metavar="BRIDGE.toml", help="the bridge file")
    add_dump_arguments(parser, many=True)
    parser.add_argument(
        "--to",
        type=Path,
        metavar="FILE",
        help=f"write here; else beside the bridge file, with its name and {ENDING}",
    )
    parser.add_argument("--force", action="store_true", help="replace a file that is there")
    parser.epilog = (
        "what is written is what is there now, right or wrong: look through it before it is used"
    )


def run(arguments: argparse.Namespace) -> int:
    bridge = load_bridge(arguments.bridge)
    if not given_dumps(arguments):
        raise LowhalfError("expected --dump with the dumps or recordings that are looked at")
    path: Path = arguments.to or bridge.path.with_name(bridge.name + ENDING)
    if exists(path) and not arguments.force:
        raise ExpectFileError("is there already; --force replaces it", file=str(path))
    if not path.name.endswith(ENDING):
        tell(f"{path}: verify and pytest look for names that end with {ENDING}")
    moments: list[DraftedMoment] = []

    def drafter(_: argparse.Namespace) -> Callable[[Path | None], int]:
        return _drafter(arguments, bridge, path.parent, moments)

    code = each_dump(arguments, drafter, apart=False)
    if not moments:
        return code
    text = draft(_relative(bridge.path, path.parent), moments)
    try:
        with path.open("w" if arguments.force else "x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except OSError as fault:
        reason = (system_words(fault) or str(fault)).lower()
        raise ExpectFileError(f"cannot be written: {reason}", file=str(path)) from fault
    lines = sum(len(moment.readings) for moment in moments)
    words = f"{_counted(lines, 'expectation')} of {_counted(len(moments), 'moment')}"
    print(f"{words} written to {path}; look through it, then: lowhalf verify {path}")
    return code


def _drafter(
    arguments: argparse.Namespace, bridge: Bridge, directory: Path, moments: list[DraftedMoment]
) -> Callable[[Path | None], int]:
    ready = prepare(bridge, installed_functions())

    def look(dump: Path | None) -> int:
        assert dump is not None
        asked = with_dump(bridge, dump, arguments.format)
        frame = take_frame(asked, ready, _WAIT, arguments.frame)
        named = toml_string(_relative(dump, directory))
        if isinstance(asked.file.source, RecordingSource):
            keys = [f"recording = {named}", f"frame = {frame.number}"]
        else:
            keys = [f"dump = {named}"]
        about = f"build {frame.build}, frame {frame.number}, {frame.source}"
        moments.append(DraftedMoment(keys, about, frame.readings))
        return 0

    return look


def _relative(path: Path, directory: Path) -> str:
    """The path from a folder, with slashes; the whole one where they have nothing in common.

    Raises LowhalfError for a name that TOML cannot hold.
    """
    whole = path.absolute()
    try:
        found = Path(os.path.relpath(whole, directory.absolute())).as_posix()
    except ValueError:  # on another drive
        found = whole.as_posix()
    if not found.isascii() and found.encode("utf-8", "replace").decode() != found:
        raise LowhalfError(
            f"{path}: this name is not UTF-8, so no TOML file can hold it: rename it"
        )
    return found


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'s' * (count != 1)}"
