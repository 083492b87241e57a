"""The moves of a file: a schema file's ``[moves]``, or a file that holds nothing else."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path

from schemas.errors import SchemaError
from schemas.schema_file import MovesFile, MoveTable, SchemaFile
from schemas.toml_file import TomlText

__all__ = ["load_moves"]


def load_moves(path: Path) -> Mapping[str, MoveTable]:
    """Name → move, in the file's order.  Raises SchemaError with the line of the first fault."""
    text = TomlText.read(path, SchemaError)
    if _is_schema(text.text):
        return text.model(SchemaFile).moves
    return text.model(MovesFile).moves


def _is_schema(text: str) -> bool:
    try:
        found = tomllib.loads(text)
    except (ValueError, RecursionError):
        # told of in full when it is read as a model
        return False
    return "game" in found or "memory" in found
