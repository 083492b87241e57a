"""``lowhalf pack``: a set-up as one file, with nothing in it of the machine it comes from."""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from adapters.commands.console.bridge_argument import names_pack
from adapters.commands.console.tables import columns
from adapters.packs.gathering import Beside, Gathered, gather
from adapters.packs.writing import write_pack
from adapters.printable import json_text, printable
from adapters.sessions.bridge_file import load_bridge
from schemas.errors import PackError
from schemas.existing import exists

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("bridge", type=Path, metavar="BRIDGE.toml", help="the bridge file")
    parser.add_argument("pack", type=Path, metavar="NAME.zip", help="the file to write")
    parser.add_argument(
        "--title", default="", help="what the set-up is called; else as the file is"
    )
    for option, metavar, words in (
        ("--moves", "FILE", "files of moves that go along; those of the schema do anyway"),
        ("--expect", "FILE", "files of expectations; of them what is of the clips that go along"),
        ("--notes", "FILE.md", "notes in Markdown"),
        ("--picture", "FILE", "pictures: PNG, JPEG, WebP or GIF, without what is told beside them"),
    ):
        parser.add_argument(option, type=Path, nargs="+", default=[], metavar=metavar, help=words)
    parser.add_argument(
        "--clip",
        nargs="+",
        default=[],
        metavar="CLIP",
        help="recordings: an attempt's number, whose clip lies beside the bridge file, or a file",
    )
    parser.add_argument("--force", action="store_true", help="replace a file that is there")
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def run(arguments: argparse.Namespace) -> int:
    path: Path = arguments.pack
    if not names_pack(path):
        raise PackError(
            "expected a name that ends with .zip, by which packs are known", pack=str(path)
        )
    if exists(path) and not arguments.force:
        raise PackError("is there already; --force replaces it", pack=str(path))
    bridge = load_bridge(arguments.bridge)
    beside = Beside(
        arguments.moves, arguments.expect, arguments.notes, arguments.picture, arguments.clip
    )
    with tempfile.TemporaryDirectory(prefix="lowhalf-pack-", ignore_cleanup_errors=True) as place:
        gathered = gather(bridge, printable(arguments.title), beside, Path(place))
        write_pack(path, gathered, replaces=arguments.force)
    if arguments.json:
        print(json_text(_as_json(path, gathered)))
        return 0
    for line in columns([["file", "kind", "bytes"], *_rows(gathered)]):
        print(line)
    for words in gathered.left_out:
        print(printable(f"left out: {words}"))
    print(printable(f"{len(gathered.manifest.members)} files in {path}"))
    return 0


def _rows(gathered: Gathered) -> list[list[str]]:
    return [[member.path, member.kind, str(member.size)] for member in gathered.manifest.members]


def _as_json(path: Path, gathered: Gathered) -> dict[str, object]:
    manifest = gathered.manifest
    return {
        "pack": str(path),
        "title": manifest.title,
        "game": manifest.game,
        "builds": list(manifest.builds),
        "members": [member.model_dump() for member in manifest.members],
        "left_out": gathered.left_out,
    }
