"""The functions that ask for the heap's blocks, and the fields of a block."""

from __future__ import annotations

import ast
from typing import TYPE_CHECKING

from bridge.expressions import nodes
from bridge.heap.blocks import FREE, UNKNOWN
from bridge.values.value_type import BOOLEAN, INTEGER, Kind, ValueType
from schemas.heap_types import HeapTypes
from schemas.layout import Leaf, PointerTo, Scalar, name_of
from schemas.toml_file import nearest

if TYPE_CHECKING:
    from bridge.expressions.checker import Checker

BLOCK_FIELDS = ("start", "size", "used", "index", "owner", "offset")


def block(checker: Checker, tree: ast.Call) -> nodes.BlockOf:
    checker.heap(tree)
    address = _address(checker, tree.args[0])
    return nodes.BlockOf(checker.text(tree), address, checker.text(tree.args[0]))


def blocks(checker: Checker, tree: ast.Call) -> nodes.Expr:
    checker.heap(tree)
    return nodes.AllBlocks(checker.text(tree), nodes.BLOCK)


def owner(checker: Checker, tree: ast.Call) -> nodes.Expr:
    kind = _owner_type(checker.heap(tree))
    return nodes.BlockField(checker.text(tree), kind, block(checker, tree), "owner")


def block_field(checker: Checker, tree: ast.Attribute, base: nodes.NamedBlock) -> nodes.Expr:
    """A field of a block."""
    name = tree.attr
    known = BLOCK_FIELDS if isinstance(base, nodes.BlockOf) else BLOCK_FIELDS[:-1]
    if name not in known:
        if name == BLOCK_FIELDS[-1]:
            checker.refuse(tree, "offset is how far an address lies in its block: block(p).offset")
        checker.refuse(tree, f"a block has no field {name}{nearest(name, known)}")
    kind = INTEGER
    if name == "used":
        kind = BOOLEAN
    elif name == "owner":
        kind = _owner_type(checker.heap(tree))
    elif name == "start":
        bits = checker.layout.pointer_size * 8
        kind = ValueType(Kind.INTEGER, bits, address=True, name="address")
    return nodes.BlockField(checker.text(tree), kind, base, name)


def _owner_type(heap: HeapTypes) -> ValueType:
    return ValueType(Kind.TEXT, name="text", choices=(*heap.owner.names, FREE, UNKNOWN))


def _address(checker: Checker, tree: ast.expr) -> nodes.Number:
    """The address that is asked about.

    A pointer's is the one that it holds, and so is that of an unsigned whole number of a pointer's
    size; any other place is asked about itself.
    """
    found = checker.any(tree)
    if not isinstance(found, nodes.Place):
        return checker.whole_number(tree)
    leaf, size = found.node, checker.layout.pointer_size
    holds = isinstance(leaf, PointerTo)
    if isinstance(leaf, Scalar):
        holds = leaf.size == size and not (leaf.signed or leaf.floating or leaf.angle)
    if holds and isinstance(leaf, Leaf):
        return checker.read(found, leaf)
    return nodes.AddressOf(f"address({name_of(leaf)})", INTEGER, found)
