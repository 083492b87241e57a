"""The fields of a block of the heap, as an expression names them behind a dot."""

from __future__ import annotations

import ast
from collections.abc import Sequence

from bridge.expressions import nodes
from bridge.expressions.checker import Checker
from bridge.heap.blocks import FREE, UNKNOWN
from bridge.values.value_type import BOOLEAN, INTEGER, Kind, ValueType
from schemas.compiler import BuildLayout
from schemas.heap_types import HeapTypes
from schemas.toml_file import nearest

__all__ = ["block_field", "block_field_names", "owner_type"]


def block_field(checker: Checker, tree: ast.Attribute, base: nodes.NamedBlock) -> nodes.Expr:
    """A field of a block."""
    name = tree.attr
    known = block_field_names(checker.layout)
    if not isinstance(base, nodes.BlockOf):
        known = known[:-1]
    if name not in known:
        if name == nodes.BLOCK_FIELDS[-1]:
            checker.refuse(tree, "offset is how far an address lies in its block: block(p).offset")
        checker.refuse(tree, f"a block has no field {name}{nearest(name, known)}")
    kind = INTEGER
    if name == "used":
        kind = BOOLEAN
    elif name == "owner":
        kind = owner_type(checker.heaps(tree))
    elif name == "heap":
        kind = ValueType(
            Kind.TEXT, name="text", choices=tuple(h.name for h in checker.layout.heaps)
        )
    elif name == "start":
        bits = checker.layout.pointer_size * 8
        kind = ValueType(Kind.INTEGER, bits, address=True, name="address")
    return nodes.BlockField(checker.text(tree), kind, base, name)


def block_field_names(layout: BuildLayout) -> tuple[str, ...]:
    """The fields of a block, of which ``heap`` is one where heaps have names."""
    names = nodes.BLOCK_FIELDS
    if any(heap.name for heap in layout.heaps):
        return names
    return tuple(name for name in names if name != "heap")


def owner_type(heaps: Sequence[HeapTypes]) -> ValueType:
    """The type of what lives in a block of one of the heaps."""
    names = dict.fromkeys(name for heap in heaps for name in heap.owner.names)
    return ValueType(Kind.TEXT, name="text", choices=(*names, FREE, UNKNOWN))
