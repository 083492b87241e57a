"""The ``lowhalf`` command.

Exit codes: 0 done; 1 a value is not there, or an expectation failed; 2 a file or an argument is
wrong; 3 the source could not be opened or was lost.
"""

from __future__ import annotations

import argparse
import importlib
import io
import sys
from collections.abc import Sequence

from schemas.errors import LowhalfError, SourceError

COMMANDS = {
    "demo": "play a bundled recording of the demo game and serve the pages",
    "attach": "find a running emulator's RAM and write a starting bridge file",
    "run": "the daemon: read, evaluate and publish until stopped",
    "read": "read one frame and print it",
    "explain": "show how a value comes about: every address and pointer, step by step",
    "layout": "keep the heap's shape in a file, or compare the present heap with one",
    "where": "tell which symbol and field is at an address, and in which half of it",
    "solve": "find the values, the moves, the sum or the change that a set-up needs",
    "heap": "show the blocks of the game's heap, as a table and as a strip",
    "check": "load a bridge file, open nothing, print each watch's type and addresses",
    "attempts": "what all attempts gave: totals, rates of the steps, times, kept values",
    "tally": "how often each value was seen at the moments that a tally names",
    "overlay-boot": "write a local page that waits for the daemon and then shows the overlay",
    "sources": "list every kind of source with its settings",
    "json-schema": "print the JSON Schema of the schema file or the bridge file",
}


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; gives the exit code."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        # a guest's text, and a sign such as × that an old code page lacks, must end no command
        sys.stdout.reconfigure(errors="replace")
    words = list(sys.argv[1:] if arguments is None else arguments)
    # argparse would give what follows the dashes to the wrong parser
    after_dashes: list[str] = []
    if "--" in words:
        place = words.index("--")
        words, after_dashes = words[:place], words[place + 1 :]
    parser = argparse.ArgumentParser(
        prog="lowhalf",
        description="a read-only bridge from a console game's RAM to named, derived values",
        epilog="exit codes: 0 done; 1 a value is not there, or not as expected; "
        "2 a file or an argument is wrong; 3 the source could not be opened or was lost",
    )
    commands = parser.add_subparsers(dest="command_name", required=True, metavar="COMMAND")
    for name, summary in COMMANDS.items():
        module = importlib.import_module(f"adapters.commands.{name.replace('-', '_')}")
        command = commands.add_parser(name, help=summary, description=summary)
        module.add_arguments(command)
        command.set_defaults(run=module.run)
    chosen = parser.parse_args(words)
    if after_dashes and chosen.command_name != "run":
        parser.error(f"{chosen.command_name} takes no command after --")
    chosen.after_dashes = after_dashes
    try:
        code: int = chosen.run(chosen)
    except SourceError as fault:
        print(f"lowhalf: {fault}", file=sys.stderr)
        return 3
    except LowhalfError as fault:
        print(f"lowhalf: {fault}", file=sys.stderr)
        return 2
    except BrokenPipeError:
        return 0
    return code
