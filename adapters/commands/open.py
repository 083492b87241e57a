"""``lowhalf open``: does what suits the files that it is given, or that are dropped on lowhalf."""

from __future__ import annotations

import argparse
from pathlib import Path

from adapters.commands.console.own_console import wait_in_own_console
from adapters.commands.main import command, told
from adapters.commands.opening.deciding import PLAY, what_to_do
from adapters.commands.opening.given import look

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "files",
        type=Path,
        nargs="*",
        metavar="FILE",
        help="a bridge file is run, a schema attached and run, a dump read with the bridge file "
        "beside it or before it, a recording played; without any, the demo is",
    )
    parser.epilog = "lowhalf FILE is the same, so that files can be dropped on the program"


def run(arguments: argparse.Namespace) -> int:
    code = told(lambda: _done(arguments.files))
    wait_in_own_console()
    return code


def _done(files: list[Path]) -> int:
    code = 0
    for words in what_to_do([look(path) for path in files]):
        code = _play(Path(words[1])) if words[0] == PLAY else command(words)
        if code:
            break
    return code


def _play(recording: Path) -> int:
    from adapters.commands.opening.playing import play  # the daemon, which reading needs not

    return play(recording)
