"""Walks over typed nodes: what an expression is made of, and the same with a variable filled in."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, replace
from typing import Any

from bridge.expressions import nodes

__all__ = ["followed", "in_a_list", "in_an_open_list", "parts", "with_variable"]


def parts(node: object) -> Iterator[nodes.Expr]:
    """A node and all that it is made of."""
    if isinstance(node, nodes.Expr):
        yield node
        for part in fields(node):
            yield from parts(getattr(node, part.name))
    elif isinstance(node, tuple):
        for each in node:
            yield from parts(each)


def in_a_list(node: object) -> bool:
    """Whether a node depends on a list's variable, so that it has no one value."""
    if isinstance(node, nodes.LoopPlace | nodes.LoopNumber | nodes.LoopBlock):
        return True
    if isinstance(node, nodes.Expr):
        return any(in_a_list(getattr(node, part.name)) for part in fields(node))
    return isinstance(node, tuple) and any(map(in_a_list, node))


def in_an_open_list(node: object, bound: frozenset[str] = frozenset()) -> bool:
    """Whether a node depends on the variable of a list that it is not the whole of."""
    if isinstance(node, nodes.LoopPlace | nodes.LoopNumber | nodes.LoopBlock):
        return node.variable not in bound
    if isinstance(node, nodes.Comprehension):
        inner = (*node.conditions, node.result)
        return in_an_open_list(node.source, bound) or in_an_open_list(
            inner, bound | {node.variable}
        )
    if isinstance(node, nodes.Expr):
        return any(in_an_open_list(getattr(node, part.name), bound) for part in fields(node))
    return isinstance(node, tuple) and any(in_an_open_list(part, bound) for part in node)


def followed(node: object) -> Iterator[nodes.Followed]:
    """Every pointer that an expression follows, outer ones first, without those in lists."""
    if isinstance(node, nodes.Expr):
        if isinstance(node, nodes.Followed) and not in_a_list(node):
            yield node
        for part in fields(node):
            yield from followed(getattr(node, part.name))
    elif isinstance(node, tuple):
        for part_of in node:
            yield from followed(part_of)


def with_variable(node: Any, variable: str, element: nodes.Expr) -> Any:
    """The same node for one element of a list, in the place of the list's variable."""
    if isinstance(node, nodes.LoopPlace | nodes.LoopNumber | nodes.LoopBlock):
        return element if node.variable == variable else node
    if isinstance(node, nodes.Expr):
        parts = {part.name: getattr(node, part.name) for part in fields(node)}
        made = {name: with_variable(part, variable, element) for name, part in parts.items()}
        changed = {name: part for name, part in made.items() if part is not parts[name]}
        return replace(node, **changed) if changed else node
    if isinstance(node, tuple):
        found = tuple(with_variable(part, variable, element) for part in node)
        return found if any(a is not b for a, b in zip(found, node, strict=True)) else node
    return node
