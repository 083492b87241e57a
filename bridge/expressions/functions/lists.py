"""Functions of lists: their length, first, sum, least and greatest; and the linked list."""

from __future__ import annotations

import ast
from collections.abc import Callable
from typing import Any

from bridge.expressions import nodes
from bridge.expressions.checker import Checker
from bridge.expressions.functions.function import Check
from bridge.expressions.functions.numbers import apply
from bridge.values.value_type import FLOAT, INTEGER, Kind, ValueType
from schemas.layout import OffsetStruct, PointerTo, name_of

__all__ = ["chain", "extreme", "first", "fold", "length"]


def extreme(name: str, call: Callable[..., Any]) -> Check:
    """The least or the greatest, of arguments or of one list."""

    of_arguments, of_list = apply(call, None, statements=4), fold(name)

    def check(checker: Checker, tree: ast.Call) -> nodes.Expr:
        if len(tree.args) > 1:
            return of_arguments(checker, tree)
        return of_list(checker, tree)

    return check


def fold(name: str) -> Check:
    """The sum, the least or the greatest of a list of numbers."""

    def check(checker: Checker, tree: ast.Call) -> nodes.Expr:
        listing = checker.listing(tree.args[0])
        kind = listing.element
        if not isinstance(kind, ValueType):
            what = "blocks" if isinstance(kind, nodes.BlockSort) else name_of(kind)
            checker.refuse(tree.args[0], f"is a list of {what}; name a field of each")
        if kind.kind is Kind.TEXT:
            checker.refuse(tree.args[0], "is a list of texts, expected numbers")
        if name == "sum":
            kind = FLOAT if kind.kind is Kind.FLOAT else INTEGER
        return nodes.Fold(checker.text(tree), kind, name, listing)

    return check


def chain(checker: Checker, tree: ast.Call) -> nodes.Expr:
    """``chain(head, "next")``: the structs of a linked list."""
    head = checker.place(tree.args[0])
    field = checker.literal_text(tree.args[1], "the name of the field that leads on")
    node = head.node
    if isinstance(node, PointerTo):
        node = checker.target(tree.args[0], node)
    members = node.members if isinstance(node, OffsetStruct) else {}
    member = members.get(field)
    if member is None or not isinstance(member.type, PointerTo):
        checker.refuse(tree.args[1], f"{name_of(node)} has no pointer {field}")
    if str(member.type.target) != name_of(node):
        checker.refuse(
            tree.args[1],
            f"{field} leads to a {member.type.target}, expected a {name_of(node)}",
        )
    return nodes.Chain(checker.text(tree), node, head, member.offset, node is not head.node)


def length(checker: Checker, tree: ast.Call) -> nodes.Expr:
    """``len(list)``: how many elements a list has."""
    return nodes.Length(checker.text(tree), INTEGER, checker.listing(tree.args[0]))


def first(checker: Checker, tree: ast.Call) -> nodes.Expr:
    """``first(list)``: the first number, place or block of a list."""
    listing = checker.listing(tree.args[0])
    text, element = checker.text(tree), listing.element
    if isinstance(element, ValueType):
        return nodes.FirstNumber(text, element, listing)
    if isinstance(element, nodes.BlockSort):
        return nodes.FirstBlock(text, listing)
    return nodes.FirstPlace(text, element, listing)
