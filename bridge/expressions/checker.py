"""Static typing of expressions: from syntax trees to typed nodes.

All watches of a bridge are checked together against one build, because a watch may use another by
name.  The result is a list of *slots* in an order in which each uses only earlier ones: one for
each watch and, behind the scenes, one for each function over frames and each of its arguments.
Those are slots of their own because they must be evaluated in every frame, even where they stand in
a branch that is not taken; equal ones are shared.
"""

from __future__ import annotations

import ast
import contextlib
import functools
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NoReturn

from construct import Array

from bridge.expressions import nodes
from bridge.expressions.functions import table as functions
from bridge.expressions.functions.heap import BLOCK_FIELDS, block_field
from bridge.expressions.heap_description import HeapProgram, heap_program
from bridge.expressions.syntax import column_of, parse
from bridge.values.value_type import BOOLEAN, FLOAT, INTEGER, TEXT, Kind, ValueType
from schemas.compiler import BuildLayout
from schemas.errors import ExpressionError
from schemas.heap_types import HeapTypes
from schemas.layout import (
    BitField,
    Chars,
    Enumeration,
    FixedPoint,
    FlagSet,
    Leaf,
    Node,
    OffsetStruct,
    PointerTo,
    Scalar,
    count_of,
    name_of,
    size_of,
)
from schemas.resolve import member_of
from schemas.toml_file import nearest

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
MAX_LIST_DEPTH = 4
"""Lists in one another, whether in what is gone through or in what is made of it."""
MAX_DISTANCE_DEPTH = 2
"""A distance reads each axis of its places by itself, with all that leads there."""
MAX_TEXT_LENGTH = 4096


@dataclass(frozen=True, slots=True)
class FrameFunctionCall:
    """A function over frames: its name, the slots of its arguments and its constant."""

    function: str
    arguments: tuple[int, ...]
    constant: int = 0


@dataclass(frozen=True, slots=True)
class Slot:
    """One value of a frame: a number to evaluate, or a function over frames to step."""

    name: str
    text: str
    type: ValueType
    number: nodes.Number | None
    over_frames: FrameFunctionCall | None = None
    heap_checks: bool = True
    """Whether it warns of pointers into the heap that do not hold what they held."""

    @property
    def address_node(self) -> nodes.Number | None:
        """The number, where its value is read from one address."""
        kinds = nodes.Read | nodes.Stored | nodes.FlagRead
        return self.number if isinstance(self.number, kinds) else None


@dataclass(frozen=True, slots=True)
class Program:
    """All slots in evaluation order, which slot each watch is, and how the heap is walked."""

    slots: tuple[Slot, ...]
    watches: Mapping[str, int]
    heap: HeapProgram | None = None


def check(
    layout: BuildLayout, watches: Mapping[str, str], without_heap_warnings: Collection[str] = ()
) -> Program:
    """Check every watch (name → expression); those in *without_heap_warnings* warn of no pointer
    into the heap.

    Raises ExpressionError for the first wrong one, SchemaError where the heap's description is.
    """
    heap = _heap(layout)
    checker = Checker(layout, watches, without_heap_warnings)
    for name in checker.ordered():
        checker.watch(name)
    if heap is not None:
        checker.slots += _pointers_always_read(checker.slots)
    return Program(tuple(checker.slots), dict(checker.watch_slots), heap)


def _pointers_always_read(slots: Sequence[Slot]) -> list[Slot]:
    """Slots of the pointers that some frames might not come to, as in a branch.

    Whether a pointer was written is told from frame to frame, so it must be seen in every one.
    """
    sure: set[str] = set()
    others: dict[str, nodes.Place] = {}
    for slot in slots:
        if not slot.heap_checks:
            continue
        read = slot.address_node
        place = read.place if isinstance(read, nodes.Read | nodes.Stored | nodes.FlagRead) else None
        while isinstance(place, nodes.Offset | nodes.Followed):
            if isinstance(place, nodes.Followed):
                sure.add(place.pointer.text)
            place = place.base if isinstance(place, nodes.Offset) else place.pointer
        others |= {place.pointer.text: place.pointer for place in nodes.followed(slot.number)}
    found = []
    for text, pointer in others.items():
        if text not in sure and isinstance(pointer.node, PointerTo):
            kind = value_type(pointer.node)
            found.append(Slot("", text, kind, nodes.Read(text, kind, pointer, pointer.node)))
    return found


@functools.lru_cache(64)
def _heap(layout: BuildLayout) -> HeapProgram | None:
    """The heap of a build's schema, the same for each of its programs."""
    return heap_program(Checker(layout, {}))


def value_type(leaf: Leaf) -> ValueType:
    """The value type of what a leaf stores."""
    bits, name = leaf.size * 8, name_of(leaf)
    if isinstance(leaf, Scalar):
        kind = Kind.FLOAT if leaf.floating else Kind.INTEGER
        return ValueType(kind, bits, leaf.signed, leaf.angle, name=name)
    if isinstance(leaf, FixedPoint):
        return ValueType(Kind.FLOAT, bits, True, name=name, fraction=leaf.fraction_bits)
    if isinstance(leaf, Chars):
        return ValueType(Kind.TEXT, name=name)
    if isinstance(leaf, PointerTo):
        return ValueType(Kind.INTEGER, bits, address=True, name=name)
    unit: Leaf = leaf
    signed = False
    if isinstance(leaf, BitField):
        unit, bits, signed = leaf.unit, leaf.width, leaf.signed
    members: dict[int, str] = {}
    flags: dict[int, str] = {}
    if isinstance(unit, Enumeration):
        signed = unit.base.signed
        for member, number in unit.members.items():
            members.setdefault(number, member)
    elif isinstance(unit, FlagSet):
        lowest = leaf.lowest if isinstance(leaf, BitField) else 0
        flags = {
            bit - lowest: flag for flag, bit in unit.bits.items() if lowest <= bit < lowest + bits
        }
    return ValueType(Kind.INTEGER, bits, signed, members=members, flags=flags, name=name)


@dataclass
class _Line:
    """The expression that is being checked."""

    text: str
    watch: str
    locals: dict[str, nodes.Element] = field(default_factory=dict)
    lists: int = 0
    distances: int = 0
    of_heap: bool = False


class Checker:
    def __init__(
        self,
        layout: BuildLayout,
        watches: Mapping[str, str],
        without_heap_warnings: Collection[str] = (),
    ) -> None:
        self.layout = layout
        self._without_heap_warnings = without_heap_warnings
        self.slots: list[Slot] = []
        self.watch_slots: dict[str, int] = {}
        self._expressions = watches
        self._trees = {name: parse(text, name) for name, text in watches.items()}
        self._hidden: dict[tuple[str, bool], int] = {}
        self._line = _Line("", "")

    # slots

    def ordered(self) -> list[str]:
        """The watches so that each comes behind those that it uses.  Refuses a circle."""
        uses = {name: self._uses(tree) for name, tree in self._trees.items()}
        order: list[str] = []
        done: set[str] = set()
        for first in self._trees:
            path = [first] if first not in done else []
            while path:
                name = path[-1]
                waits = next((use for use in uses[name] if use.id not in done), None)
                if waits is None:
                    done.add(path.pop())
                    order.append(name)
                elif waits.id in path:
                    self._begin(name)
                    circle = " → ".join([*path[path.index(waits.id) :], waits.id])
                    self.refuse(waits, f"watches use each other in a circle: {circle}")
                else:
                    path.append(waits.id)
        return order

    def _uses(self, tree: ast.expr) -> list[ast.Name]:
        """Where an expression uses other watches by name."""
        parts = list(ast.walk(tree))
        called = {id(part.func) for part in parts if isinstance(part, ast.Call)}
        return [
            part
            for part in parts
            if isinstance(part, ast.Name)
            and id(part) not in called
            and part.id in self._expressions
            and part.id not in self.layout.symbols
        ]

    def watch(self, name: str) -> None:
        """Check one watch; those that it uses have been checked."""
        self._begin(name)
        number = self.value(self._trees[name])
        checks = self.heap_checks
        slot = Slot(name, number.text, number.type, number, heap_checks=checks)
        self.watch_slots[name] = self._add(slot)

    def _begin(self, name: str) -> None:
        self._line = _Line(" ".join(self._expressions[name].splitlines()), name)

    def _add(self, slot: Slot) -> int:
        self.slots.append(slot)
        return len(self.slots) - 1

    def of_heap(self, text: str, variables: Mapping[str, Node]) -> ast.expr:
        """Begin an expression of the schema's heap, in which *variables* can be named."""
        tree = parse(text)
        self._line = _Line(" ".join(text.splitlines()), "", dict(variables), of_heap=True)
        return tree

    @property
    def heap_checks(self) -> bool:
        """Whether the watch at hand warns of pointers into the heap."""
        return self._line.watch not in self._without_heap_warnings

    def heap(self, tree: ast.expr) -> HeapTypes:
        """The heap that an expression asks for."""
        if self._line.of_heap:
            self.refuse(tree, "asks for the heap, which is what is being described")
        if self.layout.heap is None:
            self.refuse(tree, "the schema describes no heap; add [heap] to it")
        return self.layout.heap

    def hidden(self, tree: ast.expr) -> int:
        """The slot of a function's argument over frames; equal arguments share one."""
        text, checks = self.text(tree), self.heap_checks
        key = text, checks
        if key not in self._hidden:
            number = self.value(tree)
            slot = Slot("", text, number.type, number, heap_checks=checks)
            self._hidden[key] = self._add(slot)
        return self._hidden[key]

    def over_frames(
        self,
        tree: ast.Call,
        function: str,
        arguments: Sequence[int],
        kind: ValueType,
        constant: int,
    ) -> nodes.Number:
        text, checks = self.text(tree), self.heap_checks
        key = text, checks
        if key not in self._hidden:
            spec = FrameFunctionCall(function, tuple(arguments), constant)
            self._hidden[key] = self._add(Slot("", text, kind, None, spec, checks))
        return nodes.SlotValue(text, kind, self._hidden[key])

    # numbers

    def value(self, tree: ast.expr) -> nodes.Number:
        """An expression that must be a number, a truth value or a text: places are read."""
        found = self.any(tree)
        if isinstance(found, nodes.Number):
            return found
        if isinstance(found, nodes.Listing):
            self.refuse(tree, "is a list; use len, sum, min, max or first")
        if isinstance(found, nodes.NamedBlock):
            self.refuse(tree, f"is a whole block; name a field: {', '.join(BLOCK_FIELDS)}")
        assert isinstance(found, nodes.Place)
        if not isinstance(found.node, Leaf):
            fields = found.node.members if isinstance(found.node, OffsetStruct) else ()
            hint = f"name a field: {', '.join(list(fields)[:8])}" if fields else "name an element"
            self.refuse(tree, f"is a whole {name_of(found.node)}; {hint}")
        if isinstance(found.node, Chars) and found.node.size > MAX_TEXT_LENGTH:
            longest = f"the longest text that is read is char[{MAX_TEXT_LENGTH}]"
            self.refuse(tree, f"is a {name_of(found.node)}, {longest}")
        return self.read(found, found.node)

    def read(self, place: nodes.Place, leaf: Leaf) -> nodes.Number:
        """The value stored at a place."""
        return nodes.Read(place.text, value_type(leaf), place, leaf)

    def number(self, tree: ast.expr) -> nodes.Number:
        """An expression that must be a number or a truth value."""
        found = self.value(tree)
        if found.type.kind is Kind.TEXT:
            self.refuse(tree, "is a text, expected a number")
        return found

    def whole_number(self, tree: ast.expr) -> nodes.Number:
        found = self.number(tree)
        if found.type.kind is Kind.FLOAT:
            self.refuse(tree, f"is a {found.type.name}, expected a whole number")
        return found

    def constant(self, tree: ast.expr, lowest: int, highest: int) -> int:
        if (
            not isinstance(tree, ast.Constant)
            or not isinstance(tree.value, int)
            or isinstance(tree.value, bool)
            or not lowest <= tree.value <= highest
        ):
            self.refuse(tree, f"expected a number from {lowest} to {highest}, written out")
        return tree.value

    def literal_text(self, tree: ast.expr, what: str) -> str:
        if not isinstance(tree, ast.Constant) or not isinstance(tree.value, str):
            self.refuse(tree, f"expected {what} in quotation marks")
        return tree.value

    def place(self, tree: ast.expr) -> nodes.Place:
        found = self.any(tree)
        if not isinstance(found, nodes.Place):
            self.refuse(tree, "is a value, expected a place in memory")
        return found

    def leaf_place(self, tree: ast.expr) -> tuple[nodes.Place, Leaf]:
        place = self.place(tree)
        if not isinstance(place.node, Leaf) or isinstance(place.node, Chars):
            self.refuse(tree, f"is a {name_of(place.node)}, expected a stored number")
        if isinstance(place.node, BitField):
            self.refuse(tree, "is a bit-field, which has no bytes of its own")
        return place, place.node

    def listing(self, tree: ast.expr) -> nodes.Listing:
        found = self.any(tree)
        if not isinstance(found, nodes.Listing):
            self.refuse(tree, "expected a list, as from chain(…)")
        return found

    # the table of nodes

    def any(self, tree: ast.expr) -> nodes.Expr:
        method: Callable[[ast.expr], nodes.Expr] = getattr(self, f"_{type(tree).__name__}")
        return method(tree)

    def _Constant(self, tree: ast.Constant) -> nodes.Expr:  # noqa: N802
        value = tree.value
        if isinstance(value, str):
            kind = TEXT
        elif isinstance(value, bool):
            kind = BOOLEAN
        else:
            kind = INTEGER if isinstance(value, int) else FLOAT
        assert isinstance(value, int | float | str)
        return nodes.Literal(self.text(tree), kind, value)

    def _Name(self, tree: ast.Name) -> nodes.Expr:  # noqa: N802
        name = tree.id
        if name in self._line.locals:
            kind = self._line.locals[name]
            if isinstance(kind, ValueType):
                return nodes.LoopNumber(name, kind, name)
            if isinstance(kind, nodes.BlockSort):
                return nodes.LoopBlock(name, name)
            return nodes.LoopPlace(name, kind, name)
        symbol = self.layout.symbols.get(name)
        if symbol is not None:
            return nodes.Fixed(name, symbol.type, symbol.address)
        if name in self._expressions:
            slot = self.watch_slots[name]
            return nodes.SlotValue(name, self.slots[slot].type, slot)
        if name in functions.FUNCTIONS:
            self.refuse(tree, f"{name} is a function: write {functions.FUNCTIONS[name].form}")
        if name in self.layout.enumerations:
            self.refuse(tree, f"{name} is an enumeration: write {name}.MEMBER")
        known = [
            *self._line.locals,
            *self.layout.symbols,
            *filter(str.isidentifier, self._expressions),
            *self.layout.enumerations,
        ]
        return self.refuse(tree, f"unknown name {name}{nearest(name, known)}")

    def _Attribute(self, tree: ast.Attribute) -> nodes.Expr:  # noqa: N802
        text, name = self.text(tree), tree.attr
        if isinstance(tree.value, ast.Name):
            enumeration = self.layout.enumerations.get(tree.value.id)
            if enumeration is not None and tree.value.id not in self._line.locals:
                if name not in enumeration.members:
                    hint = nearest(name, enumeration.members)
                    self.refuse(tree, f"{enumeration.type_name} has no member {name}{hint}")
                return nodes.Literal(text, value_type(enumeration), enumeration.members[name])
        base = self.any(tree.value)
        if isinstance(base, nodes.NamedBlock):
            return block_field(self, tree, base)
        if not isinstance(base, nodes.Place):
            self.refuse(tree, f"{base.text} is a value and has no fields")
        if isinstance(base.node, PointerTo):
            base = self._follow(tree, base)
        leaf = base.node
        unit = leaf.unit if isinstance(leaf, BitField) else leaf
        if isinstance(unit, FlagSet) and isinstance(leaf, Leaf):
            lowest = leaf.lowest if isinstance(leaf, BitField) else 0
            width = leaf.width if isinstance(leaf, BitField) else leaf.size * 8
            inside = {f: b for f, b in unit.bits.items() if lowest <= b < lowest + width}
            bit = inside.get(name)
            if bit is None:
                hint = nearest(name, inside)
                self.refuse(tree, f"{unit.type_name} has no flag {name}{hint}")
            return nodes.FlagRead(text, BOOLEAN, base, leaf, bit)
        try:
            offset, node = member_of(base.node, name)
        except ValueError as fault:
            self.refuse(tree, str(fault))
        return nodes.Offset(text, node, base, offset)

    def _Subscript(self, tree: ast.Subscript) -> nodes.Expr:  # noqa: N802
        base = self.any(tree.value)
        if isinstance(base, nodes.Listing):
            self.refuse(tree, "a list has no index; use first(…) or a condition in the list")
        if not isinstance(base, nodes.Place):
            self.refuse(tree, f"{base.text} is a value and has no elements")
        text = self.text(tree)
        if isinstance(base.node, PointerTo):
            node, base, count = self.target(tree, base.node), self._follow(tree, base), None
        elif isinstance(base.node, Array):
            node, count = base.node.subcon, count_of(base.node)
        else:
            self.refuse(tree, f"{name_of(base.node)} is neither an array nor a pointer")
        stride = size_of(node)
        index = self.whole_number(tree.slice)
        known = _known_integer(index)
        if known is None:
            return nodes.Indexed(text, node, base, index, stride, count)
        if count is not None and not 0 <= known < count:
            self.refuse(tree.slice, f"index {known} is outside 0 to {count - 1}")
        return nodes.Offset(text, node, base, known * stride)

    def _UnaryOp(self, tree: ast.UnaryOp) -> nodes.Expr:  # noqa: N802
        op, text = _OPERATORS[type(tree.op)], self.text(tree)
        if op == "not":
            return nodes.Unary(text, BOOLEAN, op, self.number(tree.operand))
        operand = self.whole_number(tree.operand) if op == "~" else self.number(tree.operand)
        kind = FLOAT if operand.type.kind is Kind.FLOAT else INTEGER
        return nodes.Unary(text, kind, op, operand)

    def _BinOp(self, tree: ast.BinOp) -> nodes.Expr:  # noqa: N802
        # a long sum leans to the left: it is walked without recursion
        chain: list[ast.BinOp] = []
        left_tree: ast.expr = tree
        while isinstance(left_tree, ast.BinOp):
            chain.append(left_tree)
            left_tree = left_tree.left
        left: nodes.Number | None = None
        for part in reversed(chain):
            op = _OPERATORS[type(part.op)]
            operand = self.whole_number if op in _WHOLE_NUMBERS_ONLY else self.number
            if left is None:
                left = operand(part.left)
            elif op in _WHOLE_NUMBERS_ONLY and left.type.kind is Kind.FLOAT:
                self.refuse(part.left, f"is a {left.type.name}, expected a whole number")
            right = operand(part.right)
            floating = op == "/" or Kind.FLOAT in (left.type.kind, right.type.kind)
            kind = FLOAT if floating else INTEGER
            left = nodes.Arithmetic(self.text(part), kind, op, left, right)
        assert left is not None
        return left

    def _BoolOp(self, tree: ast.BoolOp) -> nodes.Expr:  # noqa: N802
        op = "and" if isinstance(tree.op, ast.And) else "or"
        operands = tuple(self.number(part) for part in tree.values)
        return nodes.Logic(self.text(tree), BOOLEAN, op, operands)

    def _Compare(self, tree: ast.Compare) -> nodes.Expr:  # noqa: N802
        parts = [tree.left, *tree.comparators]
        operands = [self.value(part) for part in parts]
        for left, right, part in zip(operands, operands[1:], parts[1:], strict=False):
            if (left.type.kind is Kind.TEXT) is not (right.type.kind is Kind.TEXT):
                self.refuse(part, f"a {left.type.name} cannot be compared with {right.type.name}")
            for text, choices in ((right, left.type.choices), (left, right.type.choices)):
                if choices and isinstance(text, nodes.Literal):
                    self._choose(part, str(text.value), choices)
            names = left.type.members, right.type.members
            if all(names) and names[0] != names[1]:
                self.refuse(part, f"{left.type.name} and {right.type.name} are different lists")
        ops = tuple(_OPERATORS[type(op)] for op in tree.ops)
        return nodes.Comparison(self.text(tree), BOOLEAN, tuple(operands), ops)

    def _IfExp(self, tree: ast.IfExp) -> nodes.Expr:  # noqa: N802
        condition = self.number(tree.test)
        chosen, otherwise = self.value(tree.body), self.value(tree.orelse)
        kind = self._common(tree.orelse, chosen.type, otherwise.type)
        return nodes.Choice(self.text(tree), kind, condition, chosen, otherwise)

    def _ListComp(self, tree: ast.ListComp) -> nodes.Expr:  # noqa: N802
        (generator,) = tree.generators
        assert isinstance(generator.target, ast.Name)
        if self._line.lists == MAX_LIST_DEPTH:
            self.refuse(tree, f"lists are nested deeper than {MAX_LIST_DEPTH}")
        self._line.lists += 1
        source = self.listing(generator.iter)
        variable = generator.target.id
        if variable in self.layout.symbols or variable in self._expressions:
            self.refuse(generator.target, f"{variable} is already a symbol or a watch")
        if variable in self._line.locals:
            self.refuse(generator.target, f"{variable} is already the name of an outer list's for")
        self._line.locals[variable] = source.element
        conditions = tuple(self.number(part) for part in generator.ifs)
        result = self.any(tree.elt)
        if isinstance(result, nodes.Listing):
            self.refuse(tree.elt, "a list of lists is not possible; use len, sum or first")
        if isinstance(result, nodes.Place) and isinstance(result.node, Leaf):
            result = self.value(tree.elt)
        self._line.lists -= 1
        del self._line.locals[variable]
        element: nodes.Element
        if isinstance(result, nodes.NamedBlock):
            element = nodes.BLOCK
        else:
            assert isinstance(result, nodes.Place | nodes.Number)
            element = result.type if isinstance(result, nodes.Number) else result.node
        text = self.text(tree)
        return nodes.Comprehension(text, element, variable, source, conditions, result)

    def _Call(self, tree: ast.Call) -> nodes.Expr:  # noqa: N802
        assert isinstance(tree.func, ast.Name)
        name = tree.func.id
        function = functions.FUNCTIONS.get(name)
        if function is None:
            hint = nearest(name, functions.FUNCTIONS)
            if "did you mean" not in hint:
                hint = "; lowhalf docs lists the functions"
            self.refuse(tree.func, f"unknown function {name}{hint}")
        least, most = function.counts
        if not least <= len(tree.args) <= most:
            wanted = str(least) if least == most else f"{least} to {most}"
            self.refuse(
                tree,
                f"{function.form} takes {wanted} argument{'s' * (wanted != '1')}, "
                f"found {len(tree.args)}",
            )
        if function.over_frames and self._line.of_heap:
            self.refuse(tree, f"{name} cannot stand in [heap], which is of one frame")
        if function.over_frames and self._line.locals:
            self.refuse(tree, f"{name} cannot stand in a list: its state would have no one value")
        return function.check(self, tree)

    # parts

    def text(self, tree: ast.expr) -> str:
        """The part of the line that a syntax tree was read from."""
        line = self._line.text.strip().encode()
        return line[tree.col_offset : tree.end_col_offset].decode()

    def target(self, tree: ast.expr, pointer: PointerTo) -> Node:
        try:
            return self.layout.type(pointer.target)
        except ValueError as fault:
            self.refuse(tree, str(fault))

    def _follow(self, tree: ast.expr, place: nodes.Place) -> nodes.Place:
        assert isinstance(place.node, PointerTo)
        target = self.target(tree, place.node)
        return nodes.Followed(place.text, target, place)

    @contextlib.contextmanager
    def in_distance(self, tree: ast.expr) -> Iterator[None]:
        """The arguments of a distance are checked meanwhile."""
        if self._line.distances == MAX_DISTANCE_DEPTH:
            self.refuse(
                tree,
                f"distances are nested deeper than {MAX_DISTANCE_DEPTH}; make the inner one a "
                "watch",
            )
        self._line.distances += 1
        yield
        self._line.distances -= 1

    def _choose(self, tree: ast.expr, found: str, choices: Collection[str]) -> None:
        """Refuse a text that a value can never be; kinds without a name are written as numbers."""
        if found not in choices and not found.lstrip("-").isdecimal():
            self.refuse(tree, f'it can never be "{found}"{nearest(found, choices)}')

    def _common(self, tree: ast.expr, one: ValueType, other: ValueType) -> ValueType:
        """The type of a value that is of either type."""
        if one == other:
            return one
        kinds = {one.kind, other.kind}
        if kinds == {Kind.TEXT}:
            return TEXT
        if Kind.TEXT in kinds:
            self.refuse(tree, f"{one.name} and {other.name} cannot both be the value")
        return FLOAT if Kind.FLOAT in kinds else INTEGER

    def refuse(self, tree: ast.AST, message: str) -> NoReturn:
        line = self._line
        shift = len(line.text) - len(line.text.lstrip())
        column = column_of(tree, line.text, shift)
        raise ExpressionError(message, expression=line.text, column=column, watch=line.watch)


def _known_integer(number: nodes.Number) -> int | None:
    if isinstance(number, nodes.Literal) and isinstance(number.value, int):
        return int(number.value)
    if isinstance(number, nodes.Unary) and number.op == "-":
        inner = _known_integer(number.operand)
        return None if inner is None else -inner
    return None
