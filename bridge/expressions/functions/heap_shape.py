"""``layout("name")``: whether the heap has a saved shape, or where it first differs."""

from __future__ import annotations

import ast
from typing import TYPE_CHECKING

from bridge.expressions import nodes
from bridge.heap.shape import layout_from
from bridge.values.value_type import Kind, ValueType
from schemas.toml_file import nearest

if TYPE_CHECKING:
    from bridge.expressions.checker import Checker

LAYOUT = ValueType(Kind.INTEGER, name="layout", layout=True)


def layout(checker: Checker, tree: ast.Call) -> nodes.Expr:
    name = checker.literal_text(tree.args[0], "a layout's name")
    checker.heap(tree)
    known = checker.layout.saved_layouts
    if name not in known:
        hint = nearest(name, known) if known else "; name its file in [layouts] of the bridge file"
        checker.refuse(tree.args[0], f"unknown layout {name}{hint}")
    saved = known[name]
    expected = layout_from(saved.file, ignore_sizes=saved.ignore_sizes)
    return nodes.LayoutMatch(checker.text(tree), LAYOUT, expected)
