"""From checked slots to Python source that evaluates them against an image.

The source is made of nothing but this module's own phrases, numbers, and local names that it
numbers itself: no text of a user enters it.  (Texts, for reasons, go by index into a table.)

Every slot becomes a ``try`` block of simple statements.  In the common case a read costs an unpack
and, behind a pointer, one addition and one range check; whatever fails a check goes to the careful
functions of ``bridge.evaluation.evaluator``, which follow mirrors, look at other regions and raise
the reason.  Blocks are grouped in functions of ``chunk`` slots: many for a whole image, one for a
sparse image, so that a slot that was set aside can be evaluated again by itself.

A list that uses no variable of another around it is a function of its own, and equal ones are the
same: it is evaluated at most once a frame.  What a list does is counted where it does it
(``spend``), a step for every two statements of its body.

Whole numbers are as wide as they need be, up to MAX_BITS.  How wide a result can become is known
here, so only what might be wider is looked at when it is made.

Names in the generated code:

    ram V S A L T     flat bytes; values, statuses (None is ok) and addresses by slot; lines held
                      and lines touched (sparse only)
    C                 slot → caution, for those that have a value and a warning beside it
    u_X               ``struct.Struct(order + X).unpack_from``
    t0 t1 …           temporaries, each assigned before it is used
    K                 table of sites, texts and other constants
    list0 list1 …     the lists that are functions of their own
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from bridge.evaluation.absence import Site
from bridge.expressions import nodes
from bridge.expressions.arithmetic import MAX_BITS
from bridge.expressions.list_meaning import meaning, of_an_explanation, variables
from bridge.expressions.program import Program, Slot
from bridge.expressions.widths import Widths
from bridge.heap.stale_pointers import HeapPointer
from bridge.memory.address_map import LINE_SHIFT, MemoryMap
from bridge.values.value_type import Kind, ValueType
from schemas.compiler import BuildLayout
from schemas.layout import BitField, Chars, FixedPoint, Leaf, Node, PointerTo, Scalar, name_of


@dataclass(frozen=True, slots=True)
class GeneratedCode:
    """Generated source and what goes with it.

    ``constants`` is K; ``addresses`` has the address of each slot's value where it is fixed;
    ``lines`` are the numbers of the lines that every evaluation may read; ``formats`` are the X
    of the u_X that the source uses.  ``chunks`` are the slots of each function and ``weights`` its
    statements; ``lists`` is what each list with a function of its own means.
    """

    text: str
    constants: Sequence[Any]
    addresses: Sequence[int | None]
    lines: frozenset[int]
    formats: Sequence[str]
    chunks: Sequence[range] = ()
    weights: Sequence[int] = ()
    lists: Sequence[Hashable] = ()


@dataclass(frozen=True, slots=True)
class _Address:
    """An address in generated code: a variable (none where it is known) plus an offset.

    ``pointer`` is the text of the pointer it came from; ``step`` the greatest divisor of all that
    was added to the variable since, which says what its alignment tells of the pointer's.
    """

    variable: str | None
    offset: int
    pointer: str = ""
    step: int = 0


_SPENDING = (" shared(", "of_blocks(", " block(")
"""What makes a slot one whose steps are counted."""
_MADE_BLOCK = 8
"""Statements that making a block is worth."""
_LONGEST_CHUNK = 4000
"""Statements of a function, so that it is not long before the clock is looked at."""


def generate(
    program: Program, layout: BuildLayout, memory: MemoryMap, *, whole: bool, chunk: int
) -> GeneratedCode:
    """Source for all slots of a program.  Functions are named ``chunk0``, ``chunk1``, …."""
    return Generator(program, layout, memory, whole, chunk).run()


@dataclass(frozen=True, slots=True)
class Checked:
    """Bytes that are known to be there: ``size`` from an address, which is a multiple of ``align``.

    ``index`` is the flat index of that address in generated code.
    """

    index: str
    size: int
    align: int


@dataclass
class Generator:
    program: Program
    layout: BuildLayout
    memory: MemoryMap
    whole: bool
    chunk: int
    out: list[str] = field(default_factory=list)
    constants: list[Any] = field(default_factory=list)
    lines: set[int] = field(default_factory=set)
    formats: set[str] = field(default_factory=set)
    indent: str = ""
    count: int = 0
    loops: dict[str, str] = field(default_factory=dict)
    checked: dict[str, Checked] = field(default_factory=dict)
    cautious: set[int] = field(default_factory=set)
    slot: int = 0
    checks: bool = False
    """Whether the watch at hand warns of pointers into the heap."""
    further: int = 0
    """Statements that what was emitted last is worth beyond its own."""
    shared: dict[Hashable, int] = field(default_factory=dict)
    list_bodies: list[list[str]] = field(default_factory=list)
    widths: Widths = field(init=False)

    def __post_init__(self) -> None:
        self.widths = Widths(self.program.slots, self.layout.pointer_size * 8)

    def run(self) -> GeneratedCode:
        slots = self.program.slots
        addresses: list[int | None] = []
        bodies: list[list[str]] = []
        chunks: list[range] = []
        weights: list[int] = []
        first = 0
        while first < len(slots):
            self.out, self.further, number = [], 0, first
            while number < min(first + self.chunk, len(slots)) and len(self.out) < _LONGEST_CHUNK:
                addresses.append(self._slot(number, slots[number]))
                number += 1
            bodies.append(self.out)
            chunks.append(range(first, number))
            weights.append(len(self.out) + self.further)
            first = number
        unpackers = "".join(f", u_{name}=u_{name}" for name in sorted(self.formats))
        text: list[str] = []
        functions = {f"chunk{number}": body for number, body in enumerate(bodies)}
        functions |= {f"list{number}": body for number, body in enumerate(self.list_bodies)}
        for name, body in functions.items():
            text.append(f"def {name}(ram, V, S, A, L, T, C, K=K{unpackers}):")
            text += body
        formats, lines = sorted(self.formats), frozenset(self.lines)
        lists = tuple(self.shared)
        source = "\n".join(text)
        return GeneratedCode(
            source, self.constants, addresses, lines, formats, chunks, weights, lists
        )

    # statements

    def emit(self, line: str) -> None:
        self.out.append(self.indent + line)

    def temporary(self, expression: str) -> str:
        name = f"t{self.count}"
        self.count += 1
        self.emit(f"{name} = {expression}")
        return name

    def constant(self, value: Any) -> str:
        self.constants.append(value)
        return f"K[{len(self.constants) - 1}]"

    def block(self, head: str, body: Callable[[], None]) -> None:
        self.emit(head)
        outer, self.indent = self.indent, self.indent + " "
        body()
        self.indent = outer

    def unpack(self, leaf_format: str, index: str) -> str:
        name = leaf_format.strip("<>")
        self.formats.add(name)
        return f"u_{name}(ram, {index})[0]"

    # slots

    def _slot(self, number: int, slot: Slot) -> int | None:
        """Emit one slot; gives its address where that is known beforehand."""
        self.count = 0
        self.loops = {}
        self.slot, self.checks = number, slot.heap_checks
        known: int | None = None
        self.indent = " "
        self.emit("try:")
        self.indent = "  "
        body = len(self.out)
        if slot.over_frames is not None:
            machine = self.constant(number)
            arguments = ", ".join(
                f"(None if S[{a}] is not None else V[{a}])" for a in slot.over_frames.arguments
            )
            for argument in slot.over_frames.arguments:
                self._share(argument)
            self.emit(f"V[{number}] = step({machine}, ({arguments},), S)")
        else:
            assert slot.number is not None
            root = slot.address_node
            if isinstance(root, nodes.Read | nodes.Stored | nodes.FlagRead):
                value, address = self._stored(root)
                if address.variable is None:
                    known = address.offset
                else:
                    self.emit(f"A[{number}] = {_plus(address.variable, address.offset)}")
                if isinstance(root, nodes.Read) and isinstance(root.leaf, PointerTo):
                    value = self._aim(value, root.place, root.leaf)
            else:
                value = self.number(slot.number)
                if slot.type.kind is Kind.FLOAT:
                    value = f"finite(float({value}))"
                elif slot.type.kind is Kind.INTEGER:
                    value = f"bounded({value})"
            self.emit(f"V[{number}] = {value}")
        if any(call in line for line in self.out[body:] for call in _SPENDING):
            self.out.insert(body, "  start()")
        self.indent = " "
        self.emit(f"except Exception as e: S[{number}] = fault(e, {number})")
        return known

    # places

    def address(self, place: nodes.Place) -> _Address:
        """Emit what is needed to know a place's address."""
        if isinstance(place, nodes.Fixed):
            return _Address(None, place.address)
        if isinstance(place, nodes.Offset):
            base = self.address(place.base)
            return replace(base, offset=base.offset + place.offset)
        if isinstance(place, nodes.Followed):
            assert isinstance(place.pointer.node, Leaf)
            value = self.load(place.pointer, place.pointer.node)
            if isinstance(place.pointer.node, PointerTo):
                self._aim(value, place.pointer, place.pointer.node)
            return _Address(value, 0, place.pointer.text)
        if isinstance(place, nodes.AtAddress):
            return _Address(self.temporary(self.number(place.address)), 0, place.text)
        if isinstance(place, nodes.LoopPlace):
            return _Address(self.loops[place.variable], 0, place.text)
        if isinstance(place, nodes.FirstPlace):
            listing = self.listing(place.listing)
            text = self.constant(place.listing.text)
            return _Address(self.temporary(f"first({listing}, {text})"), 0, place.text)
        if isinstance(place, nodes.Picked):
            return _Address(self._pick(place.listing, place.index), 0, place.text)
        assert isinstance(place, nodes.Indexed)
        return self._element(place)

    def _element(self, place: nodes.Indexed) -> _Address:
        base = self.address(place.base)
        index = self.temporary(self.number(place.index))
        if place.count is not None:
            text = self.constant((place.text, place.count))
            self.emit(f"if not 0 <= {index} < {place.count}: index_fault({index}, {text})")
        if base.variable is None:
            variable = self.temporary(f"{index} * {place.stride} + {base.offset}")
            return _Address(variable, 0)
        self._not_null(base)
        variable = self.temporary(f"{base.variable} + {index} * {place.stride}")
        return replace(base, variable=variable, step=math.gcd(base.step, place.stride))

    def _not_null(self, address: _Address) -> None:
        if address.pointer:
            self.emit(f"if not {address.variable}: null({self.constant(address.pointer)})")

    def index(self, address: _Address, offset: int, leaf: Leaf, size: int, place: str) -> str:
        """Emit the checks of an access; gives the flat index in generated code."""
        # a part of a value is as aligned as the value: what cannot be loaded has no halves either
        align = self._alignment(leaf)
        total = address.offset + offset
        known = self.checked.get(address.variable or "")
        if (
            known is not None
            and not address.step
            and 0 <= total <= known.size - size
            and not (known.align % align or address.offset % align)
        ):
            return _plus(known.index, total)
        if address.variable is None:
            flat = self.memory.flat(total, size)
            site = self.constant(Site(place, "", total, size, 0, address.offset))
            if flat is None:
                self.emit(f"outside({site})")
                return "0"
            self._held(str(flat), flat, size, True, site)
            return str(flat)
        aligned = address.pointer and address.offset % align == 0 and address.step % align == 0
        mask = align - 1 if aligned else 0
        site = self.constant(Site(place, address.pointer, total, size, mask, address.offset))
        region = self.memory.regions[0]
        shift, limit = total - region.start, region.size - size
        variable = address.variable
        flat_index = self.temporary(_plus(variable, shift))
        checks = [f"not 0 <= {flat_index} <= {limit}"]
        if address.pointer and shift >= 0:
            checks.insert(0, f"not {variable}")
        if mask:
            checks.append(f"{variable} & {mask}")
        self.emit(f"if {' or '.join(checks)}: {flat_index} = locate({variable}, {site})")
        one_line = size == 1 or (mask == leaf.size - 1 and self._lines_aligned(leaf.size))
        self._held(flat_index, None, size, one_line, site)
        return flat_index

    def _held(self, index: str, flat: int | None, size: int, one_line: bool, site: str) -> None:
        """Emit the check that the lines of an access have been fetched."""
        if flat is not None:
            lines = range(flat >> LINE_SHIFT, ((flat + size - 1) >> LINE_SHIFT) + 1)
            self.lines.update(lines)
            if not self.whole:
                for line in lines:
                    self.emit(f"T[{line}] = 1")
                    self.emit(f"if not L[{line}]: miss({flat}, {site})")
            return
        if self.whole:
            return
        number = self.temporary(f"{index} >> {LINE_SHIFT}")
        self.emit(f"T[{number}] = 1")
        self.emit(f"if not L[{number}]: miss({index}, {site})")
        if not one_line:
            last = self.temporary(f"({index} + {size - 1}) >> {LINE_SHIFT}")

            def rest() -> None:
                self.emit(f"T[{number} + 1:{last} + 1] = b'\\1' * ({last} - {number})")
                self.emit(f"if not all(L[{number} + 1:{last} + 1]): miss({index}, {site})")

            self.block(f"if {last} != {number}:", rest)

    def _lines_aligned(self, size: int) -> bool:
        """Whether an address that is a multiple of *size* lies at such a place in a line."""
        starts = (start for r in self.memory.regions for start in (r.start, *r.mirrors))
        return all(start % size == 0 for start in starts)

    def _alignment(self, leaf: Leaf) -> int:
        """What the processor's load of a value needs its address to be a multiple of."""
        if self.layout.unaligned_loads or isinstance(leaf, Chars):
            return 1
        if isinstance(leaf, Scalar) and leaf.floating:
            return leaf.size
        return min(leaf.size, self.layout.pointer_size)

    # stored values

    def load(self, place: nodes.Place, leaf: Leaf) -> str:
        return self.temporary(self._value(self.address(place), place, leaf))

    def _value(self, address: _Address, place: nodes.Place, leaf: Leaf) -> str:
        index = self.index(address, 0, leaf, leaf.size, place.text)
        stored = self.unpack(leaf.packing.format, index)
        if isinstance(leaf, FixedPoint):
            return f"{stored} / {1 << leaf.fraction_bits}"
        if isinstance(leaf, Chars):
            self.further += leaf.size >> 3
            return f"{self.constant(leaf.value)}({stored})"
        if isinstance(leaf, BitField):
            part = f"{stored} >> {leaf.lowest} & {(1 << leaf.width) - 1}"
            if not leaf.signed:
                return part
            sign = 1 << (leaf.width - 1)
            return f"(({part}) ^ {sign}) - {sign}"
        if isinstance(leaf, Scalar) and leaf.floating:
            value = self.temporary(stored)
            text = self.constant(place.text)
            self.emit(f"if {value} - {value} != 0.0: nonfinite({value}, {text})")
            return value
        return stored

    def _stored(self, node: nodes.Read | nodes.Stored | nodes.FlagRead) -> tuple[str, _Address]:
        """Emit a read; gives its value in generated code and its address."""
        address = self.address(node.place)
        if isinstance(node, nodes.Read):
            return self._value(address, node.place, node.leaf), address
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

    # numbers

    def number(self, node: nodes.Number) -> str:
        """Emit a number; gives it in generated code, cheap and free of side effects."""
        method: Callable[[Any], str] = getattr(self, f"_{type(node).__name__}")
        return method(node)

    def _Literal(self, node: nodes.Literal) -> str:  # noqa: N802
        return self.constant(node.value) if isinstance(node.value, str) else f"({node.value!r})"

    def _Read(self, node: nodes.Read) -> str:  # noqa: N802
        return self.temporary(self._stored(node)[0])

    _Stored = _FlagRead = _Read

    def _AddressOf(self, node: nodes.AddressOf) -> str:  # noqa: N802
        address = self.address(node.place)
        if address.variable is None:
            return str(address.offset)
        self._not_null(address)
        return self._bounded(self.temporary(_plus(address.variable, address.offset)), node)

    def _LoopNumber(self, node: nodes.LoopNumber) -> str:  # noqa: N802
        return self.loops[node.variable]

    def _Unary(self, node: nodes.Unary) -> str:  # noqa: N802
        operand = self.number(node.operand)
        if node.op == "~":  # Python warns of ~ on a truth value
            return self._bounded(self.temporary(f"-1 - {operand}"), node)
        return self.temporary(f"{node.op} {operand}")

    def _Arithmetic(self, node: nodes.Arithmetic) -> str:  # noqa: N802
        left, right = self.number(node.left), self.number(node.right)
        calls = {"**": "power", "<<": "shift_left", ">>": "shift_right"}
        if node.op in calls:
            self.further += 8
            return self.temporary(f"{calls[node.op]}({left}, {right})")
        value = self.temporary(f"{left} {node.op} {right}")
        if node.type.kind is Kind.FLOAT:
            self.emit(f"if {value} - {value} != 0.0: finite({value})")
            return value
        return self._bounded(value, node)

    def _bounded(self, value: str, node: nodes.Number) -> str:
        """Emit that a whole number is not too wide, where it might be; gives it."""
        if self.widths.unbounded(node) > MAX_BITS:
            self.further += 8  # what is so wide takes longer than a statement
            self.emit(f"if not LEAST <= {value} <= MOST: bounded({value})")
        return value

    def _Comparison(self, node: nodes.Comparison) -> str:  # noqa: N802
        left = self.number(node.operands[0])
        if len(node.ops) == 1:
            return self.temporary(f"{left} {node.ops[0]} {self.number(node.operands[1])}")
        result = self.temporary("True")
        outer = self.indent
        # one behind the other, not one in the other: what was true left its right side behind
        for op, operand in zip(node.ops, node.operands[1:], strict=True):
            self.emit(f"if {result}:")
            self.indent = outer + " "
            right = self.number(operand)
            self.emit(f"{result} = {left} {op} {right}")
            self.indent, left = outer, right
        return result

    def _Logic(self, node: nodes.Logic) -> str:  # noqa: N802
        result = self.temporary(f"not not {self.number(node.operands[0])}")
        outer = self.indent
        for operand in node.operands[1:]:
            self.emit(f"if {'' if node.op == 'and' else 'not '}{result}:")
            self.indent += " "
            self.emit(f"{result} = not not {self.number(operand)}")
            self.indent = outer
        return result

    def _Choice(self, node: nodes.Choice) -> str:  # noqa: N802
        condition = self.number(node.condition)
        result = self.temporary("None")
        convert = "float" if node.type.kind is Kind.FLOAT else ""
        self.block(
            f"if {condition}:",
            lambda: self.emit(f"{result} = {convert}({self.number(node.chosen)})"),
        )
        self.block(
            "else:", lambda: self.emit(f"{result} = {convert}({self.number(node.otherwise)})")
        )
        return result

    def _Apply(self, node: nodes.Apply) -> str:  # noqa: N802
        arguments = ", ".join(self.number(part) for part in node.arguments)
        self.further += node.statements
        value = f"{self.constant(node.call)}({arguments})"
        if node.type.kind is Kind.FLOAT:
            return self.temporary(f"float({value})")
        return self._bounded(self.temporary(value), node)

    def _SlotValue(self, node: nodes.SlotValue) -> str:  # noqa: N802
        self.emit(f"if S[{node.slot}] is not None: again(S[{node.slot}])")
        self._share(node.slot)
        return self.temporary(f"V[{node.slot}]")

    def _Length(self, node: nodes.Length) -> str:  # noqa: N802
        return self.temporary(f"len({self.listing(node.listing)})")

    def _Fold(self, node: nodes.Fold) -> str:  # noqa: N802
        listing = self.listing(node.listing)
        if node.function != "sum":
            listing = f"filled({listing}, {self.constant(node.text)})"
        self.emit(f"spend(len({listing}) >> 1)")
        value = self.temporary(f"f_{node.function}({listing})")
        return self._bounded(value, node) if node.type.kind is Kind.INTEGER else value

    def _FirstNumber(self, node: nodes.FirstNumber) -> str:  # noqa: N802
        listing = self.listing(node.listing)
        return self.temporary(f"first({listing}, {self.constant(node.listing.text)})")

    def _OfBlocks(self, node: nodes.OfBlocks) -> str:  # noqa: N802
        slot = str(self.slot) if self._checks_heap else "None"
        if self._checks_heap:
            self.cautious.add(self.slot)
        return self.temporary(f"of_blocks({self.constant(node.call)}, {node.most}, {slot})")

    def _BlockField(self, node: nodes.BlockField) -> str:  # noqa: N802
        block, address = self._block(node.block)
        if node.field == "offset":
            return self._bounded(self.temporary(f"canonical({address}) - {block}.start"), node)
        return self.temporary(f"{block}.{node.field}")

    def _block(self, node: nodes.NamedBlock) -> tuple[str, str]:
        """Emit a block of the heap; gives it and the address that was asked about, if any."""
        if isinstance(node, nodes.LoopBlock):
            return self.loops[node.variable], ""
        if isinstance(node, nodes.FirstBlock):
            listing = self.listing(node.listing)
            return self.temporary(f"first({listing}, {self.constant(node.listing.text)})"), ""
        if isinstance(node, nodes.PickedBlock):
            return self._pick(node.listing, node.index), ""
        assert isinstance(node, nodes.BlockOf)
        address = self.number(node.address)
        return self.temporary(f"block({address}, {self.constant(node.holder)})"), address

    # lists in explanations

    def _pick(self, listing: nodes.Listing, index: nodes.Number) -> str:
        found, position = self.listing(listing), self.number(index)
        return self.temporary(f"pick({found}, {position}, {self.constant(listing.text)})")

    def _PickedNumber(self, node: nodes.PickedNumber) -> str:  # noqa: N802
        return self._pick(node.listing, node.index)

    def _Listed(self, node: nodes.Listed) -> str:  # noqa: N802
        listing = node.listing
        if not isinstance(listing, nodes.Comprehension):
            found = self.listing(listing)
            return self.temporary(f"walked({found}, None, len({found}))")
        source, positions = self.listing(listing.source), self.temporary("[]")
        found = self._comprehension(listing, source, positions)
        return self.temporary(f"walked({found}, {positions}, len({source}))")

    def _Position(self, node: nodes.Position) -> str:  # noqa: N802
        self._listed(node.slot)
        position, text = self.number(node.index), self.constant(node.text)
        return self.temporary(f"pick(V[{node.slot}].positions, {position}, {text})")

    def _Extreme(self, node: nodes.Extreme) -> str:  # noqa: N802
        self._listed(node.slot)
        text = f"{self.constant(node.function)}, {self.constant(node.text)}"
        return self.temporary(f"extreme(V[{node.slot}].values, {text})")

    def _listed(self, slot: int) -> None:
        """Emit that the list of a slot is there."""
        self.emit(f"if S[{slot}] is not None: again(S[{slot}])")
        self._share(slot)

    # pointers into the heap

    def _aim(self, value: str, place: nodes.Place, leaf: PointerTo) -> str:
        """Emit the check of what a pointer that was read leads to; gives its value."""
        heap = self.program.heap
        target = str(leaf.target)
        # a pointer to a block is meant to lead to a header
        if not self._checks_heap or heap is None or target == heap.types.block.type_name:
            return value
        value = self.temporary(value)
        spec = HeapPointer(
            place.text, heap.types.begins_payloads(target), not nodes.in_a_list(place)
        )
        pointer = self.constant(spec)
        self.emit(f"if {value}: aim({value}, {pointer}, {self.slot})")
        if spec.over_frames:
            self.emit(f"else: aimless({pointer})")
        self.cautious.add(self.slot)
        return value

    def _aims(self, listing: str, text: str, node: Node) -> None:
        """Emit the same for every element of a linked list."""
        heap = self.program.heap
        name = name_of(node)
        if not self._checks_heap or heap is None or name == heap.types.block.type_name:
            return
        spec = HeapPointer(f"an element of {text}", heap.types.begins_payloads(name), False)
        self.emit(f"aims({listing}, {self.constant(spec)}, {self.slot})")
        self.cautious.add(self.slot)

    def _share(self, other: int) -> None:
        """Emit that what another slot was warned of holds for this one, too."""
        if other in self.cautious and self._checks_heap:
            self.emit(f"if {other} in C: caution(C[{other}], {self.slot})")
            self.cautious.add(self.slot)

    @property
    def _checks_heap(self) -> bool:
        return self.checks

    # lists

    def listing(self, node: nodes.Listing) -> str:
        """Emit a list; gives its name in generated code.  Places are their addresses."""
        alike = self.program.slots and not of_an_explanation(node)
        if alike and variables(node).isdisjoint(self.loops):
            return self._shared(node)
        return self._list(node)

    def _shared(self, node: nodes.Listing) -> str:
        """Emit the use of a list that means the same wherever it stands, and the list itself."""
        means = meaning(node, self.program.slots), self.checks
        number = self.shared.get(means)
        cautions_of = len(self.program.slots)
        if number is None:
            number = self.shared[means] = len(self.shared)
            kept = self.out, self.indent, self.count, self.slot, self.further, self.loops
            self.out, self.indent, self.count, self.loops = [], " ", 0, {}
            self.slot = cautions_of + number
            body = self.out
            self.list_bodies.append(body)
            self.emit(f"return {self._list(node)}")
            self.out, self.indent, self.count, self.slot, self.further, self.loops = kept
        slot: int | None = None
        if cautions_of + number in self.cautious:
            slot = self.slot
            self.cautious.add(slot)
        return self.temporary(f"shared({number}, {slot})")

    def _list(self, node: nodes.Listing) -> str:
        if isinstance(node, nodes.Chain):
            if node.head_is_pointer:
                assert isinstance(node.head.node, Leaf)
                head = self.load(node.head, node.head.node)
            else:
                address = self.address(node.head)
                head = str(address.offset)
                if address.variable is not None:
                    self._not_null(address)
                    head = self.temporary(_plus(address.variable, address.offset))
            site = Site(
                f"{node.text} element",
                "",
                node.next_offset,
                self.layout.pointer_size,
                0 if self.layout.unaligned_loads else self.layout.pointer_size - 1,
                node.next_offset,
            )
            found = self.temporary(f"chain({head}, {self.constant(site)})")
            assert not isinstance(node.element, ValueType | nodes.BlockSort)
            self._aims(found, node.text, node.element)
            return found
        if isinstance(node, nodes.AllBlocks):
            if not self._checks_heap:
                return self.temporary("blocks(None)")
            self.cautious.add(self.slot)
            return self.temporary(f"blocks({self.slot})")
        if isinstance(node, nodes.SlotListing):
            self._listed(node.slot)
            return self.temporary(f"V[{node.slot}].values")
        assert isinstance(node, nodes.Comprehension)
        return self._comprehension(node, self.listing(node.source), "")

    def _comprehension(self, node: nodes.Comprehension, source: str, positions: str) -> str:
        """Emit the list, and where *positions* is given the position of each element's source."""
        result = self.temporary("[]")
        variable = f"v{self.count}"
        self.count += 1
        self.loops[node.variable] = variable
        self.widths.enter(node)
        further, self.further = self.further, 0
        lacking = "" if self.whole else self.temporary("False")
        head = f"for {variable} in {source}:"
        note = ""
        if positions:
            head = f"for p{variable}, {variable} in enumerate({source}):"
            note = f"{positions}.append(p{variable})"
        self.block(head, lambda: self._iteration(node, result, lacking, note))
        if lacking:
            self.emit(f"if {lacking}: lack()")
        self.further += further
        del self.loops[node.variable]
        return result

    def _iteration(self, node: nodes.Comprehension, result: str, lacking: str, note: str) -> None:
        """Emit what is done for each element.

        One whose lines are *lacking* does not end the list: those of the others are asked for in
        the same batch.  What is wrong with a later one counts only once the earlier are known.
        """
        self.emit("spend")
        begun = len(self.out)
        if isinstance(node.source.element, nodes.BlockSort):
            self.further += _MADE_BLOCK
        if lacking:
            self.block("try:", lambda: self._body(node, result, note))
            self.emit(f"except Missing: {lacking} = True")
            self.emit(f"except Exception as e: wrong({lacking}, e)")
        else:
            self._body(node, result, note)
        self.out[begun - 1] += f"({(len(self.out) - begun + self.further) // 2 + 1})"

    def _body(self, node: nodes.Comprehension, result: str, note: str) -> None:
        for condition in node.conditions:
            self.emit(f"if not {self.number(condition)}: continue")
        if note:
            self.emit(note)
        if isinstance(node.result, nodes.Number):
            self.emit(f"{result}.append({self.number(node.result)})")
            return
        if isinstance(node.result, nodes.NamedBlock):
            self.emit(f"{result}.append({self._block(node.result)[0]})")
            return
        address = self.address(node.result)
        if address.variable is None:
            self.emit(f"{result}.append({address.offset})")
            return
        self._not_null(address)
        self.emit(f"{result}.append({_plus(address.variable, address.offset)})")


def _plus(variable: str, offset: int) -> str:
    if offset == 0:
        return variable
    return f"{variable} + {offset}" if offset > 0 else f"{variable} - {-offset}"
