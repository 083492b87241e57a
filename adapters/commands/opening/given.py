"""What a file is that somebody drops on lowhalf: by its contents, and for TOML by its tables."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from adapters.dumps.decoding import format_of
from adapters.packs.reading import is_pack
from adapters.sessions.one_frame import is_recording
from schemas.errors import LowhalfError
from schemas.system_words import system_words
from schemas.windows_paths import openable

__all__ = ["Given", "Kind", "look"]

_HEAD = 4096
_SQLITE = b"SQLite format 3\0"
"""SQLite's own description of its files, 1.3."""


class Kind(Enum):
    """What can be done with a file."""

    BRIDGE = "a bridge file"
    SCHEMA = "a schema"
    RECORDING = "a recording"
    DUMP = "a dump"
    PACK = "a pack"
    OTHER = "none of these"


@dataclass(frozen=True, slots=True)
class Given:
    """A file with its full path.

    ``why`` says of an OTHER what it is; ``beside`` are the bridge files in its folder.
    """

    path: Path
    kind: Kind
    why: str = ""
    beside: tuple[Path, ...] = ()


def look(path: Path) -> Given:
    """Raises LowhalfError where there is nothing that can be read."""
    path = path.absolute()
    try:
        file = openable(path)
        if file.is_dir():
            why = 'is a folder; a bridge file with kind = "folder" reads each dump that lands there'
            return Given(path, Kind.OTHER, why)
        with file.open("rb") as stream:
            head = stream.read(_HEAD)
    except OSError as fault:
        raise LowhalfError(f"{path} cannot be read: {system_words(fault).lower()}") from fault
    except ValueError as fault:  # no name of a file
        raise LowhalfError(f"{path} cannot be read: {fault}") from fault
    if path.suffix.lower() == ".toml":
        return _toml(path)
    if is_pack(path):
        return Given(path, Kind.PACK)
    if why := _stranger(path, head):
        return Given(path, Kind.OTHER, why)
    kind = Kind.RECORDING if is_recording(path) else Kind.DUMP
    return Given(path, kind, beside=_bridges(path.parent))


def _toml(path: Path) -> Given:
    """By its tables; one that is damaged goes by its name to whoever tells of the line."""
    try:
        tables = tomllib.loads(openable(path).read_text("utf-8-sig"))
    except (OSError, ValueError, RecursionError):
        named = path.name.lower().endswith(".schema.toml")
        return _schema(path) if named else Given(path, Kind.BRIDGE)
    if tables.keys() & {"source", "watches"}:
        return Given(path, Kind.BRIDGE)
    if tables.keys() & {"memory", "builds", "symbols"}:
        return _schema(path)
    if "made_for" in tables:
        return Given(path, Kind.OTHER, "is a plan; lowhalf plan show draws it")
    return Given(path, Kind.OTHER, "has neither [source], as a bridge file, nor [memory]")


def _schema(path: Path) -> Given:
    return Given(path, Kind.SCHEMA, beside=_bridges(path.parent))


def _stranger(path: Path, head: bytes) -> str:
    """What a file is that holds no memory; "" where it may."""
    if not head:
        return "is empty"
    if path.suffix.lower() == ".exe":
        return "is a program; start it, and open the schema of the game that runs in it"
    if head.startswith(_SQLITE):
        return "holds attempts; lowhalf attempts BRIDGE.toml shows them"
    if format_of(head) == "raw" and _is_text(head):
        return "is a text"
    return ""


def _is_text(head: bytes) -> bool:
    try:
        text = head.decode("utf-8")
    except UnicodeDecodeError as fault:
        if fault.end < len(head) or len(head) < _HEAD:
            return False  # not a letter that the head cuts in two
        text = head[: fault.start].decode("utf-8")
    return all(letter.isprintable() or letter in "\t\r\n\f" for letter in text)


def _bridges(folder: Path) -> tuple[Path, ...]:
    try:
        return tuple(sorted(folder.glob("*.bridge.toml")))
    except OSError:
        return ()
