"""``lowhalf sheet``: the set-up on paper, for a person who reads memory by hand."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from adapters.commands.console.bridge_argument import add_bridge_argument, given_bridge
from adapters.functions import installed_functions
from adapters.printable import json_text, printable
from adapters.sheets.html import html_of
from adapters.sheets.markdown import markdown_of
from adapters.sheets.written import write_sheet
from bridge.prepared import PreparedBuild, prepare
from bridge.sheet.sheet import sheet_of
from bridge.sheet.telling import document_of
from schemas.errors import LowhalfError
from schemas.loader import Bridge
from schemas.toml_file import nearest

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_bridge_argument(parser, source=False)
    parser.add_argument(
        "--build",
        action="append",
        metavar="BUILD",
        help="tell of this build, and of no other that is not named likewise; else of all",
    )
    form = parser.add_mutually_exclusive_group()
    form.add_argument(
        "--html", type=Path, metavar="FILE", help="write a page that needs nothing else, to print"
    )
    form.add_argument("--markdown", type=Path, metavar="FILE", help="write it as Markdown")
    form.add_argument("--json", action="store_true", help="print all of it as one JSON object")
    parser.add_argument("--force", action="store_true", help="replace a file that is there")
    parser.epilog = (
        "no source is opened: the sheet is made of the bridge file and its schema alone, and the "
        "same files give the same sheet. Without a form, Markdown is printed"
    )


def run(arguments: argparse.Namespace) -> int:
    path: Path | None = arguments.html or arguments.markdown
    bridge = given_bridge(arguments)
    sheet = sheet_of(bridge, _prepared(bridge, arguments.build), _version())
    if arguments.json:
        print(json_text(sheet.as_json()))
        return 0
    document = document_of(sheet)
    text = html_of(document) if arguments.html is not None else markdown_of(document)
    if path is None:
        print(text, end="")
        return 0
    write_sheet(path, text, force=arguments.force)
    print(f"the sheet is in {printable(str(path))}")
    return 0


def _prepared(bridge: Bridge, builds: Sequence[str] | None) -> dict[str, PreparedBuild]:
    """The builds that are asked for, in the order of the schema."""
    known = bridge.schema.builds
    for name in builds or ():
        if name not in known:
            raise LowhalfError(f"the schema has no build {name}{nearest(name, known)}")
    ready = prepare(bridge, installed_functions())
    if not builds:
        return ready
    left_out = [name for name in builds if name not in ready]
    if left_out:
        raise LowhalfError(f"the bridge file is for {bridge.file.build} alone, not {left_out[0]}")
    return {name: prepared for name, prepared in ready.items() if name in builds}


def _version() -> str:
    try:
        return version("lowhalf")
    except PackageNotFoundError:
        return "of unknown version"
