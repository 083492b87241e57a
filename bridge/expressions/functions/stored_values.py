"""Functions of stored values and their parts: halves, bytes, bit patterns, addresses."""

from __future__ import annotations

import ast

from bridge.expressions import arithmetic, nodes
from bridge.expressions.checker import Checker
from bridge.expressions.functions.function import Check
from bridge.values.value_type import INTEGER, Kind, ValueType
from schemas.layout import BitField, name_of

__all__ = ["address", "at", "bits", "byte", "half", "signed_type", "unsigned_type", "width"]


def unsigned_type(bits: int) -> ValueType:
    """An unsigned whole number of so many bits."""
    return ValueType(Kind.INTEGER, bits, name=f"u{bits}")


def signed_type(bits: int) -> ValueType:
    """A whole number of so many bits in two's complement."""
    return ValueType(Kind.INTEGER, bits, True, name=f"s{bits}")


def half(high: bool) -> Check:
    """The low or the *high* half of a stored value, by significance."""

    def check(checker: Checker, tree: ast.Call) -> nodes.Expr:
        place, leaf = checker.leaf_place(tree.args[0])
        if leaf.size == 1:
            checker.refuse(tree.args[0], f"{name_of(leaf)} is one byte and has no halves")
        size = leaf.size // 2
        first = high is (checker.layout.order == ">")
        offset = 0 if first else size
        kind = unsigned_type(size * 8)
        return nodes.Stored(checker.text(tree), kind, place, leaf, offset, size)

    return check


def byte(checker: Checker, tree: ast.Call) -> nodes.Expr:
    """``byte(p, n)``: a byte of a stored value, 0 the least significant."""
    place, leaf = checker.leaf_place(tree.args[0])
    number = checker.constant(tree.args[1], 0, leaf.size - 1)
    offset = leaf.size - 1 - number if checker.layout.order == ">" else number
    return nodes.Stored(checker.text(tree), unsigned_type(8), place, leaf, offset, 1)


def bits(checker: Checker, tree: ast.Call) -> nodes.Expr:
    """``bits(p)``: the bit pattern of a stored value."""
    part = checker.place(tree.args[0])
    if isinstance(part.node, BitField):
        width = part.node.width
        arguments = (checker.read(part, part.node), nodes.Literal(str(width), INTEGER, width))
        kind, call = unsigned_type(width), arithmetic.unsigned
        return nodes.Apply(checker.text(tree), kind, call, arguments, bits=width)
    place, leaf = checker.leaf_place(tree.args[0])
    kind = unsigned_type(leaf.size * 8)
    return nodes.Stored(checker.text(tree), kind, place, leaf, 0, leaf.size)


def address(checker: Checker, tree: ast.Call) -> nodes.Expr:
    """``address(p)``: the guest address of a place."""
    kind = ValueType(Kind.INTEGER, checker.layout.pointer_size * 8, address=True, name="address")
    return nodes.AddressOf(checker.text(tree), kind, checker.place(tree.args[0]))


def at(checker: Checker, tree: ast.Call) -> nodes.Expr:
    """``at(address, "T")``: a place of type T at a computed address."""
    address = checker.whole_number(tree.args[0])
    type_text = checker.literal_text(tree.args[1], "a type")
    try:
        node = checker.layout.type(type_text)
    except ValueError as fault:
        checker.refuse(tree.args[1], str(fault))
    return nodes.AtAddress(checker.text(tree), node, address)


def width(signed: bool) -> Check:
    """The low bits of a whole number, *signed* in two's complement or not."""

    def check(checker: Checker, tree: ast.Call) -> nodes.Expr:
        number = checker.whole_number(tree.args[0])
        bits = checker.constant(tree.args[1], 1, 64)
        width = nodes.Literal(str(bits), INTEGER, bits)
        kind = signed_type(bits) if signed else unsigned_type(bits)
        call = arithmetic.signed if signed else arithmetic.unsigned
        return nodes.Apply(checker.text(tree), kind, call, (number, width), bits=bits)

    return check
