"""The functions that ask for the heap's blocks."""

from __future__ import annotations

import ast

from bridge.expressions import nodes
from bridge.expressions.block_fields import owner_type
from bridge.expressions.checker import Checker
from bridge.values.value_type import INTEGER
from schemas.layout import Leaf, PointerTo, Scalar, name_of

__all__ = ["block", "blocks", "owner"]


def block(checker: Checker, tree: ast.Call) -> nodes.BlockOf:
    """``block(p)`` or ``block(p, "name")``: the block of a heap that holds an address."""
    checker.heaps(tree)
    address = _address(checker, tree.args[0])
    name = checker.heap(tree, tree.args[1]).name if len(tree.args) > 1 else None
    return nodes.BlockOf(checker.text(tree), address, checker.text(tree.args[0]), name)


def blocks(checker: Checker, tree: ast.Call) -> nodes.Expr:
    """``blocks()`` or ``blocks("name")``: all blocks of a heap."""
    heap = checker.heap(tree, *tree.args)
    return nodes.AllBlocks(checker.text(tree), nodes.BLOCK, heap.name)


def owner(checker: Checker, tree: ast.Call) -> nodes.Expr:
    """``owner(p)`` or ``owner(p, "name")``: what lives in the block that holds an address."""
    kind = owner_type(checker.heaps(tree))
    return nodes.BlockField(checker.text(tree), kind, block(checker, tree), "owner")


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
