"""How a value comes about: every address in it as a sum, every pointer with what it holds.

An explanation is a prepared build like any other, whose watches are the steps, so that one frame of
any source gives all of them at once.  A list is one step whose value is the list as it was walked;
once the frame is there, ``working`` lays it out, an element a line.  Where one element of a list is
taken, its own steps follow, with the element in the place of the list's variable.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace

from bridge.evaluation.list_working import Walked
from bridge.expressions import nodes
from bridge.expressions.compiling import check
from bridge.expressions.node_walks import in_an_open_list, with_variable
from bridge.expressions.program import Program, Slot
from bridge.heap.blocks import Block as HeapBlock
from bridge.prepared import PreparedBuild
from bridge.readings.reading import Reading, Watch
from bridge.values.status import Status
from bridge.values.value_type import INTEGER, TEXT, Kind, Value, ValueType
from schemas.layout import Leaf, name_of

__all__ = ["MAX_ELEMENTS", "RESULT", "DerivationStep", "explain", "working"]

RESULT = "result"
MAX_ELEMENTS = 8
"""Elements of a list that its working shows."""


@dataclass(frozen=True, slots=True)
class DerivationStep:
    """One line of an explanation; its reading has the same place in the frame.

    ``kind`` is ``symbol``, ``computed`` (an address that is no symbol's), ``add`` (``offset``
    bytes are added), ``index`` (a computed count of ``offset`` bytes each is added), ``follow``
    (the value of a pointer becomes the address), ``value`` (what is stored), ``part`` (a half or
    a byte of it) or ``result``.  ``label`` is what the step is called and ``type`` the type that
    it leads to.

    Of lists: ``list`` (the count of its elements, of ``offset`` that were walked), ``element``
    (one of them, made of element ``offset`` of what was walked: an address, a number or a block's
    start), ``more`` (how many are not shown), ``position`` (which element of the list ``type`` was
    taken) and ``taken`` (its address).  Of the heap: ``block`` (its start) and ``field`` (what is
    known of it).
    """

    kind: str
    label: str
    type: str
    offset: int = 0
    element: ValueType | None = None
    """Of a list: the type of its elements' values."""


def explain(
    prepared: PreparedBuild, watches: Mapping[str, str], text: str, most: int | None = None
) -> tuple[PreparedBuild, list[DerivationStep]]:
    """The prepared build and the steps that explain a watch's name or an expression.

    Each step is evaluated from its symbol on, so those of a long path are many more reads than the
    path; where there are more than *most*, the steps of later accesses are left out.

    Raises ExpressionError.
    """
    name = text if text in watches else ""
    known = prepared.program
    without_heap_warnings = [
        w for w, slot in known.watches.items() if not known.slots[slot].heap_checks
    ]
    program = check(
        prepared.layout,
        {**watches, name: watches.get(text, text)},
        without_heap_warnings,
        prepared.functions,
    )
    making = _Making(prepared, program, checks=name not in without_heap_warnings, most=most)
    final = program.watches[name]
    making.tell([program.slots[final]])
    steps, shown, places = making.steps, making.shown, making.places
    steps.append(DerivationStep(RESULT, text, program.slots[final].type.name))
    original = next((w for w in prepared.watches if w.name == text), None)
    shown.append(
        replace(original, name=RESULT)
        if original
        else Watch(RESULT, text, text, program.slots[final].type)
    )
    places[RESULT] = final
    program = replace(program, slots=tuple(making.slots), watches=places)
    return replace(prepared, program=program, watches=tuple(shown)), steps


_Access = nodes.Read | nodes.Stored | nodes.FlagRead | nodes.AddressOf
_FIRST = nodes.Literal("0", INTEGER, 0)


class _Making:
    """Makes the steps of one explanation.  ``slots`` are the program's, with those of the steps."""

    def __init__(
        self, prepared: PreparedBuild, program: Program, *, checks: bool, most: int | None
    ) -> None:
        bits = prepared.layout.pointer_size * 8
        self.address = ValueType(Kind.INTEGER, bits, address=True, name="address")
        self.slots = list(program.slots)
        self.steps: list[DerivationStep] = []
        self.shown: list[Watch] = []
        self.places: dict[str, int] = {}
        self._program = program
        self._checks = checks
        self._most = most
        self._reads = 0
        self._used: set[int] = set()
        self._told: set[tuple[str, str]] = set()
        self._lists: dict[tuple[str, str], int] = {}
        self._scope = ""
        """The list whose element is told of: a variable's name means something only within it."""

    def _add(self, step: DerivationStep, number: nodes.Number) -> int:
        """Add a step; gives its slot."""
        watch = f"step{len(self.steps)}"
        # the step that follows a pointer tells of it; those that come after need not
        checked = self._checks and step.kind in ("follow", "list")
        self.slots.append(Slot(watch, number.text, number.type, number, heap_checks=checked))
        self.places[watch] = len(self.slots) - 1
        self.steps.append(step)
        self.shown.append(Watch(watch, step.label, number.text, number.type))
        return len(self.slots) - 1

    def _once(self, text: str) -> bool:
        """Whether a text is told of for the first time."""
        key = self._scope, text
        if key in self._told:
            return False
        self._told.add(key)
        return True

    def tell(self, first: Iterable[object]) -> None:
        """The steps of everything in *first* and in the slots it uses, in the text's order."""
        pending = list(first)
        while pending:
            node = pending.pop(0)
            if isinstance(node, Slot):
                over = node.over_frames.arguments if node.over_frames else ()
                pending = [node.number, *(self._program.slots[n] for n in over), *pending]
            elif isinstance(node, nodes.SlotValue):
                if node.slot not in self._used:
                    self._used.add(node.slot)
                    pending.insert(0, self._program.slots[node.slot])
            elif isinstance(node, _Access):
                self._access(node)
            elif isinstance(node, nodes.Listing):
                self._list(node)
            elif isinstance(node, nodes.Fold | nodes.FirstNumber):
                self._taken_number(node)
            elif isinstance(node, nodes.NamedBlock):
                self._block(node)
            elif isinstance(node, tuple):
                pending = [*node, *pending]
            elif isinstance(node, nodes.Expr):
                pending = [*(getattr(node, f.name) for f in fields(node)), *pending]

    def _access(self, read: _Access) -> None:
        # what an address is computed from comes first
        self.tell(_computed(read.place))
        if in_an_open_list(read) or not self._once(read.text) or not self._has_room(read):
            return
        self._place(read.place)
        if isinstance(read, nodes.Read | nodes.FlagRead):
            self._add(DerivationStep("value", read.text, read.type.name), read)
        elif isinstance(read, nodes.Stored):
            leaf = read.leaf
            kind = ValueType(Kind.INTEGER, leaf.size * 8, name=name_of(leaf))
            whole = nodes.Stored(read.place.text, kind, read.place, leaf, 0, leaf.size)
            self._add(DerivationStep("value", read.place.text, name_of(leaf)), whole)
            self._add(DerivationStep("part", read.text, read.type.name, read.offset), read)

    def _has_room(self, read: _Access) -> bool:
        """Whether the steps of an access can be told, too; none can once some could not."""
        self._reads += (_depth(read.place) + 2) ** 2 // 2
        return self._most is None or self._reads <= self._most

    def _place(self, place: nodes.Place) -> None:
        """The sum of a place's address."""
        here = nodes.AddressOf(place.text, self.address, place)
        kind = name_of(place.node)
        if isinstance(place, nodes.Offset):
            self._place(place.base)
            label = place.text.removeprefix(place.base.text)
            self._add(DerivationStep("add", label, kind, place.offset), here)
        elif isinstance(place, nodes.Indexed):
            self._place(place.base)
            label = place.text.removeprefix(place.base.text)
            self._add(DerivationStep("index", label, kind, place.stride), here)
        elif isinstance(place, nodes.Followed):
            self._place(place.pointer)
            self._add(DerivationStep("follow", place.text, kind), here)
        elif isinstance(place, nodes.Fixed):
            self._add(DerivationStep("symbol", place.text, kind), here)
        else:
            first = isinstance(place, nodes.FirstPlace) and self._first_of(place.listing)
            taken = first or isinstance(place, nodes.Picked)
            self._add(DerivationStep("taken" if taken else "computed", place.text, kind), here)

    # lists

    def _list(self, listing: nodes.Listing) -> int | None:
        """The steps of a list; gives the slot that has it, None where it has no one value."""
        if in_an_open_list(listing):
            return None
        if isinstance(listing, nodes.SlotListing):
            return listing.slot
        key = self._scope, listing.text
        if key in self._lists:
            return self._lists[key]
        walked = listing
        if isinstance(listing, nodes.Chain):
            self._head(listing)
        elif isinstance(listing, nodes.Comprehension):
            source = self._list(listing.source)
            if source is None:
                return None
            self.tell(listing.conditions)
            walked = replace(listing, source=_in_slot(listing.source, source))
        element = listing.element
        step = DerivationStep(
            "list", listing.text, _element_name(element), element=self._value(element)
        )
        self._lists[key] = self._add(step, nodes.Listed(listing.text, TEXT, walked))
        return self._lists[key]

    def _head(self, chain: nodes.Chain) -> None:
        head = chain.head
        if chain.head_is_pointer and isinstance(head.node, Leaf):
            kind = replace(self.address, name=name_of(head.node))
            self.tell([nodes.Read(head.text, kind, head, head.node)])
        elif self._once(head.text):
            self.tell(_computed(head))
            self._place(head)

    def _taken_number(self, node: nodes.Fold | nodes.FirstNumber) -> None:
        slot = self._list(node.listing)
        if slot is None or (isinstance(node, nodes.Fold) and node.function == "sum"):
            return
        index: nodes.Number = _FIRST
        if isinstance(node, nodes.Fold):
            index = nodes.Extreme(node.listing.text, INTEGER, node.function, slot)
        self._element(node.listing, slot, index)

    def _first_of(self, listing: nodes.Listing) -> bool:
        """The steps of a list's first element; false where the list has no one value."""
        slot = self._list(listing)
        if slot is not None:
            self._element(listing, slot, _FIRST)
        return slot is not None

    def _element(
        self,
        listing: nodes.Listing,
        slot: int,
        index: nodes.Number,
        told_in: str | None = None,
    ) -> None:
        """How the element of a list at a position was made of one of its source's.

        *told_in* is the scope in which the list was told, with all those that it is made of.
        """
        if not isinstance(listing, nodes.Comprehension):
            return
        variable, source = listing.variable, listing.source
        outer, self._scope = self._scope, f"{self._scope}\n{listing.text}\n{index.text}"
        told_in = outer if told_in is None else told_in
        at = nodes.Position(listing.text, INTEGER, slot, index)
        held = self._lists[told_in, source.text]
        self._element(source, held, at, told_in)
        self._add(DerivationStep("position", variable, source.text), at)
        whole = _in_slot(source, held)
        one: nodes.Expr
        if isinstance(source.element, ValueType):
            one = nodes.PickedNumber(variable, source.element, whole, at)
        elif isinstance(source.element, nodes.BlockSort):
            one = nodes.PickedBlock(variable, whole, at)
        else:
            one = nodes.Picked(variable, source.element, whole, at)
        result = with_variable(listing.result, variable, one)
        if isinstance(result, nodes.Place):
            self.tell(_computed(result))
            self._place(result)
        else:
            self.tell([result])
        self._scope = outer

    def _value(self, element: nodes.Element) -> ValueType:
        return element if isinstance(element, ValueType) else self.address

    # the heap

    def _block(self, block: nodes.NamedBlock) -> None:
        """The steps of a block: what it is asked of, where it is, and what is known of it."""
        if isinstance(block, nodes.BlockOf):
            self.tell([block.address])
        if in_an_open_list(block) or not self._once(f"block {block.text}"):
            return
        if isinstance(block, nodes.FirstBlock) and not self._first_of(block.listing):
            return
        start = nodes.BlockField(block.text, self.address, block, "start")
        self._add(DerivationStep("block", block.text, "block"), start)
        fields = [("index", INTEGER), ("owner", TEXT), ("size", INTEGER)]
        if any(heap.types.name for heap in self._program.heaps):
            fields.append(("heap", TEXT))
        for name, kind in fields:
            number = nodes.BlockField(f"{block.text}.{name}", kind, block, name)
            self._add(DerivationStep("field", f".{name}", "block"), number)


def _depth(place: nodes.Place) -> int:
    """Steps of the sum of a place's address."""
    if isinstance(place, nodes.Offset | nodes.Indexed):
        return 1 + _depth(place.base)
    return 1 + _depth(place.pointer) if isinstance(place, nodes.Followed) else 1


def _in_slot(listing: nodes.Listing, slot: int) -> nodes.SlotListing:
    return nodes.SlotListing(listing.text, listing.element, slot)


def _element_name(element: nodes.Element) -> str:
    if isinstance(element, ValueType):
        return element.name
    return "block" if isinstance(element, nodes.BlockSort) else name_of(element)


def _computed(place: nodes.Place) -> Iterator[nodes.Expr]:
    """The numbers and lists that a place's address is computed from."""
    while True:
        if isinstance(place, nodes.Offset):
            place = place.base
        elif isinstance(place, nodes.Indexed):
            yield place.index
            place = place.base
        elif isinstance(place, nodes.Followed):
            place = place.pointer
        else:
            if isinstance(place, nodes.AtAddress):
                yield place.address
            return


def working(
    steps: Sequence[DerivationStep], readings: Sequence[Reading]
) -> Iterator[tuple[DerivationStep, Reading]]:
    """All lines of an explanation: the steps, and behind each list its elements.

    Of a list no more than MAX_ELEMENTS are told, and then how many more there are.
    """
    for step, reading in zip(steps, readings, strict=False):
        walked = reading.value
        if not isinstance(walked, Walked) or step.element is None:
            yield step, reading
            continue
        count = replace(reading.watch, type=INTEGER)
        told = Reading(count, reading.status, len(walked.values), None, reading.reason)
        yield replace(step, offset=walked.walked), told
        for number, value in enumerate(walked.values[:MAX_ELEMENTS]):
            yield _element_line(step, reading.watch, number, walked.positions[number], value)
        rest = len(walked.values) - MAX_ELEMENTS
        if rest > 0:
            yield DerivationStep("more", "", step.type), Reading(count, Status.OK, rest)


def _element_line(
    step: DerivationStep, watch: Watch, number: int, position: int, value: object
) -> tuple[DerivationStep, Reading]:
    kind = step.element
    assert kind is not None
    name, shown, address = step.type, value, value if kind.address else None
    if isinstance(value, HeapBlock):
        of = f" of {value.heap}" if value.heap else ""
        name = f"block {value.index}{of}, {value.owner}, 0x{value.size:X} bytes"
        shown = address = value.start
    assert isinstance(shown, Value)
    reading = Reading(
        replace(watch, type=kind), Status.OK, shown, address if isinstance(address, int) else None
    )
    return DerivationStep("element", f"[{number}]", name, position), reading
