"""A TOML text without some of its tables and without comments; the rest stays as it is written.

A text that is made anew from what it says would lose how it says it: addresses that are written in
hexadecimal, watches of one line.  So parts are cut out of the text by its syntax tree, and what is
left is read again and held against what it should say.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from schemas.seen_letters import toml_string
from schemas.toml_lines import Key, key_parts, keyed_nodes, syntax_tree

if TYPE_CHECKING:
    from tree_sitter import Node

__all__ = ["CutToml", "cut"]

_TABLES = ("table", "table_array_element")
_BLANK = re.compile(r"\n{3,}")


@dataclass(frozen=True, slots=True)
class CutToml:
    """What is left of a text: the keys before its first table, and its tables."""

    keys: str
    tables: str

    @property
    def text(self) -> str:
        """All of it."""
        return _joined(self.keys, self.tables)

    def with_further(self, other: CutToml) -> str:
        """The text that says both: no top-level key may be in both."""
        return _joined(_joined(self.keys, other.keys, gap="\n"), self.tables, other.tables)


def cut(
    text: str,
    keep: Callable[[str], bool] = lambda key: True,
    replaced: Mapping[tuple[Key, ...], str] | None = None,
    dropped: Collection[tuple[str, int]] = (),
) -> CutToml:
    """*text* without comments and without the top-level keys that *keep* is not true of.

    *replaced* has texts that stand in place of those at some keys, and *dropped* are elements of
    top-level arrays of tables that go; their numbers, and those in keys, are those of *text*.
    Raises ValueError where the text is no TOML, or is written such that it cannot be cut.
    """
    wanted, told = dict(replaced or {}), tomllib.loads(text)
    for path, value in wanted.items():
        _set(told, path, value)
    expected = {
        key: [each for number, each in enumerate(value) if (key, number) not in dropped]
        if isinstance(value, list)
        else value
        for key, value in told.items()
        if keep(key)
    }
    root, data = syntax_tree(text), text.encode()
    if root.has_error:
        raise ValueError("it is written in a way that cannot be taken apart")
    edits = sorted(_edits(root, keep, wanted, dropped))
    tables = [node.start_byte for node in root.named_children if node.type in _TABLES]
    middle = min(tables, default=len(data))
    keys, rest = _edited(data, edits, 0, middle), _edited(data, edits, middle, len(data))
    made = CutToml(_tidied(keys), _tidied(rest))
    if _as_text(tomllib.loads(made.text)) != _as_text(expected):
        raise ValueError("it is written in a way that cannot be taken apart")
    return made


def _edits(
    root: Node,
    keep: Callable[[str], bool],
    replaced: Mapping[tuple[Key, ...], str],
    dropped: Collection[tuple[str, int]],
) -> Iterator[tuple[int, int, str]]:
    """First byte, the one behind the last, and what stands there instead; none overlap."""
    gone: list[tuple[int, int]] = []
    numbers: dict[str, int] = {}
    for child in root.named_children:
        if child.type == "comment":
            continue
        first, *below = key_parts(child.named_children[0])
        if child.type == "table_array_element" and not below:
            numbers[first] = numbers.get(first, -1) + 1
        if not keep(first) or (first, numbers.get(first, -1)) in dropped:
            gone.append((child.start_byte, child.end_byte))
            yield child.start_byte, child.end_byte, ""

    def stays(node: Node) -> bool:
        return not any(first <= node.start_byte < end for first, end in gone)

    for comment in filter(stays, _comments(root)):
        yield comment.start_byte, comment.end_byte, ""
    for path, node in keyed_nodes(root):
        if path in replaced and stays(node):
            value = node.named_children[1] if node.type == "pair" else node
            yield value.start_byte, value.end_byte, toml_string(replaced[path])


def _comments(root: Node) -> Iterator[Node]:
    pending = [root]
    while pending:
        node = pending.pop()
        if node.type == "comment":
            yield node
        pending += node.children


def _edited(data: bytes, edits: list[tuple[int, int, str]], first: int, end: int) -> str:
    parts: list[bytes] = []
    at = first
    for begin, behind, text in edits:
        if first <= begin < end:
            before = data[at:begin]
            # of a line that held nothing else no blanks stay
            parts += [before if text else before.rstrip(b" \t"), text.encode()]
            at = behind
    return b"".join([*parts, data[at:end]]).decode()


def _tidied(text: str) -> str:
    """Without the gaps that were left; lines inside of a text are none of ours."""
    if '"""' not in text and "'''" not in text:
        text = _BLANK.sub("\n\n", text)
    return text.strip("\n") + "\n" if text.strip() else ""


def _joined(*parts: str, gap: str = "\n\n") -> str:
    there = [part.rstrip("\n") for part in parts if part]
    return gap.join(there) + "\n" if there else ""


def _as_text(table: Any) -> str:
    """For comparing: a number that is none differs from itself."""
    return json.dumps(table, sort_keys=True, default=repr)


def _set(table: Any, path: tuple[Key, ...], value: str) -> None:
    for part in path[:-1]:
        table = table[part]
    if not isinstance(table[path[-1]], str):
        raise ValueError(f"{'.'.join(map(str, path))}: expected a text")
    table[path[-1]] = value
