"""Mathematical functions of numbers, angles and distances."""

from __future__ import annotations

import ast
from collections.abc import Callable
from typing import Any

from bridge.expressions import arithmetic, nodes
from bridge.expressions.checker import Checker
from bridge.expressions.functions.function import Check
from bridge.values.value_type import FLOAT, INTEGER, Kind, ValueType
from schemas.layout import OffsetStruct, PointerTo, Scalar, name_of

__all__ = ["ANGLE", "SINGLE", "apply", "distance", "with_a_half"]

ANGLE = ValueType(Kind.INTEGER, 16, angle=True, name="angle16")
SINGLE = ValueType(Kind.FLOAT, 32, True, name="f32")


def apply(
    call: Callable[..., Any],
    kind: ValueType | None,
    *,
    whole: bool = False,
    statements: int = 12,
    bits: int | None = None,
) -> Check:
    """A mathematical function; without a *kind* it gives the kind of its arguments.

    *whole* refuses floats; *statements* and *bits* are as in ``nodes.Apply``.
    """

    def check(checker: Checker, tree: ast.Call) -> nodes.Expr:
        read = checker.whole_number if whole else checker.number
        arguments = tuple(read(part) for part in tree.args)
        result = kind
        if result is None:
            floating = any(part.type.kind is Kind.FLOAT for part in arguments)
            result = FLOAT if floating else INTEGER
        return nodes.Apply(checker.text(tree), result, call, arguments, statements, bits)

    return check


def with_a_half(call: Callable[[Any, int], float]) -> Check:
    """A function of a number and a half of 16 bits that gives an f32."""

    def check(checker: Checker, tree: ast.Call) -> nodes.Expr:
        number = checker.number(tree.args[0])
        half = checker.whole_number(tree.args[1])
        if isinstance(half, nodes.Literal) and not 0 <= int(half.value) <= 0xFFFF:
            checker.refuse(tree.args[1], f"a half is 0 to 0xFFFF, found {half.value}")
        return nodes.Apply(checker.text(tree), SINGLE, call, (number, half))

    return check


def distance(axes: str) -> Check:
    """The distance of two structs, or of what pointers to them lead to, along these *axes*."""

    def check(checker: Checker, tree: ast.Call) -> nodes.Expr:
        reads: list[nodes.Number] = []
        for part in tree.args:
            with checker.in_distance(tree):
                place = checker.place(part)
            if isinstance(place.node, PointerTo):
                target = checker.target(part, place.node)
                place = nodes.Followed(place.text, target, place)
            for axis in axes:
                members = place.node.members if isinstance(place.node, OffsetStruct) else {}
                member = members.get(axis)
                if member is None or not isinstance(member.type, Scalar):
                    wanted = ", ".join(axes)
                    checker.refuse(part, f"{name_of(place.node)} has no numbers {wanted}")
                text = f"{place.text}.{axis}"
                field = nodes.Offset(text, member.type, place, member.offset)
                reads.append(checker.read(field, member.type))
        return nodes.Apply(checker.text(tree), FLOAT, arithmetic.distance, tuple(reads))

    return check
