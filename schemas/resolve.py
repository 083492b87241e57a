"""From a type and a path within it to offset and leaf, by a walk over the construct tree."""

from __future__ import annotations

import re

from construct import Array

from schemas.layout import Leaf, Node, OffsetStruct, count_of, name_of, size_of
from schemas.toml_file import nearest

__all__ = ["element_of", "leaves", "member_of", "resolve"]

_STEP = re.compile(r"\.?([A-Za-z_][A-Za-z0-9_]*)|\[(0[xX][0-9A-Fa-f]{1,8}|0|[1-9][0-9]{0,9})\]")


def member_of(node: Node, name: str) -> tuple[int, Node]:
    """Offset in bytes and type of a struct's member.  Raises ValueError with the reason."""
    if not isinstance(node, OffsetStruct):
        raise ValueError(f"{name_of(node)} has no fields")
    member = node.members.get(name)
    if member is None:
        raise ValueError(f"{node.type_name} has no field {name}{nearest(name, node.members)}")
    return member.offset, member.type


def element_of(node: Node, index: int) -> tuple[int, Node]:
    """Offset in bytes and type of an array's element.  Raises ValueError with the reason."""
    if not isinstance(node, Array):
        raise ValueError(f"{name_of(node)} is not an array")
    if not 0 <= index < count_of(node):
        raise ValueError(f"index {index} is outside {name_of(node)}")
    return index * size_of(node.subcon), node.subcon


def resolve(node: Node, path: str) -> tuple[int, Node]:
    """Offset in bytes and type at a path such as ``inner[1].color.b``; pointers are not followed.

    Raises ValueError with the reason.
    """
    offset, position = 0, 0
    while position < len(path):
        step = _STEP.match(path, position)
        if step is None:
            raise ValueError(f'expected .field or [index] at "{path[position:]}"')
        if step[1]:
            more, node = member_of(node, step[1])
        else:
            more, node = element_of(node, int(step[2], 0))
        offset += more
        position = step.end()
    return offset, node


def leaves(node: Node, path: str = "", offset: int = 0) -> list[tuple[str, int, Leaf]]:
    """Every leaf below *node*: path, offset in bytes and type."""
    if isinstance(node, Leaf):
        return [(path, offset, node)]
    found: list[tuple[str, int, Leaf]] = []
    if isinstance(node, OffsetStruct):
        for member in node.members.values():
            name = f"{path}.{member.name}" if path else member.name
            found += leaves(member.type, name, offset + member.offset)
    elif isinstance(node, Array):
        size = size_of(node.subcon)
        for index in range(count_of(node)):
            found += leaves(node.subcon, f"{path}[{index}]", offset + index * size)
    return found
