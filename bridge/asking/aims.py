"""What is to be known of each watch: its value, or only where it stands; and what nobody can type.

Who types sees one moment and not every frame, so functions over frames have no value.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NoReturn

from bridge.asking.question import AddressSum, sum_of
from bridge.expressions import nodes
from bridge.expressions.arithmetic import Undefined
from bridge.expressions.node_walks import in_an_open_list, parts
from bridge.expressions.program import Program, Slot
from bridge.prepared import PLAN, PreparedBuild
from bridge.values.value_type import Kind, ValueType

__all__ = [
    "NEVER",
    "Aim",
    "Aims",
    "aims_of",
    "by_hand",
    "part_of",
    "sum_of_place",
    "title_of",
    "whole_reads",
]

NEVER = "needs every frame of the game, which nobody can type"
_ACCESS = nodes.Read | nodes.Stored | nodes.FlagRead
_HEAP = nodes.AllBlocks | nodes.NamedBlock | nodes.OfBlocks
_LONG = nodes.Listing | _HEAP


@dataclass(frozen=True, slots=True)
class Aim:
    """One value or address that is wanted; ``name`` is the watch's, or a step's expression.

    ``part`` is the text of the one of several places that a computed watch is made of, of which
    only the addresses are wanted.  ``access`` is what reads it, None where it is computed.
    ``is_address`` is whether the slot gives where it stands.  ``impossible`` is why it cannot be
    typed.  ``is_long`` is whether it goes along a list or a heap.
    """

    name: str
    slot: int
    part: str = ""
    access: nodes.Number | None = None
    is_address: bool = False
    impossible: str = ""
    is_long: bool = False

    @property
    def title(self) -> str:
        return title_of(self.name)


@dataclass(frozen=True, slots=True)
class Aims:
    """All that is wanted of a build, and the build with the slots that give it."""

    prepared: PreparedBuild
    aims: tuple[Aim, ...]


def title_of(name: str) -> str:
    """A watch's name; of a step's or an attempt's expression what it is."""
    table, dot, rest = name.partition(".")
    if table == "steps" and dot:
        number, _, what = rest.partition(".")
        return f"step {int(number) + 1}: {what}"
    return f"attempts: {rest}" if table == "attempts" and dot else name


def by_hand(prepared: PreparedBuild) -> PreparedBuild:
    """The same build for a person.

    No counter numbers its frames, and functions over frames have no value: who types sees some
    moments and not every frame.  A pointer is held against the heap only where its watch asks for
    the heap anyway, since all of it would have to be typed.
    """
    slots = tuple(_by_hand(slot) for slot in prepared.program.slots)
    program = replace(prepared.program, slots=slots)
    return replace(prepared, program=program, frame=None, guard=None)


def _by_hand(slot: Slot) -> Slot:
    if slot.over_frames is not None:
        never = nodes.Apply(slot.text, slot.type, _never, ())
        return replace(slot, over_frames=None, number=never, heap_checks=False)
    asks_heap = any(isinstance(node, _HEAP) for node in parts(slot.number))
    return replace(slot, heap_checks=slot.heap_checks and asks_heap)


def _never() -> NoReturn:
    raise Undefined(NEVER)


def aims_of(
    prepared: PreparedBuild, only: Collection[str] = (), *, addresses: bool = False
) -> Aims:
    """What is wanted: of *only* these watches, else of all, and of the steps and attempts.

    With *addresses* where each stands is enough.
    """
    prepared = by_hand(prepared)
    program = prepared.program
    slots, found = list(program.slots), []
    for name, number in program.watches.items():
        if name == PLAN or (only and name not in only):
            continue
        used = _closure(program, number)
        why = next(filter(None, (_impossible(program.slots[n]) for n in used)), "")
        is_long = any(isinstance(node, _LONG) for n in used for node in parts(slots[n].number))
        own = slots[number].address_node
        if not addresses:
            found.append(Aim(name, number, "", own, False, why, is_long))
            continue
        wanted = [own] if own is not None else list(_accesses(program, used))
        if not wanted:
            why = why or "has no address: it is computed"
            found.append(Aim(name, number, impossible=why, is_long=is_long))
        for access in wanted:
            assert isinstance(access, _ACCESS)
            bits = 8 * prepared.layout.pointer_size
            kind = ValueType(Kind.INTEGER, bits, address=True, name="address")
            here = nodes.AddressOf(access.place.text, kind, access.place)
            slots.append(Slot("", access.place.text, kind, here, heap_checks=False))
            part = "" if access is own else access.text
            goes_long = any(isinstance(node, _LONG) for node in parts(access))
            found.append(Aim(name, len(slots) - 1, part, access, True, is_long=goes_long))
    # what goes along a list asks for most, and may never end: it comes last
    found.sort(key=lambda aim: aim.is_long)
    changed = replace(prepared, program=replace(program, slots=tuple(slots)))
    return Aims(changed, tuple(found))


def _impossible(slot: Slot) -> str:
    """Why nobody can type what a slot needs; empty where one can."""
    number = slot.number
    is_never = isinstance(number, nodes.Apply) and number.call is _never
    return f"{slot.text} {NEVER}" if is_never else ""


def _closure(program: Program, number: int) -> list[int]:
    """A slot and all that it uses."""
    found, pending = [], [number]
    while pending:
        slot = pending.pop()
        if slot in found:
            continue
        found.append(slot)
        pending += _uses(program.slots[slot])
    return found


def _uses(slot: Slot) -> Iterator[int]:
    for node in parts(slot.number):
        if isinstance(node, nodes.SlotValue | nodes.SlotListing | nodes.Position | nodes.Extreme):
            yield node.slot


def _accesses(program: Program, used: Sequence[int]) -> Iterator[nodes.Number]:
    """The places that are read, each once, without those of each element of a list."""
    told: set[tuple[str, int, int]] = set()
    for number in used:
        for node in parts(program.slots[number].number):
            if isinstance(node, _ACCESS) and not in_an_open_list(node):
                offset, size = part_of(node)
                if (key := (node.place.text, offset, size)) not in told:
                    told.add(key)
                    yield node


def part_of(access: nodes.Number | None) -> tuple[int, int]:
    """Which bytes of what stands at its place an access reads: the first, and how many."""
    if isinstance(access, nodes.Stored):
        return access.offset, access.size
    return (0, access.leaf.size) if isinstance(access, nodes.Read | nodes.FlagRead) else (0, 0)


def whole_reads(aims: Aims) -> frozenset[str]:
    """The places of which a watch needs more than one part, so that they are asked for whole."""
    program, seen = aims.prepared.program, dict[str, set[tuple[int, int]]]()
    for aim in aims.aims:
        for number in _closure(program, aim.slot):
            for node in parts(program.slots[number].number):
                if isinstance(node, _ACCESS):
                    seen.setdefault(node.place.text, set()).add(part_of(node))
    return frozenset(place for place, several in seen.items() if len(several) > 1)


def sum_of_place(
    access: nodes.Number | None, address: int, held: Mapping[str, int]
) -> AddressSum | None:
    """How the *address* of what an access reads comes about, from a pointer or a symbol.

    *held* are the values of the pointers that were typed, by their texts.
    """
    if not isinstance(access, _ACCESS):
        return None
    added: list[tuple[str, int]] = []
    offset, size = part_of(access)
    if offset:
        added.append((f"bytes {offset} to {offset + size - 1}", offset))
    place: nodes.Place = access.place
    while isinstance(place, nodes.Offset):
        added.insert(0, (place.text.removeprefix(place.base.text), place.offset))
        place = place.base
    start = address - sum(by for _, by in added)
    if isinstance(place, nodes.Followed):
        typed = held.get(place.pointer.text)
        if typed is not None:
            return sum_of(f"{place.pointer.text} holds", typed, added)
        return sum_of(place.text, start, added)
    if isinstance(place, nodes.Fixed):
        return sum_of(f"{place.text} is at", start, added)
    return sum_of(f"{place.text} is at", start, added)
