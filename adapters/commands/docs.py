"""``lowhalf docs``: the manual of this version, from this machine's own disk."""

from __future__ import annotations

import argparse
import webbrowser

from adapters.commands.console.telling import tell
from adapters.manual.pages import front_page
from schemas.errors import OutputError

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--path", action="store_true", help="print where the first page is, and open nothing"
    )


def run(arguments: argparse.Namespace) -> int:
    try:
        page = front_page()
    except OutputError as fault:
        tell(fault)
        return 1
    print(page)
    if arguments.path or webbrowser.open(page.as_uri()):
        return 0
    tell("no browser was found; open the page above in one")
    return 1
