"""Static typing of expressions: from syntax trees to typed nodes.

All watches of a bridge are checked together against one build, because a watch may use another by
name.  The result is a list of *slots* in an order in which each uses only earlier ones: one for
each watch and, behind the scenes, one for each function over frames and each of its arguments.
Those are slots of their own because they must be evaluated in every frame, even where they stand in
a branch that is not taken; equal ones are shared.

What each node of a syntax tree becomes is told by *rules*, which the checker is given, so that it
knows of no function and no operator by itself (``bridge.expressions.compiling`` joins them).
"""

from __future__ import annotations

import ast
import contextlib
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NoReturn

from bridge.expressions import nodes
from bridge.expressions.frame_functions.frame_function import FrameFunction
from bridge.expressions.leaf_types import value_type
from bridge.expressions.program import FrameFunctionCall, Slot
from bridge.expressions.syntax import column_of, parse
from bridge.values.value_type import Kind, ValueType
from schemas.compiler import BuildLayout
from schemas.errors import ExpressionError
from schemas.heap_types import HeapTypes
from schemas.layout import BitField, Chars, Leaf, Node, OffsetStruct, PointerTo, name_of
from schemas.toml_file import nearest

__all__ = ["MAX_DISTANCE_DEPTH", "MAX_TEXT_LENGTH", "Checker", "Line", "Rule"]

MAX_DISTANCE_DEPTH = 2
"""A distance reads each axis of its places by itself, with all that leads there."""
MAX_TEXT_LENGTH = 4096


@dataclass
class Line:
    """The expression that is being checked.

    ``locals`` are the variables of the lists around the node at hand, ``lists`` and ``distances``
    how many of each are around it.
    """

    text: str
    watch: str
    locals: dict[str, nodes.Element] = field(default_factory=dict)
    lists: int = 0
    distances: int = 0
    of_heap: bool = False


class Checker:
    """The state of checking the watches of one build, and what rules and functions ask of it.

    ``layout`` is the build's, ``watch_slots`` which slot each watch is that was checked,
    ``expressions`` all watches, and ``line`` the expression at hand.
    """

    def __init__(
        self,
        layout: BuildLayout,
        rules: Mapping[type[ast.expr], Rule],
        watches: Mapping[str, str],
        without_heap_warnings: Collection[str] = (),
    ) -> None:
        self.layout = layout
        self._rules = rules
        self._without_heap_warnings = without_heap_warnings
        self._slots: list[Slot] = []
        self.watch_slots: dict[str, int] = {}
        self.expressions = watches
        self._trees = {name: parse(text, name) for name, text in watches.items()}
        self._hidden: dict[tuple[str, bool], int] = {}
        self.line = Line("", "")

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
            and part.id in self.expressions
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
        self.line = Line(" ".join(self.expressions[name].splitlines()), name)

    def _add(self, slot: Slot) -> int:
        self._slots.append(slot)
        return len(self._slots) - 1

    @property
    def slots(self) -> tuple[Slot, ...]:
        """All slots that were made so far, each of which uses only earlier ones."""
        return tuple(self._slots)

    def type_of(self, slot: int) -> ValueType:
        """The type of the value of a slot that was made."""
        return self._slots[slot].type

    def of_heap(self, text: str, variables: Mapping[str, Node | ValueType]) -> ast.expr:
        """Begin an expression of the schema's heap, in which *variables* can be named."""
        tree = parse(text)
        self.line = Line(" ".join(text.splitlines()), "", dict(variables), of_heap=True)
        return tree

    @property
    def heap_checks(self) -> bool:
        """Whether the watch at hand warns of pointers into the heap."""
        return self.line.watch not in self._without_heap_warnings

    def heaps(self, tree: ast.expr) -> tuple[HeapTypes, ...]:
        """All heaps, of which an expression asks for one."""
        if self.line.of_heap:
            self.refuse(tree, "asks for the heap, which is what is being described")
        if not self.layout.heaps:
            self.refuse(tree, "the schema describes no heap; add [heap] to it")
        return self.layout.heaps

    def heap(self, tree: ast.expr, name: ast.expr | None = None) -> HeapTypes:
        """The heap that an expression asks for, by its *name* in quotation marks or without."""
        heaps = self.heaps(tree)
        known = [heap.name for heap in heaps if heap.name]
        if name is not None:
            wanted = self.literal_text(name, "a heap's name")
            found = self.layout.heap_named(wanted) if wanted else None
            if found is None:
                hint = nearest(wanted, known) if known else "; the schema has only [heap]"
                self.refuse(name, f"unknown heap {wanted}{hint}")
            return found
        if heaps[0].name and len(heaps) > 1:
            self.refuse(tree, f"which heap? name it in quotation marks: {', '.join(known)}")
        return heaps[0]

    def hidden(self, tree: ast.expr) -> int:
        """The slot of a function's argument over frames; equal arguments share one."""
        text, checks = self.text(tree), self.heap_checks
        key = text, checks
        if key not in self._hidden:
            number = self.value(tree)
            slot = Slot("", text, number.type, number, heap_checks=checks)
            self._hidden[key] = self._add(slot)
        return self._hidden[key]

    def hidden_text(self, text: str) -> int:
        """The slot of an argument that is an expression of the schema's."""
        outer = self.line
        self.line = Line(" ".join(text.splitlines()), outer.watch)
        try:
            return self.hidden(parse(text))
        finally:
            self.line = outer

    def hidden_number(self, number: nodes.Number) -> int:
        """The slot of an argument that no text of the user's is."""
        key = number.text, self.heap_checks
        if key not in self._hidden:
            slot = Slot("", number.text, number.type, number, heap_checks=self.heap_checks)
            self._hidden[key] = self._add(slot)
        return self._hidden[key]

    def over_frames(
        self,
        tree: ast.Call,
        arguments: Sequence[int],
        kind: ValueType,
        make: Callable[[str], FrameFunction],
    ) -> nodes.Number:
        """The call of a function over frames, as the value of a slot of its own.

        *arguments* are the slots from :meth:`hidden`; *make* gives the state machine for a text.
        """
        text, checks = self.text(tree), self.heap_checks
        key = text, checks
        if key not in self._hidden:
            assert isinstance(tree.func, ast.Name)
            spec = FrameFunctionCall(tree.func.id, tuple(arguments), make)
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
            named = any(heap.name for heap in self.layout.heaps)
            known = [name for name in nodes.BLOCK_FIELDS if named or name != "heap"]
            self.refuse(tree, f"is a whole block; name a field: {', '.join(known)}")
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
        """An expression that must be a whole number or a truth value."""
        found = self.number(tree)
        if found.type.kind is Kind.FLOAT:
            self.refuse(tree, f"is a {found.type.name}, expected a whole number")
        return found

    def constant(self, tree: ast.expr, lowest: int, highest: int) -> int:
        """A whole number that must be written out, from *lowest* to *highest*."""
        if (
            not isinstance(tree, ast.Constant)
            or not isinstance(tree.value, int)
            or isinstance(tree.value, bool)
            or not lowest <= tree.value <= highest
        ):
            self.refuse(tree, f"expected a number from {lowest} to {highest}, written out")
        return tree.value

    def literal_text(self, tree: ast.expr, what: str) -> str:
        """A text that must be written out in quotation marks; *what* names it in the refusal."""
        if not isinstance(tree, ast.Constant) or not isinstance(tree.value, str):
            self.refuse(tree, f"expected {what} in quotation marks")
        return tree.value

    def place(self, tree: ast.expr) -> nodes.Place:
        """An expression that must be a place in memory."""
        found = self.any(tree)
        if not isinstance(found, nodes.Place):
            self.refuse(tree, "is a value, expected a place in memory")
        return found

    def leaf_place(self, tree: ast.expr) -> tuple[nodes.Place, Leaf]:
        """A place whose value has bytes of its own and is no text, with its leaf."""
        place = self.place(tree)
        if not isinstance(place.node, Leaf) or isinstance(place.node, Chars):
            self.refuse(tree, f"is a {name_of(place.node)}, expected a stored number")
        if isinstance(place.node, BitField):
            self.refuse(tree, "is a bit-field, which has no bytes of its own")
        return place, place.node

    def listing(self, tree: ast.expr) -> nodes.Listing:
        """An expression that must be a list."""
        found = self.any(tree)
        if not isinstance(found, nodes.Listing):
            self.refuse(tree, "expected a list, as from chain(…)")
        return found

    def any(self, tree: ast.expr) -> nodes.Expr:
        """An expression of any sort."""
        return self._rules[type(tree)](self, tree)

    # parts

    def text(self, tree: ast.expr) -> str:
        """The part of the line that a syntax tree was read from."""
        line = self.line.text.strip().encode()
        return line[tree.col_offset : tree.end_col_offset].decode()

    def target(self, tree: ast.expr, pointer: PointerTo) -> Node:
        """The type that a pointer leads to."""
        try:
            return self.layout.type(pointer.target)
        except ValueError as fault:
            self.refuse(tree, str(fault))

    def follow(self, tree: ast.expr, place: nodes.Place) -> nodes.Place:
        """What the pointer stored at a place leads to."""
        assert isinstance(place.node, PointerTo)
        return nodes.Followed(place.text, self.target(tree, place.node), place)

    @contextlib.contextmanager
    def in_distance(self, tree: ast.expr) -> Iterator[None]:
        """The arguments of a distance are checked meanwhile."""
        if self.line.distances == MAX_DISTANCE_DEPTH:
            self.refuse(
                tree,
                f"distances are nested deeper than {MAX_DISTANCE_DEPTH}; make the inner one a "
                "watch",
            )
        self.line.distances += 1
        yield
        self.line.distances -= 1

    def refuse(self, tree: ast.AST, message: str) -> NoReturn:
        """Raise ExpressionError with its place in the text."""
        line = self.line
        shift = len(line.text) - len(line.text.lstrip())
        column = column_of(tree, line.text, shift)
        raise ExpressionError(message, expression=line.text, column=column, watch=line.watch)


Rule = Callable[[Checker, Any], nodes.Expr]
"""What makes a typed node of a syntax tree's; the sort of tree is told by the table's key."""
