"""What each node of an expression's syntax tree becomes: the table of rules.

A rule has the signature of a function's check: ``(checker, tree) -> Expr``.  Names and calls are
the two that know of functions, so the table is made for the functions that there are.
"""

from __future__ import annotations

import ast
from collections.abc import Collection, Mapping
from functools import partial

from construct import Array

from bridge.expressions import nodes
from bridge.expressions.block_fields import block_field
from bridge.expressions.checker import Checker, Rule
from bridge.expressions.functions.function import Function
from bridge.expressions.leaf_types import value_type
from bridge.values.value_type import BOOLEAN, FLOAT, INTEGER, TEXT, Kind, ValueType
from schemas.layout import (
    BitField,
    FlagSet,
    Leaf,
    PointerTo,
    count_of,
    name_of,
    size_of,
)
from schemas.resolve import member_of
from schemas.toml_file import nearest

__all__ = ["MAX_LIST_DEPTH", "node_rules"]

MAX_LIST_DEPTH = 4
"""Lists in one another, whether in what is gone through or in what is made of it."""
_OPERATORS: dict[type[ast.AST], str] = {
    ast.Add: "+",
    ast.Sub: "-",
    ast.Mult: "*",
    ast.Div: "/",
    ast.FloorDiv: "//",
    ast.Mod: "%",
    ast.Pow: "**",
    ast.BitAnd: "&",
    ast.BitOr: "|",
    ast.BitXor: "^",
    ast.LShift: "<<",
    ast.RShift: ">>",
    ast.Invert: "~",
    ast.UAdd: "+",
    ast.USub: "-",
    ast.Not: "not",
    ast.Eq: "==",
    ast.NotEq: "!=",
    ast.Lt: "<",
    ast.LtE: "<=",
    ast.Gt: ">",
    ast.GtE: ">=",
}
_WHOLE_NUMBERS_ONLY = ("&", "|", "^", "<<", ">>")


def node_rules(functions: Mapping[str, Function]) -> Mapping[type[ast.expr], Rule]:
    """The rule of each sort of node, where these *functions* can be called."""
    return {
        ast.Constant: _constant,
        ast.Name: partial(_name, functions),
        ast.Attribute: _attribute,
        ast.Subscript: _subscript,
        ast.UnaryOp: _unary,
        ast.BinOp: _arithmetic,
        ast.BoolOp: _logic,
        ast.Compare: _comparison,
        ast.IfExp: _choice,
        ast.ListComp: _comprehension,
        ast.Call: partial(_call, functions),
    }


def _constant(checker: Checker, tree: ast.Constant) -> nodes.Expr:
    value = tree.value
    if isinstance(value, str):
        kind = TEXT
    elif isinstance(value, bool):
        kind = BOOLEAN
    else:
        kind = INTEGER if isinstance(value, int) else FLOAT
    assert isinstance(value, int | float | str)
    return nodes.Literal(checker.text(tree), kind, value)


def _name(functions: Mapping[str, Function], checker: Checker, tree: ast.Name) -> nodes.Expr:
    name = tree.id
    if name in checker.line.locals:
        kind = checker.line.locals[name]
        if isinstance(kind, ValueType):
            return nodes.LoopNumber(name, kind, name)
        if isinstance(kind, nodes.BlockSort):
            return nodes.LoopBlock(name, name)
        return nodes.LoopPlace(name, kind, name)
    symbol = checker.layout.symbols.get(name)
    if symbol is not None:
        return nodes.Fixed(name, symbol.type, symbol.address)
    if name in checker.expressions:
        slot = checker.watch_slots[name]
        return nodes.SlotValue(name, checker.type_of(slot), slot)
    if name in functions:
        checker.refuse(tree, f"{name} is a function: write {functions[name].form}")
    if name in checker.layout.enumerations:
        checker.refuse(tree, f"{name} is an enumeration: write {name}.MEMBER")
    known = [
        *checker.line.locals,
        *checker.layout.symbols,
        *filter(str.isidentifier, checker.expressions),
        *checker.layout.enumerations,
    ]
    return checker.refuse(tree, f"unknown name {name}{nearest(name, known)}")


def _attribute(checker: Checker, tree: ast.Attribute) -> nodes.Expr:
    text, name = checker.text(tree), tree.attr
    if isinstance(tree.value, ast.Name):
        enumeration = checker.layout.enumerations.get(tree.value.id)
        if enumeration is not None and tree.value.id not in checker.line.locals:
            if name not in enumeration.members:
                hint = nearest(name, enumeration.members)
                checker.refuse(tree, f"{enumeration.type_name} has no member {name}{hint}")
            return nodes.Literal(text, value_type(enumeration), enumeration.members[name])
    base = checker.any(tree.value)
    if isinstance(base, nodes.NamedBlock):
        return block_field(checker, tree, base)
    if not isinstance(base, nodes.Place):
        checker.refuse(tree, f"{base.text} is a value and has no fields")
    if isinstance(base.node, PointerTo):
        base = checker.follow(tree, base)
    leaf = base.node
    unit = leaf.unit if isinstance(leaf, BitField) else leaf
    if isinstance(unit, FlagSet) and isinstance(leaf, Leaf):
        lowest = leaf.lowest if isinstance(leaf, BitField) else 0
        width = leaf.width if isinstance(leaf, BitField) else leaf.size * 8
        inside = {f: b for f, b in unit.bits.items() if lowest <= b < lowest + width}
        bit = inside.get(name)
        if bit is None:
            hint = nearest(name, inside)
            checker.refuse(tree, f"{unit.type_name} has no flag {name}{hint}")
        return nodes.FlagRead(text, BOOLEAN, base, leaf, bit)
    try:
        offset, node = member_of(base.node, name)
    except ValueError as fault:
        checker.refuse(tree, str(fault))
    return nodes.Offset(text, node, base, offset)


def _subscript(checker: Checker, tree: ast.Subscript) -> nodes.Expr:
    base = checker.any(tree.value)
    if isinstance(base, nodes.Listing):
        checker.refuse(tree, "a list has no index; use first(…) or a condition in the list")
    if not isinstance(base, nodes.Place):
        checker.refuse(tree, f"{base.text} is a value and has no elements")
    text = checker.text(tree)
    if isinstance(base.node, PointerTo):
        node, base, count = checker.target(tree, base.node), checker.follow(tree, base), None
    elif isinstance(base.node, Array):
        node, count = base.node.subcon, count_of(base.node)
    else:
        checker.refuse(tree, f"{name_of(base.node)} is neither an array nor a pointer")
    stride = size_of(node)
    index = checker.whole_number(tree.slice)
    known = _known_integer(index)
    if known is None:
        return nodes.Indexed(text, node, base, index, stride, count)
    if count is not None and not 0 <= known < count:
        checker.refuse(tree.slice, f"index {known} is outside 0 to {count - 1}")
    return nodes.Offset(text, node, base, known * stride)


def _unary(checker: Checker, tree: ast.UnaryOp) -> nodes.Expr:
    op, text = _OPERATORS[type(tree.op)], checker.text(tree)
    if op == "not":
        return nodes.Unary(text, BOOLEAN, op, checker.number(tree.operand))
    operand = checker.whole_number(tree.operand) if op == "~" else checker.number(tree.operand)
    kind = FLOAT if operand.type.kind is Kind.FLOAT else INTEGER
    return nodes.Unary(text, kind, op, operand)


def _arithmetic(checker: Checker, tree: ast.BinOp) -> nodes.Expr:
    # a long sum leans to the left: it is walked without recursion
    chain: list[ast.BinOp] = []
    left_tree: ast.expr = tree
    while isinstance(left_tree, ast.BinOp):
        chain.append(left_tree)
        left_tree = left_tree.left
    left: nodes.Number | None = None
    for part in reversed(chain):
        op = _OPERATORS[type(part.op)]
        operand = checker.whole_number if op in _WHOLE_NUMBERS_ONLY else checker.number
        if left is None:
            left = operand(part.left)
        elif op in _WHOLE_NUMBERS_ONLY and left.type.kind is Kind.FLOAT:
            checker.refuse(part.left, f"is a {left.type.name}, expected a whole number")
        right = operand(part.right)
        floating = op == "/" or Kind.FLOAT in (left.type.kind, right.type.kind)
        kind = FLOAT if floating else INTEGER
        left = nodes.Arithmetic(checker.text(part), kind, op, left, right)
    assert left is not None
    return left


def _logic(checker: Checker, tree: ast.BoolOp) -> nodes.Expr:
    op = "and" if isinstance(tree.op, ast.And) else "or"
    operands = tuple(checker.number(part) for part in tree.values)
    return nodes.Logic(checker.text(tree), BOOLEAN, op, operands)


def _comparison(checker: Checker, tree: ast.Compare) -> nodes.Expr:
    parts = [tree.left, *tree.comparators]
    operands = [checker.value(part) for part in parts]
    for left, right, part in zip(operands, operands[1:], parts[1:], strict=False):
        if (left.type.kind is Kind.TEXT) is not (right.type.kind is Kind.TEXT):
            checker.refuse(part, f"a {left.type.name} cannot be compared with {right.type.name}")
        for text, choices in ((right, left.type.choices), (left, right.type.choices)):
            if choices and isinstance(text, nodes.Literal):
                _choose(checker, part, str(text.value), choices)
        names = left.type.members, right.type.members
        if all(names) and names[0] != names[1]:
            checker.refuse(part, f"{left.type.name} and {right.type.name} are different lists")
    ops = tuple(_OPERATORS[type(op)] for op in tree.ops)
    return nodes.Comparison(checker.text(tree), BOOLEAN, tuple(operands), ops)


def _choice(checker: Checker, tree: ast.IfExp) -> nodes.Expr:
    condition = checker.number(tree.test)
    chosen, otherwise = checker.value(tree.body), checker.value(tree.orelse)
    kind = _common(checker, tree.orelse, chosen.type, otherwise.type)
    return nodes.Choice(checker.text(tree), kind, condition, chosen, otherwise)


def _comprehension(checker: Checker, tree: ast.ListComp) -> nodes.Expr:
    (generator,) = tree.generators
    assert isinstance(generator.target, ast.Name)
    if checker.line.lists == MAX_LIST_DEPTH:
        checker.refuse(tree, f"lists are nested deeper than {MAX_LIST_DEPTH}")
    checker.line.lists += 1
    source = checker.listing(generator.iter)
    variable = generator.target.id
    if variable in checker.layout.symbols or variable in checker.expressions:
        checker.refuse(generator.target, f"{variable} is already a symbol or a watch")
    if variable in checker.line.locals:
        checker.refuse(generator.target, f"{variable} is already the name of an outer list's for")
    checker.line.locals[variable] = source.element
    conditions = tuple(checker.number(part) for part in generator.ifs)
    result = checker.any(tree.elt)
    if isinstance(result, nodes.Listing):
        checker.refuse(tree.elt, "a list of lists is not possible; use len, sum or first")
    if isinstance(result, nodes.Place) and isinstance(result.node, Leaf):
        result = checker.value(tree.elt)
    checker.line.lists -= 1
    del checker.line.locals[variable]
    element: nodes.Element
    if isinstance(result, nodes.NamedBlock):
        element = nodes.BLOCK
    else:
        assert isinstance(result, nodes.Place | nodes.Number)
        element = result.type if isinstance(result, nodes.Number) else result.node
    text = checker.text(tree)
    return nodes.Comprehension(text, element, variable, source, conditions, result)


def _call(functions: Mapping[str, Function], checker: Checker, tree: ast.Call) -> nodes.Expr:
    assert isinstance(tree.func, ast.Name)
    name = tree.func.id
    function = functions.get(name)
    if function is None:
        hint = nearest(name, functions)
        if "did you mean" not in hint:
            hint = "; lowhalf docs lists the functions"
        checker.refuse(tree.func, f"unknown function {name}{hint}")
    least, most = function.counts
    if not least <= len(tree.args) <= most:
        wanted = str(least) if least == most else f"{least} to {most}"
        checker.refuse(
            tree,
            f"{function.form} takes {wanted} argument{'s' * (wanted != '1')}, "
            f"found {len(tree.args)}",
        )
    if function.over_frames and checker.line.of_heap:
        checker.refuse(tree, f"{name} cannot stand in [heap], which is of one frame")
    if function.over_frames and checker.line.locals:
        checker.refuse(tree, f"{name} cannot stand in a list: its state would have no one value")
    return function.check(checker, tree)


def _choose(checker: Checker, tree: ast.expr, found: str, choices: Collection[str]) -> None:
    """Refuse a text that a value can never be; kinds without a name are written as numbers."""
    if found not in choices and not found.lstrip("-").isdecimal():
        checker.refuse(tree, f'it can never be "{found}"{nearest(found, choices)}')


def _common(checker: Checker, tree: ast.expr, one: ValueType, other: ValueType) -> ValueType:
    """The type of a value that is of either type."""
    if one == other:
        return one
    kinds = {one.kind, other.kind}
    if kinds == {Kind.TEXT}:
        return TEXT
    if Kind.TEXT in kinds:
        checker.refuse(tree, f"{one.name} and {other.name} cannot both be the value")
    return FLOAT if Kind.FLOAT in kinds else INTEGER


def _known_integer(number: nodes.Number) -> int | None:
    if isinstance(number, nodes.Literal) and isinstance(number.value, int):
        return int(number.value)
    if isinstance(number, nodes.Unary) and number.op == "-":
        inner = _known_integer(number.operand)
        return None if inner is None else -inner
    return None
