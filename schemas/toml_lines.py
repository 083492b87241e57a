"""On which line of a TOML text a key stands.

The standard library's parser keeps no positions, and they are wanted only for an error's message,
so the text is parsed a second time, with tree-sitter, when there is an error to report.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tree_sitter import Node

__all__ = [
    "Key",
    "key_parts",
    "keyed_nodes",
    "line_of",
    "lines_of",
    "syntax_tree",
    "table_ends",
]

Key = str | int


def line_of(text: str, path: Sequence[Key]) -> int:
    """The line, from 1, of the deepest part of *path* that the text holds; 0 where it holds none.

    Integers in *path* index arrays and arrays of tables.
    """
    best_depth, best_line = 0, 0
    for found, node in keyed_nodes(syntax_tree(text)):
        depth = 0
        while depth < min(len(found), len(path)) and found[depth] == path[depth]:
            depth += 1
        exact = depth == len(path)
        if depth > best_depth and (depth == len(found) or exact):
            best_depth, best_line = depth, node.start_point.row + 1
    return best_line


def lines_of(text: str) -> dict[tuple[Key, ...], int]:
    """The line, from 1, of each key path and each element of the text, where it first stands."""
    found: dict[tuple[Key, ...], int] = {}
    for path, node in keyed_nodes(syntax_tree(text)):
        found.setdefault(path, node.start_point.row + 1)
    return found


def table_ends(text: str) -> dict[tuple[str, ...], int]:
    """The last line, from 1, of each table that has a header of its own: of its last key, or of the
    header where it has none.  Arrays of tables are left out."""
    found: dict[tuple[str, ...], int] = {}
    for child in syntax_tree(text).named_children:
        if child.type != "table":
            continue
        header, *rest = child.named_children
        pairs = [node for node in rest if node.type == "pair"]
        last = pairs[-1] if pairs else header
        found[key_parts(header)] = last.end_point.row + 1
    return found


def syntax_tree(text: str) -> Node:
    """The root of the text's syntax tree; places in it count bytes of UTF-8."""
    import tree_sitter_toml
    from tree_sitter import Language, Parser

    return Parser(Language(tree_sitter_toml.language())).parse(text.encode()).root_node


def keyed_nodes(root: Node) -> Iterator[tuple[tuple[Key, ...], Node]]:
    """Every key path of the document with the node that names it, tables' headers included."""
    counts: dict[tuple[Key, ...], int] = {}
    for child in root.named_children:
        if child.type == "pair":
            yield from _pair((), child)
        elif child.type in ("table", "table_array_element"):
            header = _inside(counts, key_parts(child.named_children[0]))
            if child.type == "table_array_element":
                counts[header] = counts.get(header, -1) + 1
                header = (*header, counts[header])
            yield header, child
            for pair in child.named_children[1:]:
                if pair.type == "pair":
                    yield from _pair(header, pair)


def _inside(counts: dict[tuple[Key, ...], int], parts: tuple[str, ...]) -> tuple[Key, ...]:
    """A header's path with the index of each array of tables that it continues, but for its end."""
    path: tuple[Key, ...] = ()
    for number, part in enumerate(parts):
        path = (*path, part)
        if path in counts and number < len(parts) - 1:
            path = (*path, counts[path])
    return path


def _pair(prefix: tuple[Key, ...], pair: Node) -> Iterator[tuple[tuple[Key, ...], Node]]:
    path = (*prefix, *key_parts(pair.named_children[0]))
    yield path, pair
    yield from _value(path, pair.named_children[1])  # a comment on its line is the last


def _value(path: tuple[Key, ...], value: Node) -> Iterator[tuple[tuple[Key, ...], Node]]:
    if value.type == "inline_table":
        for pair in value.named_children:
            if pair.type == "pair":
                yield from _pair(path, pair)
    elif value.type == "array":
        elements = [child for child in value.named_children if child.type != "comment"]
        for index, element in enumerate(elements):
            yield (*path, index), element
            yield from _value((*path, index), element)


def key_parts(node: Node) -> tuple[str, ...]:
    """The parts of a key, dotted or not, without their quotation marks."""
    parts: list[str] = []
    pending = [node]
    while pending:
        part = pending.pop()
        text = (part.text or b"").decode()
        if part.type == "dotted_key":
            pending += reversed(part.named_children)
        elif part.type == "quoted_key":
            parts += tomllib.loads(f"{text} = 0")
        else:
            parts.append(text)
    return tuple(parts)
