"""What a frame must be asked so that an address, or a write to one, can be told in words.

The question is a prepared build like any other, so one frame of any source answers it: the
addresses that all known pointers lead to, the heap's block where the schema describes a heap, and,
for a write, the bytes around it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from bridge.expressions import nodes
from bridge.expressions.compiling import check
from bridge.expressions.leaf_types import value_type
from bridge.expressions.node_walks import in_a_list
from bridge.expressions.program import Program, Slot
from bridge.memory.address_map import MemoryMap
from bridge.paths.address_names import (
    ADDRESS,
    Pointer,
    Spot,
    pointer_spots,
    pointers,
    spots_in,
    symbol_spots,
)
from bridge.prepared import PreparedBuild
from bridge.readings.reading import Reading, Watch
from bridge.values.status import Status
from bridge.values.value_type import Kind, Value
from schemas.compiler import BuildLayout
from schemas.errors import ExpressionError
from schemas.layout import Leaf, name_of

__all__ = [
    "AROUND",
    "BLOCK_FIELDS",
    "AddressLookup",
    "LookedUpBlock",
    "Written",
    "block_of",
    "named_spots",
    "owner_spots",
    "where_question",
    "write_question",
    "written",
]

BLOCK_FIELDS = ("index", "owner", "start", "size", "used", "offset")
AROUND = range(-8, 10)
"""Bytes around a 16-bit write: every value of up to 8 bytes that it can touch."""


@dataclass(frozen=True, slots=True)
class LookedUpBlock:
    """The heap's block around an address; numbers as an expression's ``block(p)`` has them.

    ``heap`` is the name of its heap, empty for ``[heap]`` itself.
    """

    index: int
    owner: str
    start: int
    size: int
    used: bool
    offset: int
    heap: str = ""

    def words(self) -> str:
        """The block as a line tells of it: ``block 4, gull``."""
        of = f" of {self.heap}" if self.heap else ""
        return f"block {self.index}{of}, {self.owner if self.used else 'free'}"

    def as_json(self) -> dict[str, int | str | bool]:
        """The block for ``where --json``."""
        told = {name: getattr(self, name) for name in BLOCK_FIELDS}
        return {**told, "heap": self.heap} if self.heap else told


@dataclass(frozen=True, slots=True)
class Written:
    """The half that a write through a path goes to: ``offset`` bytes into the value at ``place``.

    ``half`` is low or high; None where the whole value has 16 bits.
    """

    place: nodes.Place
    leaf: Leaf
    offset: int
    half: str | None


@dataclass(frozen=True, slots=True)
class AddressLookup:
    """A prepared build that asks; what its readings say is taken out by name."""

    prepared: PreparedBuild
    pointers: Sequence[Pointer]

    def answers(self, readings: Sequence[Reading]) -> dict[str, Value]:
        """The values by the name of what was asked; without those that have none."""
        return {
            reading.watch.name: reading.value
            for reading in readings
            if reading.status is Status.OK and reading.value is not None
        }

    def led(self, answers: Mapping[str, Value]) -> list[tuple[Pointer, int]]:
        """Each pointer that leads somewhere, with the address that it leads to."""
        found = [(pointer, answers.get(f"to {pointer.path}")) for pointer in self.pointers]
        return [(pointer, value) for pointer, value in found if isinstance(value, int) and value]


def where_question(
    prepared: PreparedBuild, watches: Mapping[str, str], address: int
) -> AddressLookup:
    """What tells a guest address.  *watches* are the bridge's: name → expression."""
    texts = _block_texts(prepared.layout, f"{address}")
    program = check(prepared.layout, {**watches, **texts}, texts, prepared.functions)
    found = pointers(prepared.layout, program)
    return AddressLookup(
        _asking(prepared, program, texts, {f"to {p.path}": p.number for p in found}), found
    )


def write_question(
    prepared: PreparedBuild, watches: Mapping[str, str], path: str, half: str | None
) -> tuple[AddressLookup, Written]:
    """What tells of a 16-bit write through a path.  Raises ExpressionError."""
    target = written(prepared, watches, path, half)
    place = target.place
    base = f"address({place.text}) + {target.offset}"
    texts = _block_texts(prepared.layout, base)
    program = check(prepared.layout, {**watches, **texts}, texts, prepared.functions)
    found = pointers(prepared.layout, program)
    byte = prepared.layout.type("u8")
    assert isinstance(byte, Leaf)
    asked: dict[str, nodes.Number] = {
        "address": nodes.AddressOf(place.text, ADDRESS, place),
        **{f"to {pointer.path}": pointer.number for pointer in found},
    }
    for away in AROUND:
        text = f"{place.text} + {target.offset + away}"
        spot = nodes.Offset(text, byte, place, target.offset + away)
        asked[f"byte {away}"] = nodes.Read(text, value_type(byte), spot, byte)
    return AddressLookup(_asking(prepared, program, texts, asked), found), target


def written(
    prepared: PreparedBuild, watches: Mapping[str, str], path: str, half: str | None
) -> Written:
    """Which half a path means: ``courier.held.position.x`` or ``high(courier.held.position.x)``.

    Without *half* the low one is meant.  Raises ExpressionError.
    """
    layout = prepared.layout
    expressions = {**watches, "": watches.get(path, path)}
    program = check(layout, expressions, functions=prepared.functions)
    number = program.slots[program.watches[""]].number

    def refuse(reason: str) -> ExpressionError:
        return ExpressionError(reason, expression=path)

    if isinstance(number, nodes.Stored) and number.size == 2:
        named = "high" if (number.offset == 0) is (layout.order == ">") else "low"
        if number.leaf.size == 2:
            return Written(number.place, number.leaf, 0, None)
        if half not in (None, named):
            raise refuse(f"is the {named} half, and --half says {half}")
        return Written(number.place, number.leaf, number.offset, named)
    if not isinstance(number, nodes.Read):
        raise refuse("is not stored in memory, expected the path of a field")
    if in_a_list(number):
        raise refuse("is in a list, expected the path of one field")
    leaf = number.leaf
    if leaf.size == 2:
        return Written(number.place, leaf, 0, None)
    if leaf.size != 4 or number.type.kind is Kind.TEXT:
        raise refuse(f"is {name_of(leaf)}, expected a field of 32 bits, which has 16-bit halves")
    half = half or "low"
    first = (half == "high") is (layout.order == ">")
    return Written(number.place, leaf, 0 if first else 2, half)


def _block_texts(layout: BuildLayout, address: str) -> dict[str, str]:
    if layout.heap is None:
        return {}
    named = any(heap.name for heap in layout.heaps)
    fields = (*BLOCK_FIELDS, "heap") if named else BLOCK_FIELDS
    return {f"block {name}": f"block({address}).{name}" for name in fields}


def _asking(
    prepared: PreparedBuild,
    program: Program,
    texts: Mapping[str, str],
    asked: Mapping[str, nodes.Number],
) -> PreparedBuild:
    slots, places = list(program.slots), {name: program.watches[name] for name in texts}
    for name, number in asked.items():
        # a stale pointer is what is asked about: no warning may stand in the way
        slots.append(Slot(name, number.text, number.type, number, heap_checks=False))
        places[name] = len(slots) - 1
    shown = tuple(Watch(name, "", name, slots[place].type) for name, place in places.items())
    program = replace(program, slots=tuple(slots), watches=places)
    return replace(prepared, program=program, watches=shown)


def block_of(answers: Mapping[str, Value]) -> LookedUpBlock | None:
    """The block that a frame told of."""
    values = [answers.get(f"block {name}") for name in BLOCK_FIELDS]
    if any(value is None for value in values):
        return None
    index, owner, start, size, used, offset = values
    numbers = [int(value) for value in (index, start, size, offset) if isinstance(value, int)]
    if len(numbers) != 4:
        return None
    heap = str(answers.get("block heap", ""))
    return LookedUpBlock(
        numbers[0], str(owner), numbers[1], numbers[2], bool(used), numbers[3], heap
    )


def owner_spots(
    layout: BuildLayout, memory: MemoryMap, block: LookedUpBlock | None, address: int
) -> list[Spot]:
    """The fields at an address by the struct that really lives in its block."""
    types = None if block is None else layout.heap_named(block.heap)
    if block is None or types is None or not block.used:
        return []
    owner = types.owner
    struct = owner.structs.get(block.owner, owner.struct)
    if struct is None:
        return []
    path = f'at(0x{block.start:08X}, "{struct.type_name}")'
    return spots_in(path, struct, block.start, memory, address, layout)


def named_spots(
    layout: BuildLayout,
    memory: MemoryMap,
    address: int,
    led: Sequence[tuple[Pointer, int]],
    block: LookedUpBlock | None,
) -> list[Spot]:
    """The best names of an address: symbols', those through a pointer, or by its block's owner.

    The most specific first.  Where none names it, the gap that it lies in, if any.
    """
    known = [
        symbol_spots(layout, memory, address),
        pointer_spots(led, memory, address, layout),
        owner_spots(layout, memory, block, address),
    ]
    found = [spots for spots in known if spots]
    return next((spots for spots in found if spots[0].named), found[0] if found else [])
