"""``lowhalf unpack``: the files of a pack in a folder; nothing of it is run."""

from __future__ import annotations

import argparse
from pathlib import Path

from adapters.packs.reading import open_pack
from adapters.packs.unpacking import unpack
from adapters.printable import json_text, printable

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("pack", type=Path, metavar="NAME.zip", help="the pack")
    parser.add_argument(
        "directory",
        type=Path,
        nargs="?",
        metavar="DIR",
        help="the folder, new or empty; else one here that is called as the pack is",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def run(arguments: argparse.Namespace) -> int:
    pack = open_pack(arguments.pack)
    directory: Path = arguments.directory or Path(arguments.pack.stem)
    unpack(pack, directory)
    if arguments.json:
        members = [member.path for member in pack.manifest.members]
        bridge = str(directory / pack.manifest.bridge.path)
        print(json_text({"directory": str(directory), "bridge": bridge, "members": members}))
        return 0
    print(printable(f"{pack.manifest.title}: {len(pack.manifest.members)} files in {directory}"))
    bridge = str(directory / pack.manifest.bridge.path)
    print(printable(f"lowhalf run {bridge} --source MINE.toml practises it"))
    return 0
