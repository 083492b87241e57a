"""A program of which only some slots are evaluated, and which memory their values come from."""

from __future__ import annotations

from collections.abc import Collection

from bridge.evaluation.slot_code import generate
from bridge.expressions import nodes
from bridge.expressions.node_walks import parts
from bridge.expressions.program import Program, Slot
from bridge.memory.address_map import MemoryMap
from bridge.values.value_type import INTEGER
from schemas.compiler import BuildLayout

__all__ = ["fixed_lines", "only", "used"]

_NOTHING = Slot("", "0", INTEGER, nodes.Literal("0", INTEGER, 0), heap_checks=False)
_MOVING = (
    nodes.Followed,
    nodes.Indexed,
    nodes.AtAddress,
    nodes.Listing,
    nodes.NamedBlock,
    nodes.OfBlocks,
)


def used(program: Program, slots: Collection[int]) -> set[int]:
    """These slots and all that they use."""
    found: set[int] = set()
    waiting = list(slots)
    while waiting:
        number = waiting.pop()
        if number in found:
            continue
        found.add(number)
        slot = program.slots[number]
        if slot.over_frames is not None:
            waiting += slot.over_frames.arguments
        waiting += [part.slot for part in parts(slot.number) if isinstance(part, nodes.SlotValue)]
    return found


def only(program: Program, slots: Collection[int]) -> Program:
    """The same program, in which other slots than these and what they use cost nothing.

    Where pointers into the heap are judged, those without a name stay too: they are the pointers
    that must be seen in every frame.
    """
    kept = used(program, slots)
    if program.heaps:
        kept |= {n for n, slot in enumerate(program.slots) if not slot.name and slot.heap_checks}
        kept = used(program, kept)
    chosen = [slot if n in kept else _NOTHING for n, slot in enumerate(program.slots)]
    return Program(tuple(chosen), {}, program.heaps)


def fixed_lines(
    program: Program, layout: BuildLayout, memory: MemoryMap, slots: Collection[int]
) -> frozenset[int] | None:
    """The numbers of all lines that slots can read; None where that depends on what is there."""
    part = only(program, slots)
    for number in used(program, slots):
        if any(isinstance(each, _MOVING) for each in parts(part.slots[number].number)):
            return None
    return generate(part, layout, memory, whole=True, chunk=1).lines
