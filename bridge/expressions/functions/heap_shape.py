"""``layout("name")``: whether a heap has a saved shape, or where it first differs."""

from __future__ import annotations

import ast
from collections.abc import Sequence
from functools import partial

from bridge.expressions import nodes
from bridge.expressions.checker import Checker
from bridge.heap.blocks import Block
from bridge.heap.shape import Layout, first_difference, layout_from, match_value
from bridge.values.value_type import Kind, ValueType
from schemas.heap_types import HeapTypes
from schemas.layout_file import MAX_BLOCKS
from schemas.toml_file import nearest

__all__ = ["LAYOUT", "layout"]

LAYOUT = ValueType(Kind.INTEGER, name="layout", layout=True)


def layout(checker: Checker, tree: ast.Call) -> nodes.Expr:
    """``layout("name")`` or ``layout("name", "heap")``: checks a call of it."""
    name = checker.literal_text(tree.args[0], "a layout's name")
    checker.heaps(tree)
    known = checker.layout.saved_layouts
    if name not in known:
        hint = nearest(name, known) if known else "; name its file in [layouts] of the bridge file"
        checker.refuse(tree.args[0], f"unknown layout {name}{hint}")
    saved = known[name]
    heap = _heap(checker, tree, name, saved.file.heap)
    expected = layout_from(saved.file, ignore_sizes=saved.ignore_sizes)
    wildcards = expected.wildcards
    most = MAX_BLOCKS if wildcards is not None and wildcards.runs else len(expected.blocks)
    return nodes.OfBlocks(checker.text(tree), LAYOUT, partial(_match, expected), most, heap.name)


def _heap(checker: Checker, tree: ast.Call, name: str, saved: str) -> HeapTypes:
    """The heap that is named, else the one that was saved, else the first."""
    if saved and len(tree.args) == 1:
        heap = checker.layout.heap_named(saved)
        if heap is None:
            message = f"the layout {name} is of the heap {saved}, which the schema does not have"
            checker.refuse(tree.args[0], message)
        return heap
    return checker.heap(tree, *tree.args[1:])


def _match(expected: Layout, blocks: Sequence[Block], complete: bool) -> int | None:
    """What a watch on a layout gives.  What lies behind a damage is not known to differ."""
    difference = first_difference(expected, blocks)
    if not complete and difference in (None, len(blocks)):
        return None
    return match_value(difference)
