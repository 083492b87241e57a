"""The fields of a block of the heap, as an expression names them behind a dot."""

from __future__ import annotations

import ast

from bridge.expressions import nodes
from bridge.expressions.checker import Checker
from bridge.heap.blocks import FREE, UNKNOWN
from bridge.values.value_type import BOOLEAN, INTEGER, Kind, ValueType
from schemas.heap_types import HeapTypes
from schemas.toml_file import nearest

__all__ = ["block_field", "owner_type"]


def block_field(checker: Checker, tree: ast.Attribute, base: nodes.NamedBlock) -> nodes.Expr:
    """A field of a block."""
    name = tree.attr
    known = nodes.BLOCK_FIELDS if isinstance(base, nodes.BlockOf) else nodes.BLOCK_FIELDS[:-1]
    if name not in known:
        if name == nodes.BLOCK_FIELDS[-1]:
            checker.refuse(tree, "offset is how far an address lies in its block: block(p).offset")
        checker.refuse(tree, f"a block has no field {name}{nearest(name, known)}")
    kind = INTEGER
    if name == "used":
        kind = BOOLEAN
    elif name == "owner":
        kind = owner_type(checker.heap(tree))
    elif name == "start":
        bits = checker.layout.pointer_size * 8
        kind = ValueType(Kind.INTEGER, bits, address=True, name="address")
    return nodes.BlockField(checker.text(tree), kind, base, name)


def owner_type(heap: HeapTypes) -> ValueType:
    """The type of what lives in a block."""
    return ValueType(Kind.TEXT, name="text", choices=(*heap.owner.names, FREE, UNKNOWN))
