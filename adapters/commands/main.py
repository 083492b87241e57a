"""The ``lowhalf`` command.

Exit codes: 0 done; 1 a value is not there, or an expectation failed; 2 a file or an argument is
wrong; 3 the source could not be opened or was lost; 4 what it prints could not be written; 130
ended by Ctrl-C, and for another signal 128 and its number.

Little is imported before :func:`main` has begun, since Ctrl-C may come then as well.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import argparse

__all__ = [
    "COMMANDS",
    "INTERRUPTED",
    "SOURCE_LOST",
    "UNWRITTEN",
    "WRONG",
    "command",
    "main",
    "told",
]

WRONG, SOURCE_LOST, UNWRITTEN = 2, 3, 4
INTERRUPTED = 130
COMMANDS = {
    "demo": "play a bundled recording of the demo game and serve the pages",
    "open": "do what suits a file: run, attach, read or play it; without one, the demo",
    "attach": "find a running emulator's RAM and write a starting bridge file",
    "run": "the daemon: read, evaluate and publish until stopped",
    "record": "keep every frame's memory and readings in a file, to look at again",
    "read": "read one frame and print it",
    "by-hand": "ask for what the watches need, of a console whose memory you read off its screen",
    "query": "show what watches were in every frame of recordings, as CSV, JSON or Parquet",
    "explain": "show how a value comes about: every address and pointer, step by step",
    "layout": "keep the heap's shape in a file, or compare the present heap with one",
    "where": "tell which symbol and field is at an address, and in which half of it",
    "solve": "find the values, the moves, the sum or the change that a set-up needs",
    "heap": "show the blocks of the game's heap, as a table and as a strip",
    "events": "tell what became of the heap's blocks, live or in recordings",
    "check": "load a bridge file, print each watch's type and addresses; try actions on a dump",
    "attempts": "what all attempts gave: totals, rates of the steps, times, kept values",
    "tally": "how often each value was seen at the moments that a tally names",
    "expect": "write a first file of expectations from what dumps and recordings give",
    "verify": "hold files of expectations against the dumps and recordings they name",
    "compare": "tell what differs between two dumps or frames, or where two recordings part",
    "plan": "find the cheapest actions that bring the heap to where it is wanted",
    "learn": "find out from recordings how blocks are handed out and what actions do",
    "sheet": "write the set-up down for a person who reads memory by hand, to print",
    "pack": "put a set-up into one file to share: schema, watches, steps and what belongs to them",
    "unpack": "write the files of a pack into a folder",
    "overlay-boot": "write a local page that waits for the daemon and then shows the overlay",
    "sources": "list every kind of source with its settings",
    "json-schema": "print the JSON Schema of a file, or of what --json prints",
    "docs": "open the manual of this version, without a network",
}


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; gives the exit code."""
    try:
        return _with_streams(arguments)
    except KeyboardInterrupt:
        return INTERRUPTED


def _with_streams(arguments: Sequence[str] | None) -> int:
    import sys

    from adapters.commands.console.standard_streams import StandardStreams
    from adapters.commands.console.telling import tell

    with StandardStreams() as streams:
        code = 0
        try:
            try:
                code = command(sys.argv[1:] if arguments is None else arguments)
            finally:
                streams.flush()
        except (OSError, SystemExit):
            # a library may turn a failed write into an exit of its own
            if streams.failure is None:
                raise
        if streams.failure is None or code >= WRONG:
            return code
        if streams.complaint:
            tell(streams.complaint)
        return UNWRITTEN


def command(arguments: Sequence[str]) -> int:
    """Run a command with the streams as they are; gives the exit code."""

    def run() -> int:
        chosen = _chosen(arguments)
        code: int = chosen.run(chosen)
        return code

    return told(run)


def told(work: Callable[[], int]) -> int:
    """The exit code of *work*; an error that it raises is told."""
    from adapters.commands.console.stopped import Stopped
    from adapters.commands.console.telling import tell
    from schemas.errors import LowhalfError, SourceError, StreamFailed

    try:
        return work()
    except Stopped as stopped:
        return stopped.exit_code
    except LowhalfError as fault:
        tell(fault)
        if isinstance(fault, StreamFailed):
            return UNWRITTEN
        return SOURCE_LOST if isinstance(fault, SourceError) else WRONG


def _opened(words: list[str]) -> list[str]:
    """The words with ``open``, where the program was started with files and no command.

    So the desktop starts what files are dropped on; and by a double click, with nothing at all.
    """
    first = words[0] if words else ""
    if first in COMMANDS or first.startswith("-"):
        return words
    if words:
        from pathlib import Path

        from schemas.existing import exists

        given = "/" in first or "\\" in first or exists(Path(first))
        return ["open", *words] if given else words
    from adapters.commands.console.own_console import has_own_console

    return ["open"] if has_own_console() else words


def _chosen(arguments: Sequence[str]) -> argparse.Namespace:
    """The command's own arguments, with ``run``.  Raises SystemExit where they are wrong."""
    import argparse
    import importlib

    words = _opened(list(arguments))
    # argparse would give what follows the dashes to the wrong parser
    after_dashes: list[str] = []
    if "--" in words:
        place = words.index("--")
        words, after_dashes = words[:place], words[place + 1 :]
    parser = argparse.ArgumentParser(
        prog="lowhalf",
        description="a read-only bridge from a console game's RAM to named, derived values",
        epilog="exit codes: 0 done; 1 a value is not there, or not as expected; "
        "2 a file or an argument is wrong; 3 the source could not be opened or was lost; "
        "4 what it prints could not be written; 130 ended by Ctrl-C",
    )
    commands = parser.add_subparsers(dest="command_name", required=True, metavar="COMMAND")
    # the others would be made, and their modules loaded, for nothing
    only = [name for name in COMMANDS if words[:1] == [name]]
    for name in only or COMMANDS:
        command = commands.add_parser(name, help=COMMANDS[name], description=COMMANDS[name])
        if only:
            module = importlib.import_module(f"adapters.commands.{name.replace('-', '_')}")
            module.add_arguments(command)
            command.set_defaults(run=module.run)
    chosen = parser.parse_args(words)
    if after_dashes and chosen.command_name not in ("run", "record"):
        parser.error(f"{chosen.command_name} takes no command after --")
    chosen.after_dashes = after_dashes
    return chosen
