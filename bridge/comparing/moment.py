"""One of the two moments that are compared, and what a frame is asked to have it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from construct import Array

from bridge.comparing.held_memory import HeldMemory
from bridge.comparing.led import Led, led_by
from bridge.expressions import nodes
from bridge.expressions.compiling import check
from bridge.heap.blocks import Block, Heap
from bridge.memory.address_map import Span
from bridge.prepared import PreparedBuild, with_heap
from bridge.readings.frame import Frame
from bridge.readings.reading import Watch
from schemas.compiler import BuildLayout
from schemas.layout import Node, OffsetStruct, name_of, size_of

__all__ = ["Aim", "Moment", "MomentQuestion", "moment_question"]


@dataclass(frozen=True, slots=True)
class Aim:
    """What a pointer points at: a name, and how many bytes behind its beginning.

    ``block`` is the heap's block where it points into a payload.
    """

    name: str
    offset: int
    block: Block | None = None

    @property
    def words(self) -> str:
        return f"{self.name} + 0x{self.offset:X}" if self.offset else self.name


@dataclass(frozen=True)
class Moment:
    """A frame's memory with what is needed to name it; ``left_out`` are bytes not compared."""

    layout: BuildLayout
    memory: HeldMemory
    heap: Heap | None = None
    left_out: Sequence[Span] = ()

    @cached_property
    def led(self) -> Sequence[Led]:
        """What the pointers lead to that symbols hold."""
        return led_by(self.layout, self.memory)

    def aimed_at(self, address: int, type_name: str) -> Aim:
        """What a pointer to *address*, of a type, points at."""
        if address == 0:
            return Aim("null", 0)
        at, heap = self.canonical(address), self.heap
        block = heap.at(at) if heap is not None else None
        if block is not None:
            number = f"block {block.index}" + (f" of {block.heap}" if block.heap else "")
            if block.start <= at < block.end:
                return Aim(f"{block.owner}, {number}", at - block.start, block)
            return Aim(f"header of {number}", at - block.header)
        for symbol in self.layout.symbols.values():
            if symbol.address <= at < symbol.address + size_of(symbol.type):
                inside = at - symbol.address
                path = _path_to(symbol.name, symbol.type, inside, type_name)
                return Aim(path, 0) if path else Aim(symbol.name, inside)
        return Aim(f"0x{address:08X}", 0)

    def canonical(self, address: int) -> int:
        """The address in its region's canonical range; as it is where no region has it."""
        flat = self.memory.map.flat(address)
        return address if flat is None else self.memory.map.address(flat)


def _path_to(path: str, node: Node, offset: int, type_name: str) -> str:
    """The path of what has a type and begins *offset* bytes into a value; empty where none has."""
    if offset == 0 and name_of(node) == type_name and not isinstance(node, Array):
        return path
    if isinstance(node, Array):
        index, inside = divmod(offset, size_of(node.subcon))
        return _path_to(f"{path}[{index}]", node.subcon, inside, type_name)
    if isinstance(node, OffsetStruct):
        for member in node.members.values():
            inside = offset - member.offset
            if 0 <= inside < size_of(member.type):
                found = _path_to(f"{path}.{member.name}", member.type, inside, type_name)
                if found:
                    return found
    return ""


@dataclass(frozen=True, slots=True)
class MomentQuestion:
    """A prepared build that asks; what a frame answers makes a moment of its memory.

    ``places`` are the names of the watches that give addresses of what is left out, with the size
    there in bytes; ``spans`` is left out beside them.
    """

    prepared: PreparedBuild
    places: Mapping[str, int]
    spans: Sequence[Span]

    def moment(self, frame: Frame, memory: HeldMemory) -> Moment:
        """The moment that a frame's readings tell of."""
        spans = [*self.spans]
        for reading in frame.readings:
            size = self.places.get(reading.watch.name)
            if size is not None and isinstance(reading.value, int):
                spans.append(Span(reading.value, size))
        return Moment(self.prepared.layout, memory, frame.heap, spans)


def moment_question(
    prepared: PreparedBuild,
    watches: Mapping[str, str],
    left_out: Sequence[str] = (),
    spans: Sequence[Span] = (),
    aligned: str | None = None,
) -> MomentQuestion:
    """What a frame must be asked to be compared: the heap, and where the places lie.

    *watches* are the bridge's: name → expression, which the others may use.  *left_out* are places,
    as an expression names them, and *spans* guest memory; *aligned* is one more expression to ask.
    Raises ExpressionError.
    """
    texts = {f"out {text}": f"address({text})" for text in left_out}
    if aligned is not None:
        texts[aligned] = watches.get(aligned, aligned)
    # of the bridge's watches no more is evaluated than these use
    used = watches if texts else {}
    program = check(prepared.layout, {**used, **texts}, texts, prepared.functions)
    places = {name: program.watches[name] for name in texts}
    numbers = {name: program.slots[place].number for name, place in places.items()}
    sizes = {
        name: size_of(number.place.node)
        for name, number in numbers.items()
        if name != aligned and isinstance(number, nodes.AddressOf)
    }
    shown = tuple(Watch(name, "", name, program.slots[at].type) for name, at in places.items())
    program = replace(program, watches=places)
    asking = replace(prepared, program=program, watches=shown)
    return MomentQuestion(with_heap(asking) if prepared.layout.heaps else asking, sizes, spans)
