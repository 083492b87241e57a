"""What is learned, written into a file: a new one, or one of which no line is changed."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from pathlib import Path

from adapters.commands.console.telling import tell
from adapters.file_opening import open_stream
from adapters.printable import printable
from bridge.planning.learning.tables import LearnedTable, tables_text
from schemas.errors import LowhalfError, SchemaError
from schemas.existing import exists
from schemas.system_words import system_words
from schemas.toml_merge import AddedTable, Merged, merged

__all__ = ["added", "write"]


def added(tables: Sequence[LearnedTable]) -> list[AddedTable]:
    """The tables as they are added to a text."""
    return [
        AddedTable(
            table.path,
            tuple(f"# {line}" for line in table.comments),
            tuple(
                (
                    key.name,
                    tomllib.loads(f"value = {key.value}")["value"],
                    f"{key.name} = {key.value}" + (f"  # {key.comment}" if key.comment else ""),
                )
                for key in table.keys
            ),
        )
        for table in tables
    ]


def write(path: Path, tables: Sequence[LearnedTable]) -> bool:
    """Write the tables, and tell what was added and what stands there otherwise.

    Gives whether all that was learned and what stands there agree.  Raises SchemaError where what
    is there is no TOML, and LowhalfError where it cannot be read or written.
    """
    try:
        if not exists(path):
            with path.open("x", encoding="utf-8", newline="\n") as file:
                file.write(tables_text(tables))
            print(f"written to {printable(str(path))}, which is new")
            return True
        with open_stream(path) as stream:
            text = stream.read().decode("utf-8")
        found = merged(text, added(tables))
        if found.added:
            with path.open("w", encoding="utf-8", newline="") as file:
                file.write(found.text)
    except OSError as fault:
        reason = (system_words(fault) or str(fault)).lower()
        raise LowhalfError(f"{path}: cannot be written: {reason}") from fault
    except tomllib.TOMLDecodeError as fault:
        raise SchemaError(f"is not TOML: {fault}", file=str(path)) from fault
    except ValueError as fault:
        raise LowhalfError(f"{path}: cannot be written: {fault}") from fault
    _tell(path, found)
    return not found.conflicts


def _tell(path: Path, found: Merged) -> None:
    name = printable(str(path))
    if found.added:
        print(f"added to {name}: {printable(', '.join(found.added))}")
    else:
        print(f"nothing was added to {name}")
    for where, stands, learned in found.conflicts:
        if stands is None:
            tell(f"{path}: {where} is in an inline table, to which nothing is added: {learned}")
        else:
            tell(f"{path}: {where} stays as it stands, {stands}; what was seen says {learned}")
