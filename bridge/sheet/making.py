"""From a checked expression to the recipe by which a person reaches its value.

Every kind of node has its rule here, or its reason why it cannot be done by hand.  What is written
alike is read once.  In a list the letters are those of one element, made anew for each.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, NoReturn

from bridge.expressions import arithmetic, nodes
from bridge.expressions.node_walks import in_an_open_list
from bridge.expressions.program import Program, Slot
from bridge.sheet.letters import Letters
from bridge.sheet.recipe import (
    Added,
    Definition,
    Look,
    Recall,
    Recipe,
    Reckon,
    Stored,
    Sum,
    Walk,
)
from bridge.sheet.stored import stored_as, stored_flag, stored_part
from schemas.layout import Leaf, PointerTo, name_of

__all__ = ["MAX_TEXT", "recipe_of"]

MAX_TEXT = 40
"""Letters of an expression beyond which the letters of its addresses stand in it."""

_HEAP = "it wants a walk over all blocks of the heap"
_SUMS = ("+", "-")
_WHOLE = (
    nodes.Apply
    | nodes.Read
    | nodes.Stored
    | nodes.FlagRead
    | nodes.SlotValue
    | nodes.Length
    | nodes.Fold
    | nodes.FirstNumber
)
"""What needs no brackets around it."""


class _NotByHand(Exception):
    """Why not."""


def recipe_of(program: Program, name: str, watches: frozenset[str], pointer_size: int) -> Recipe:
    """The recipe of what *program* calls *name*.

    Other *watches* that it uses are referred to, each having a recipe of its own.
    """
    making = _Making(program, watches - {name}, pointer_size)
    try:
        result = making.whole(program.slots[program.watches[name]])
    except _NotByHand as fault:
        return Recipe((), "", reason=str(fault))
    return _plain_letters(
        Recipe(making.definitions, result, tuple(dict.fromkeys(making.over_frames)))
    )


def _plain_letters(recipe: Recipe) -> Recipe:
    """The same, whose only value, where it is the result, is called V."""
    looks = recipe.looks
    if not looks or recipe.result != "V1":
        return recipe
    last = looks[-1]
    final = Look("V", last.what, last.at, last.stored)
    return Recipe((*looks[:-1], final), "V")


@dataclass
class _Level:
    """What has been defined, in order, and the letters by role and text."""

    definitions: list[Definition] = field(default_factory=list)
    known: dict[tuple[str, str], str] = field(default_factory=dict)


class _Making:
    def __init__(self, program: Program, watches: frozenset[str], pointer_size: int) -> None:
        self.over_frames: list[str] = []
        self._program = program
        self._watches = watches
        self._pointer_size = pointer_size
        self._letters = Letters()
        self._outer = _Level()
        self._inner: _Level | None = None
        """What is made anew for each element of the list at hand."""
        self._bound: dict[str, Sum | str] = {}

    @property
    def definitions(self) -> tuple[Definition, ...]:
        return tuple(self._outer.definitions)

    def whole(self, slot: Slot) -> str:
        """The formula of a slot's value."""
        if slot.over_frames is None:
            assert slot.number is not None
            return self._formula(slot.number)
        call = slot.over_frames
        if call.function == "plan":
            raise _NotByHand(_HEAP)
        self.over_frames.append(call.function)
        given = [self.whole(self._program.slots[number]) for number in call.arguments]
        further = _further_arguments(slot.text, len(given))
        return f"{call.function}({', '.join([*given, *further])})"

    # what is defined once

    def _once(self, role: str, node: nodes.Expr, make: Callable[[], Definition]) -> str:
        """The letter of what is written so; defined where it is not yet."""
        key = role, node.text
        inner = self._inner
        # what all elements of a list share is read once, and not for each
        level = inner if inner is not None and in_an_open_list(node) else self._outer
        if key not in level.known:
            self._inner = inner if level is inner else None
            definition = make()
            self._inner = inner
            level.known[key] = definition.letter
            level.definitions.append(definition)
        return level.known[key]

    def _look(
        self, role: str, node: nodes.Expr, place: nodes.Place, stored: Stored, *parts: Added
    ) -> str:
        def make() -> Definition:
            at = self._sum(place)
            for part in parts:
                at = at.and_then(part)
            letter = self._letters.address() if role == "address" else self._letters.value()
            return Look(letter, self._short(node.text), at, stored)

        return self._once(role, node, make)

    def _short(self, text: str) -> str:
        """A text in which what is long and has a letter is that letter."""
        if len(text) <= MAX_TEXT:
            return text
        for (role, known), letter in self._outer.known.items():
            if role in ("address", "walk") and len(known) > len(letter):
                text = text.replace(known, letter)
        return text

    # addresses

    def _sum(self, place: nodes.Place) -> Sum:
        """A place's address."""
        if isinstance(place, nodes.Offset):
            label = place.text.removeprefix(place.base.text).lstrip(".")
            return self._sum(place.base).and_then(Added(label, place.offset))
        if isinstance(place, nodes.Fixed):
            return Sum("", place.address, (Added(place.text, place.address),))
        if isinstance(place, nodes.Followed):
            return Sum(self._pointer(place.pointer), 0)
        if isinstance(place, nodes.Indexed):
            base = self._sum(place.base)
            count = self._count(place.index)
            return Sum(base.base, base.add, base.parts, (*base.times, (count, place.stride)))
        if isinstance(place, nodes.AtAddress):
            return Sum(self._address(place.address), 0)
        if isinstance(place, nodes.LoopPlace):
            bound = self._bound[place.variable]
            assert isinstance(bound, Sum)
            return bound
        if isinstance(place, nodes.FirstPlace):
            return Sum(self._walk("first", place, place.listing), 0)
        return _refuse(place)

    def _pointer(self, place: nodes.Place) -> str:
        """The letter of the address that is stored at a place."""
        leaf = place.node
        assert isinstance(leaf, Leaf)
        return self._look("address", place, place, stored_as(leaf))

    def _address(self, number: nodes.Number) -> str:
        """The letter of a computed address."""
        if isinstance(number, nodes.Read) and isinstance(number.leaf, PointerTo):
            return self._pointer(number.place)

        def make() -> Definition:
            formula = self._formula(number)
            return Reckon(self._letters.address(), number.text, formula)

        return self._once("address", number, make)

    def _count(self, number: nodes.Number) -> str:
        """The letter of a computed index."""

        def make() -> Definition:
            formula = self._formula(number)
            return Reckon(self._letters.count(), number.text, formula)

        return self._once("count", number, make)

    # formulas

    def _part(self, number: nodes.Number) -> str:
        """A formula that can stand beside an operator."""
        formula = self._formula(number)
        whole = isinstance(number, _WHOLE) or formula.isalnum()
        return formula if whole else f"({formula})"

    def _formula(self, number: nodes.Number) -> str:
        if isinstance(number, nodes.Arithmetic):
            return self._arithmetic(number)
        rule = _RULES.get(type(number))
        return rule(self, number) if rule is not None else _refuse(number)

    def _literal(self, number: nodes.Literal) -> str:
        value = number.value
        if isinstance(value, str):
            return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
        # a member of an enumeration is its number
        written = number.text[:1].isdigit() or number.text in ("True", "False")
        return number.text if written else str(value)

    def _read(self, number: nodes.Read) -> str:
        if isinstance(number.leaf, PointerTo):
            # the same letter where it is followed as well
            return self._pointer(number.place)
        return self._look("value", number, number.place, stored_as(number.leaf))

    def _stored(self, number: nodes.Stored) -> str:
        part = Added(_part_words(number), number.offset, of_leaf=True)
        return self._look("value", number, number.place, stored_part(number), part)

    def _flag(self, number: nodes.FlagRead) -> str:
        return self._look("value", number, number.place, stored_flag(number))

    def _address_of(self, number: nodes.AddressOf) -> str:
        return _sum_formula(self._sum(number.place))

    def _slot(self, number: nodes.SlotValue) -> str:
        slot = self._program.slots[number.slot]
        if slot.name in self._watches:
            return self._once("watch", number, lambda: Recall(self._letters.value(), slot.name))
        return self.whole(slot)

    def _loop_number(self, number: nodes.LoopNumber) -> str:
        bound = self._bound[number.variable]
        assert isinstance(bound, str)
        return bound

    def _unary(self, number: nodes.Unary) -> str:
        operand = self._part(number.operand)
        return f"not {operand}" if number.op == "not" else f"{number.op}{operand}"

    def _arithmetic(self, number: nodes.Arithmetic) -> str:
        # a long sum leans to the left
        chain: list[nodes.Arithmetic] = []
        left: nodes.Number = number
        while isinstance(left, nodes.Arithmetic):
            chain.append(left)
            left = left.left
        formula, before = self._part(left), ""
        for each in reversed(chain):
            if before and not (each.op in _SUMS and before in _SUMS):
                formula = f"({formula})"
            formula, before = f"{formula} {each.op} {self._part(each.right)}", each.op
        return formula

    def _comparison(self, number: nodes.Comparison) -> str:
        first, *others = (self._part(operand) for operand in number.operands)
        told = (f" {op} {part}" for op, part in zip(number.ops, others, strict=True))
        return first + "".join(told)

    def _logic(self, number: nodes.Logic) -> str:
        return f" {number.op} ".join(map(self._condition, number.operands))

    def _condition(self, number: nodes.Number) -> str:
        """A formula that can stand beside *and* or *or*."""
        binds = isinstance(number, nodes.Comparison | nodes.Arithmetic)
        return self._formula(number) if binds else self._part(number)

    def _choice(self, number: nodes.Choice) -> str:
        chosen, otherwise = self._part(number.chosen), self._part(number.otherwise)
        return f"{chosen} if {self._part(number.condition)} else {otherwise}"

    def _apply(self, number: nodes.Apply) -> str:
        given = [self._formula(argument) for argument in number.arguments]
        if number.call is arithmetic.distance:
            half = len(given) // 2
            parts = [self._part(argument) for argument in number.arguments]
            ways = (f"{a} - {b}" for a, b in zip(parts[:half], parts[half:], strict=True))
            return f"hypot({', '.join(ways)})"
        if number.text.startswith("turn_frames"):
            raise _NotByHand("it looks for the cheapest moves; lowhalf solve turn does so")
        name = "unsigned" if number.call is arithmetic.unsigned else number.text.partition("(")[0]
        return f"{name.strip()}({', '.join(given)})"

    def _length(self, number: nodes.Length) -> str:
        return self._walk("count", number, number.listing)

    def _fold(self, number: nodes.Fold) -> str:
        return self._walk(number.function, number, number.listing)

    def _first_number(self, number: nodes.FirstNumber) -> str:
        return self._walk("first", number, number.listing)

    # lists

    def _walk(self, takes: str, node: nodes.Expr, listing: nodes.Listing) -> str:
        """The letter of what going along a list gives."""

        def make() -> Definition:
            if self._inner is not None:
                raise _NotByHand("it goes along a list for each element of another")
            layers: list[nodes.Comprehension] = []
            source = listing
            while isinstance(source, nodes.Comprehension):
                layers.append(source)
                source = source.source
            if not isinstance(source, nodes.Chain):
                raise _NotByHand(_HEAP)
            first = self._sum(source.head)
            element = self._letters.element()
            self._inner = inner = _Level()
            where, each = self._of_each(list(reversed(layers)), Sum(element, 0))
            self._inner = None
            address = takes == "first" and isinstance(each, Sum)
            return Walk(
                self._letters.address() if address else self._letters.value(),
                node.text,
                first,
                source.head_is_pointer,
                element,
                source.next_offset,
                self._pointer_size,
                tuple(inner.definitions),
                where,
                each if isinstance(each, str) else _sum_formula(each),
                takes,
            )

        return self._once("walk", node, make)

    def _of_each(
        self, layers: Sequence[nodes.Comprehension], each: Sum | str
    ) -> tuple[str, Sum | str]:
        """Where an element counts, and what is taken of it; *each* is the element itself."""
        alone = sum(len(layer.conditions) for layer in layers) == 1
        conditions: list[str] = []
        for layer in layers:
            self._bound[layer.variable] = each
            for condition in layer.conditions:
                conditions.append((self._formula if alone else self._condition)(condition))
            each = self._each(layer.result)
        return " and ".join(conditions), each

    def _each(self, result: nodes.Expr) -> Sum | str:
        if isinstance(result, nodes.Place):
            return self._sum(result)
        if isinstance(result, nodes.Number):
            return self._formula(result)
        raise _NotByHand(_HEAP)


def _sum_formula(at: Sum) -> str:
    terms = [at.base] if at.base else []
    terms += [f"{letter} * 0x{size:X}" for letter, size in at.times]
    if at.add or not terms:
        terms.append(f"0x{at.add:X}")
    return " + ".join(terms)


def _part_words(read: nodes.Stored) -> str:
    """What a part of a leaf is called: the low half, byte 2, all bits."""
    name, _, rest = read.text.partition("(")
    if name == "byte":
        return f"byte {rest.rpartition(',')[2].rstrip(')').strip()} of {name_of(read.leaf)}"
    return {"low": "low half", "high": "high half"}.get(name, "pattern")


def _further_arguments(text: str, given: int) -> list[str]:
    """The arguments of a function over frames that are constants: the count of average."""
    return [text.rpartition(",")[2].rstrip(") ").strip()] if text.startswith("average(") else []


def _refuse(node: nodes.Expr) -> NoReturn:
    if isinstance(node, nodes.BlockField | nodes.OfBlocks):
        raise _NotByHand(_HEAP)
    raise _NotByHand(f"{node.text} cannot be told in steps")


_RULES: dict[type[nodes.Number], Callable[[_Making, Any], str]] = {
    nodes.Literal: _Making._literal,
    nodes.Read: _Making._read,
    nodes.Stored: _Making._stored,
    nodes.FlagRead: _Making._flag,
    nodes.AddressOf: _Making._address_of,
    nodes.SlotValue: _Making._slot,
    nodes.LoopNumber: _Making._loop_number,
    nodes.Unary: _Making._unary,
    nodes.Comparison: _Making._comparison,
    nodes.Logic: _Making._logic,
    nodes.Choice: _Making._choice,
    nodes.Apply: _Making._apply,
    nodes.Length: _Making._length,
    nodes.Fold: _Making._fold,
    nodes.FirstNumber: _Making._first_number,
}
