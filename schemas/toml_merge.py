"""Tables added to a TOML text in which nothing that stands there is changed.

What is not in the text is put behind what belongs to it; what is there already stays as it is, and
where it says something else that is a conflict, which is told.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from schemas.toml_lines import table_ends

__all__ = ["AddedTable", "Merged", "merged"]


@dataclass(frozen=True, slots=True)
class AddedTable:
    """A table: its path, lines that stand above it, and for each key its value and its line."""

    path: tuple[str, ...]
    above: tuple[str, ...]
    keys: tuple[tuple[str, Any, str], ...]


@dataclass(frozen=True, slots=True)
class Merged:
    """The text with what was added to it.

    ``added`` are the paths of tables and keys that are new, ``kept`` those that stood there and say
    the same, ``conflicts`` those that say something else: path, what stands there, what would be
    added.
    """

    text: str
    added: tuple[str, ...]
    kept: tuple[str, ...]
    conflicts: tuple[tuple[str, Any, Any], ...]


def merged(text: str, tables: Sequence[AddedTable]) -> Merged:
    """*text* with *tables*.  Raises ``tomllib.TOMLDecodeError`` where it is not TOML."""
    known = tomllib.loads(text)
    ends = table_ends(text)
    lines = text.splitlines()
    inserted: dict[int, list[str]] = {}
    new: list[str] = []
    added: list[str] = []
    kept: list[str] = []
    conflicts: list[tuple[str, Any, Any]] = []
    for table in tables:
        there = _at(known, table.path)
        path = ".".join(table.path)
        if there is None:
            new += ["", *table.above, f"[{path}]", *(line for _, _, line in table.keys)]
            added.append(path)
            continue
        for name, value, line in table.keys:
            where = f"{path}.{name}"
            found, said = _stands(there, name)
            if found and said == value:
                kept.append(where)
            elif found:
                conflicts.append((where, said, value))
            elif table.path in ends:
                inserted.setdefault(ends[table.path], []).append(line)
                added.append(where)
            else:
                # an inline table has no line of its own to add
                conflicts.append((where, None, value))
    out = list(_with(lines, inserted))
    while new and out and not out[-1].strip():
        out.pop()
    return Merged("\n".join([*out, *new]) + "\n", tuple(added), tuple(kept), tuple(conflicts))


def _with(lines: Sequence[str], inserted: dict[int, list[str]]) -> Iterator[str]:
    for number, line in enumerate(lines, 1):
        yield line
        yield from inserted.get(number, ())


def _at(known: Any, path: Sequence[str]) -> Any:
    for part in path:
        if not isinstance(known, dict) or part not in known:
            return None
        known = known[part]
    return known


def _stands(table: Any, name: str) -> tuple[bool, Any]:
    if not isinstance(table, dict):
        return True, table
    return name in table, table.get(name)
