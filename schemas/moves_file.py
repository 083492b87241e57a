"""The moves of a file: a schema file's ``[moves]`` and ``[walks]``, or a file of these alone."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path

from schemas.errors import SchemaError
from schemas.schema_file import MovesFile, MoveTable, SchemaFile
from schemas.toml_file import TomlText
from schemas.walk_checks import check_walks
from schemas.walk_table import WalksTable

__all__ = ["load_moves", "load_walks"]


def load_moves(path: Path) -> Mapping[str, MoveTable]:
    """Name → move, in the file's order.  Raises SchemaError with the line of the first fault."""
    _, file = _load(path)
    return file.moves


def load_walks(path: Path) -> WalksTable:
    """What a file says of walks.  Raises SchemaError, also where it says nothing of them."""
    text, file = _load(path)
    if file.walks is None:
        raise SchemaError("has no [walks]: moves that change a position", file=str(path))
    check_walks(file.walks, text, alone=isinstance(file, MovesFile))
    return file.walks


def _load(path: Path) -> tuple[TomlText, SchemaFile | MovesFile]:
    text = TomlText.read(path, SchemaError)
    if _is_schema(text.text):
        return text, text.model(SchemaFile)
    return text, text.model(MovesFile)


def _is_schema(text: str) -> bool:
    try:
        found = tomllib.loads(text)
    except (ValueError, RecursionError):
        # told of in full when it is read as a model
        return False
    return "game" in found or "memory" in found
