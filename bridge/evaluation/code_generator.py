"""From typed nodes to Python source that evaluates them against an image.

The source is made of nothing but this package's own phrases, numbers, and local names that it
numbers itself: no text of a user enters it.  (Texts, for reasons, go by index into a table.)

Whole numbers are as wide as they need be, up to MAX_BITS.  How wide a result can become is known
here, so only what might be wider is looked at when it is made.

Names in the generated code:

    ram V S A L T     flat bytes; values, statuses (None is ok) and addresses by slot; lines held
                      and lines touched (sparse only)
    C                 slot → caution, for those that have a value and a warning beside it
    u_X               ``struct.Struct(order + X).unpack_from``
    t0 t1 …           temporaries, each assigned before it is used
    K                 table of sites, texts, functions and other constants
    list0 list1 …     the lists that are functions of their own

A number and a list become code by *rules*, a table by kind of node that the generator is given
(``number_code``, ``list_code``; ``slot_code`` joins them).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Mapping
from dataclasses import replace
from typing import Any

from bridge.evaluation.access_code import AccessCode, Address
from bridge.expressions import nodes
from bridge.expressions.arithmetic import MAX_BITS
from bridge.expressions.list_meaning import meaning, of_an_explanation, variables
from bridge.expressions.node_walks import in_a_list
from bridge.expressions.program import Program
from bridge.expressions.widths import Widths
from bridge.heap.stale_pointers import HeapPointer
from bridge.memory.address_map import MemoryMap
from schemas.compiler import BuildLayout
from schemas.layout import Leaf, Node, PointerTo, name_of

__all__ = ["Generator", "Rule"]


class Generator(AccessCode):
    """Writes the code of one program's nodes.

    ``slot`` is the slot at hand, or behind all slots the list with a function of its own, and
    ``checks`` whether it warns of pointers into the heap; ``cautious`` are those that can have been
    warned.  ``spends`` is whether the slot does what is counted.  ``loops`` are the variables of
    the lists around what is emitted.  ``shared`` numbers the lists that are functions, by what they
    mean, and ``list_bodies`` are those functions' statements by that number.
    """

    def __init__(
        self,
        program: Program,
        layout: BuildLayout,
        memory: MemoryMap,
        rules: Mapping[type[nodes.Expr], Rule],
        *,
        whole: bool,
    ) -> None:
        super().__init__(layout, memory, whole=whole)
        self.program = program
        self.widths = Widths(program.slots, layout.pointer_size * 8)
        self.loops: dict[str, str] = {}
        self.cautious: set[int] = set()
        self.slot = 0
        self.checks = False
        self.spends = False
        self.shared: dict[Hashable, int] = {}
        self.list_bodies: dict[int, list[str]] = {}
        self._rules = rules

    def number(self, node: nodes.Number) -> str:
        """Emit a number; gives it in generated code, cheap and free of side effects."""
        return self._rules[type(node)](self, node)

    def bounded(self, value: str, node: nodes.Number) -> str:
        """Emit that a whole number is not too wide, where it might be; gives it."""
        if self.widths.unbounded(node) > MAX_BITS:
            self.further += 8  # what is so wide takes longer than a statement
            self.emit(f"if not LEAST <= {value} <= MOST: bounded({value})")
        return value

    # places

    def address(self, place: nodes.Place) -> Address:
        """Emit what is needed to know a place's address."""
        if isinstance(place, nodes.Fixed):
            return Address(None, place.address)
        if isinstance(place, nodes.Offset):
            base = self.address(place.base)
            return replace(base, offset=base.offset + place.offset)
        if isinstance(place, nodes.Followed):
            assert isinstance(place.pointer.node, Leaf)
            value = self.load(place.pointer, place.pointer.node)
            if isinstance(place.pointer.node, PointerTo):
                self.aim(value, place.pointer, place.pointer.node)
            return Address(value, 0, place.pointer.text)
        if isinstance(place, nodes.AtAddress):
            return Address(self.temporary(self.number(place.address)), 0, place.text)
        if isinstance(place, nodes.LoopPlace):
            return Address(self.loops[place.variable], 0, place.text)
        if isinstance(place, nodes.FirstPlace):
            return Address(self.first(place.listing), 0, place.text)
        if isinstance(place, nodes.Picked):
            return Address(self.pick(place.listing, place.index), 0, place.text)
        assert isinstance(place, nodes.Indexed)
        return self._element(place)

    def _element(self, place: nodes.Indexed) -> Address:
        base = self.address(place.base)
        index = self.temporary(self.number(place.index))
        if place.count is not None:
            text = self.constant((place.text, place.count))
            self.emit(f"if not 0 <= {index} < {place.count}: index_fault({index}, {text})")
        if base.variable is None:
            variable = self.temporary(f"{index} * {place.stride} + {base.offset}")
            return Address(variable, 0)
        self.not_null(base)
        variable = self.temporary(f"{base.variable} + {index} * {place.stride}")
        return replace(base, variable=variable, step=math.gcd(base.step, place.stride))

    def load(self, place: nodes.Place, leaf: Leaf) -> str:
        """Emit the read of a place; gives the name that has its value."""
        return self.temporary(self.value(self.address(place), place.text, leaf))

    def stored(self, node: nodes.Read | nodes.Stored | nodes.FlagRead) -> tuple[str, Address]:
        """Emit a read; gives its value in generated code and its address."""
        address = self.address(node.place)
        if isinstance(node, nodes.Read):
            return self.value(address, node.place.text, node.leaf), address
        if isinstance(node, nodes.FlagRead):
            word = self.index(address, 0, node.leaf, node.leaf.size, node.place.text)
            unit = self.unpack(node.leaf.packing.format.upper(), word)
            return f"({unit} >> {node.bit} & 1) == 1", address
        place = node.place.text
        index = self.index(address, node.offset, node.leaf, node.size, place)
        order = node.leaf.packing.format[0]
        formats = {1: "B", 2: "H", 4: "I", 8: "Q"}
        value = self.unpack(order + formats[node.size], index)
        return value, replace(address, offset=address.offset + node.offset)

    # blocks of the heap

    def block_of(self, node: nodes.NamedBlock) -> tuple[str, str]:
        """Emit a block of the heap; gives it and the address that was asked about, if any."""
        if isinstance(node, nodes.LoopBlock):
            return self.loops[node.variable], ""
        if isinstance(node, nodes.FirstBlock):
            return self.first(node.listing), ""
        if isinstance(node, nodes.PickedBlock):
            return self.pick(node.listing, node.index), ""
        assert isinstance(node, nodes.BlockOf)
        address = self.number(node.address)
        self.spends = True
        among = "" if node.heap is None else f", {node.heap!r}"
        return self.temporary(f"block({address}, {self.constant(node.holder)}{among})"), address

    # pointers into the heap

    def aim(self, value: str, place: nodes.Place, leaf: PointerTo) -> str:
        """Emit the check of what a pointer that was read leads to; gives its value."""
        target = str(leaf.target)
        if not self._is_judged(target):
            return value
        value = self.temporary(value)
        spec = HeapPointer(place.text, self._begins_payloads(target), not in_a_list(place))
        pointer = self.constant(spec)
        self.emit(f"if {value}: aim({value}, {pointer}, {self.slot})")
        if spec.over_frames:
            self.emit(f"else: aimless({pointer})")
        self.cautious.add(self.slot)
        return value

    def aim_all(self, listing: str, text: str, node: Node) -> None:
        """Emit the same for every element of a linked list."""
        name = name_of(node)
        if not self._is_judged(name):
            return
        spec = HeapPointer(f"an element of {text}", self._begins_payloads(name), False)
        self.emit(f"aims({listing}, {self.constant(spec)}, {self.slot})")
        self.cautious.add(self.slot)

    def _is_judged(self, target: str) -> bool:
        """Whether pointers to that type are: one to a block is meant to lead to a header."""
        heaps = self.program.heaps
        return self.checks and bool(heaps) and all(h.types.block_name != target for h in heaps)

    def _begins_payloads(self, target: str) -> bool:
        return any(heap.types.begins_payloads(target) for heap in self.program.heaps)

    def share(self, other: int) -> None:
        """Emit that what another slot was warned of holds for this one, too."""
        if other in self.cautious and self.checks:
            self.emit(f"if {other} in C: caution(C[{other}], {self.slot})")
            self.cautious.add(self.slot)

    # lists

    def listing(self, node: nodes.Listing) -> str:
        """Emit a list; gives its name in generated code.  Places are their addresses.

        One that uses no variable of another around it is a function of its own, and equal ones are
        the same: it is evaluated at most once a frame.
        """
        alike = self.program.slots and not of_an_explanation(node)
        if alike and variables(node).isdisjoint(self.loops):
            return self._shared(node)
        return self._rules[type(node)](self, node)

    def _shared(self, node: nodes.Listing) -> str:
        """Emit the use of a list that means the same wherever it stands, and the list itself."""
        means = meaning(node, self.program.slots), self.checks
        number = self.shared.get(means)
        cautions_of = len(self.program.slots)
        if number is None:
            number = self.shared[means] = len(self.shared)
            kept = self.indent, self.count, self.slot, self.further, self.loops
            self.indent, self.count, self.loops = " ", 0, {}
            self.slot = cautions_of + number
            self.list_bodies[number] = self.captured(
                lambda: self.emit(f"return {self._rules[type(node)](self, node)}")
            )
            self.indent, self.count, self.slot, self.further, self.loops = kept
        slot: int | None = None
        if cautions_of + number in self.cautious:
            slot = self.slot
            self.cautious.add(slot)
        self.spends = True
        return self.temporary(f"shared({number}, {slot})")

    def first(self, listing: nodes.Listing) -> str:
        """Emit the first element of a list; gives the name that has it."""
        found = self.listing(listing)
        return self.temporary(f"first({found}, {self.constant(listing.text)})")

    def pick(self, listing: nodes.Listing, index: nodes.Number) -> str:
        """Emit the element of a list at a position; gives the name that has it."""
        found, position = self.listing(listing), self.number(index)
        return self.temporary(f"pick({found}, {position}, {self.constant(listing.text)})")

    def listed(self, slot: int) -> None:
        """Emit that the list of a slot is there."""
        self.emit(f"if S[{slot}] is not None: again(S[{slot}])")
        self.share(slot)


Rule = Callable[[Generator, Any], str]
"""Emits a node and gives it in generated code; which kind of node is told by the table's key."""
