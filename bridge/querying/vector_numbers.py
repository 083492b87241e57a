"""Numbers in many frames at once: the rule of each kind of node, as ``number_code`` has it for one.

``fits`` tells of which slots all that they are made of has a rule.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Mapping
from typing import Any, Final

import numpy as np

from bridge.expressions import arithmetic, nodes
from bridge.expressions.node_walks import parts
from bridge.expressions.program import Program
from bridge.expressions.widths import Widths
from bridge.querying.rows import objects
from bridge.querying.vector_places import address_of, stored
from bridge.querying.vector_slots import EXACT, NARROW, Rule, Values, VectorSlots
from bridge.values.status import Status
from bridge.values.value_type import Kind
from schemas.compiler import BuildLayout
from schemas.layout import Leaf, PointerTo

__all__ = ["RULES", "fits"]

_ONE: Final[Mapping[str, Callable[..., Any]]] = {
    "+": operator.add,
    "-": operator.sub,
    "*": operator.mul,
    "/": operator.truediv,
    "//": operator.floordiv,
    "%": operator.mod,
    "&": operator.and_,
    "|": operator.or_,
    "^": operator.xor,
    "**": arithmetic.power,
    "<<": arithmetic.shift_left,
    ">>": arithmetic.shift_right,
}
_COMPARE: Final[Mapping[str, Callable[..., Any]]] = {
    "==": operator.eq,
    "!=": operator.ne,
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
}


def _literal(slots: VectorSlots, node: nodes.Literal) -> Values:
    value = node.value
    if isinstance(value, str):
        return objects([value] * slots.count)
    if isinstance(value, bool | float):
        return np.full(slots.count, value)
    if value.bit_length() > NARROW:
        return objects([value] * slots.count)
    return np.full(slots.count, value, np.int64)


def _unary(slots: VectorSlots, node: nodes.Unary) -> Values:
    operand = slots.number(node.operand)
    if node.op == "not":
        return ~_true(operand)
    operand = _not_bool(operand)
    if node.op == "+":
        return operand
    if operand.dtype == np.int64 and not slots.narrow(node):
        operand = operand.astype(object)
    if node.op == "-":
        return -operand
    if operand.dtype == object:
        return slots.each(operator.invert, [operand], Kind.INTEGER)
    return -1 - operand


def _arithmetic(slots: VectorSlots, node: nodes.Arithmetic) -> Values:
    left, right = slots.number(node.left), slots.number(node.right)
    if node.type.kind is Kind.BOOLEAN:
        return np.asarray(_ONE[node.op](left, right), np.bool_)
    left, right = _not_bool(left), _not_bool(right)
    kinds = {left.dtype, right.dtype}
    whole = kinds == {np.dtype(np.int64)}
    if node.op in "+-*" and not _is_object(kinds):
        if not whole:
            return slots.finite(_ONE[node.op](left, right))
        if slots.narrow(node):
            found: Values = _ONE[node.op](left, right)
            return found
    if node.op == "/" and not _is_object(kinds):
        exact = all(slots.narrow(each, bits=EXACT) for each in (node.left, node.right))
        if not whole or exact:
            zero = right == 0
            slots.fail(zero, Status.ERROR)
            return slots.finite(left / np.where(zero, 1, right))
    if node.op in ("//", "%") and whole and slots.narrow(node.left) and slots.narrow(node.right):
        zero = right == 0
        slots.fail(zero, Status.ERROR)
        divided: Values = _ONE[node.op](left, np.where(zero, 1, right))
        return divided
    if node.op in "&|^" and whole:
        return np.asarray(_ONE[node.op](left, right))
    if node.op == ">>" and whole:
        slots.fail(right < 0, Status.ERROR)
        return np.asarray(left >> np.clip(right, 0, 63))
    if node.type.kind is Kind.FLOAT:
        return slots.each_finite(_ONE[node.op], [left, right])
    return slots.each(_ONE[node.op], [left, right], Kind.INTEGER)


def _comparison(slots: VectorSlots, node: nodes.Comparison) -> Values:
    left = slots.number(node.operands[0])
    result = np.ones(slots.count, np.bool_)
    for place, op in enumerate(node.ops):
        # as far as needed
        with slots.only(result.copy()):
            right = slots.number(node.operands[place + 1])
        result &= _compared(
            slots, op, (node.operands[place], left), (node.operands[place + 1], right)
        )
        left = right
    return result


def _compared(
    slots: VectorSlots,
    op: str,
    left: tuple[nodes.Number, Values],
    right: tuple[nodes.Number, Values],
) -> Values:
    (_, mine), (_, other) = left, right
    floats = [values.dtype == np.float64 for _, values in (left, right)]
    if any(floats) and not all(floats):
        # numpy would round a whole number first, Python compares exactly
        wide = [
            values.dtype == np.int64 and not slots.narrow(node, bits=EXACT)
            for node, values in (left, right)
        ]
        if any(wide):
            mine, other = mine.astype(object), other.astype(object)
    return np.asarray(_COMPARE[op](mine, other), np.bool_)


def _logic(slots: VectorSlots, node: nodes.Logic) -> Values:
    result = _true(slots.number(node.operands[0]))
    for operand in node.operands[1:]:
        needed = result if node.op == "and" else ~result
        with slots.only(needed):
            further = _true(slots.number(operand))
        result = result & further if node.op == "and" else result | further
    return result


def _choice(slots: VectorSlots, node: nodes.Choice) -> Values:
    condition = _true(slots.number(node.condition))
    found: list[Values] = []
    for where, each in ((condition, node.chosen), (~condition, node.otherwise)):
        with slots.only(where):
            values = slots.number(each)
            found.append(slots.as_float(values) if node.type.kind is Kind.FLOAT else values)
    if node.type.kind is Kind.INTEGER:
        found = [_not_bool(values) for values in found]
    return np.where(condition, *found)


def _apply(slots: VectorSlots, node: nodes.Apply) -> Values:
    arguments = [slots.number(part) for part in node.arguments]
    return slots.each(node.call, arguments, node.type.kind)


def _slot_value(slots: VectorSlots, node: nodes.SlotValue) -> Values:
    column = slots.column(node.slot)
    slots.take_over(column)
    return column.values


def _true(values: Values) -> Values:
    return values if values.dtype == np.bool_ else np.asarray(values != 0, np.bool_)


def _not_bool(values: Values) -> Values:
    return values.astype(np.int64) if values.dtype == np.bool_ else values


def _is_object(kinds: set[Any]) -> bool:
    return np.dtype(object) in kinds


RULES: Final[dict[type[nodes.Expr], Rule]] = {
    nodes.Literal: _literal,
    nodes.Read: stored,
    nodes.Stored: stored,
    nodes.FlagRead: stored,
    nodes.AddressOf: address_of,
    nodes.Unary: _unary,
    nodes.Arithmetic: _arithmetic,
    nodes.Comparison: _comparison,
    nodes.Logic: _logic,
    nodes.Choice: _choice,
    nodes.Apply: _apply,
    nodes.SlotValue: _slot_value,
}
_PLACES = (nodes.Fixed, nodes.Offset, nodes.Followed, nodes.Indexed, nodes.AtAddress)


class _Fit:
    """Which slots of a program can be evaluated over many frames at once."""

    def __init__(self, program: Program, layout: BuildLayout) -> None:
        self._program = program
        self._widths = Widths(program.slots, layout.pointer_size * 8)
        self._known: dict[int, bool] = {}

    def slot(self, number: int) -> bool:
        known = self._known.get(number)
        if known is None:
            slot = self._program.slots[number]
            known = slot.number is not None and all(
                self._node(part, slot.heap_checks) for part in parts(slot.number)
            )
            self._known[number] = known
        return known

    def _node(self, node: nodes.Expr, checks: bool) -> bool:
        if isinstance(node, nodes.SlotValue):
            return self.slot(node.slot)
        if isinstance(node, nodes.Followed):
            # a pointer of 64 bits is no int64
            return self._leaf(node.pointer.node, checks) and node.pointer.node.sizeof() < 8
        if isinstance(node, nodes.Fixed):
            return node.address.bit_length() <= NARROW - 2
        if isinstance(node, nodes.Offset):
            return node.offset.bit_length() <= NARROW - 10
        if isinstance(node, nodes.Indexed):
            wide = self._widths.bounded(node.index) + node.stride.bit_length()
            return wide <= NARROW - 10
        if isinstance(node, nodes.AtAddress):
            return self._widths.bounded(node.address) <= NARROW - 2
        if isinstance(node, nodes.Read):
            return self._leaf(node.leaf, checks)
        return type(node) in RULES or isinstance(node, _PLACES)

    def _leaf(self, leaf: object, checks: bool) -> bool:
        """Whether reading it warns of nothing in the heap."""
        if not isinstance(leaf, Leaf):
            return False
        return not (isinstance(leaf, PointerTo) and checks and bool(self._program.heaps))


def fits(program: Program, layout: BuildLayout, slots: tuple[int, ...]) -> list[bool]:
    """Which of *slots* can be evaluated over many frames at once, and then are equal to what the
    engine gives frame by frame."""
    fit = _Fit(program, layout)
    return [fit.slot(slot) for slot in slots]
