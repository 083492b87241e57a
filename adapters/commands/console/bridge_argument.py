"""The bridge that a command is about: a bridge file, or a pack, and whose source it has."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from schemas.errors import BridgeFileError

if TYPE_CHECKING:  # commands that print tables of numbers alone know the arguments, too
    from schemas.loader import Bridge

__all__ = ["add_bridge_argument", "given_bridge", "names_pack", "require_source"]


def add_bridge_argument(parser: argparse.ArgumentParser, *, source: bool = True) -> None:
    """Without *source* there is no ``--source``, as where it would not be used."""
    parser.add_argument(
        "bridge", type=Path, metavar="BRIDGE.toml", help="the bridge file, or a pack of one"
    )
    if not source:
        parser.set_defaults(source=None)
        return
    parser.add_argument(
        "--source",
        type=Path,
        metavar="MINE.toml",
        help="take [source] from this file, and [outputs], [sampling] and build where it has them; "
        "what is kept is kept beside it",
    )


def given_bridge(arguments: argparse.Namespace, *, layouts: bool = True) -> Bridge:
    """Without *layouts* those of a bridge file may be missing.  Raises PackError and what loading a
    bridge file raises.
    """
    from adapters.sessions.bridge_file import load_bridge

    path: Path = arguments.bridge
    packed = names_pack(path)
    bridge = _packed(path) if packed else load_bridge(path, layouts=layouts)
    if arguments.source is None:
        return _kept_beside(bridge, path) if packed else bridge
    from adapters.sessions.packed_bridge import with_own_source

    return with_own_source(bridge, arguments.source)


def names_pack(path: Path) -> bool:
    """Whether a path is a pack's by its name."""
    return path.suffix.lower() == ".zip"


def _packed(path: Path) -> Bridge:
    # who reads a bridge file needs none of these
    from adapters.packs.reading import open_pack
    from adapters.sessions.packed_bridge import packed_bridge

    return packed_bridge(open_pack(path))


def _kept_beside(bridge: Bridge, pack: Path) -> Bridge:
    """The same; attempts are beside the pack, as of a bridge file beside that."""
    from dataclasses import replace

    from schemas.toml_file import TomlText

    beside = pack.with_name(bridge.path.name)
    return replace(bridge, text=TomlText(beside, bridge.text.text, BridgeFileError))


def require_source(bridge: Bridge, path: Path) -> None:
    """Raises BridgeFileError where the set-up has none."""
    if bridge.file.source.kind == "none":
        raise BridgeFileError(
            "has no source: give --source with a file whose [source] says where your memory is, as "
            "lowhalf attach writes it",
            file=str(path),
        )
