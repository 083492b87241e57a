"""From the watches of a build to its program: joins checker, rules, functions and heap."""

from __future__ import annotations

import functools
from collections.abc import Collection, Mapping, Sequence

from bridge.expressions import nodes
from bridge.expressions.checker import Checker
from bridge.expressions.functions.function import Function
from bridge.expressions.functions.table import FUNCTIONS
from bridge.expressions.heap_description import heap_programs
from bridge.expressions.leaf_types import value_type
from bridge.expressions.node_rules import node_rules
from bridge.expressions.node_walks import followed
from bridge.expressions.program import HeapProgram, Program, Slot
from schemas.compiler import BuildLayout
from schemas.layout import PointerTo

__all__ = ["check"]


def check(
    layout: BuildLayout,
    watches: Mapping[str, str],
    without_heap_warnings: Collection[str] = (),
    functions: Mapping[str, Function] = FUNCTIONS,
) -> Program:
    """The program of all watches (name → expression), each checked.

    Those in *without_heap_warnings* warn of no pointer into the heap; *functions* can be called.

    Raises ExpressionError for the first wrong one, SchemaError where the heap's description is.
    """
    heaps = _heaps(layout, tuple(functions.items()))
    checker = Checker(layout, node_rules(functions), watches, without_heap_warnings)
    for name in checker.ordered():
        checker.watch(name)
    slots = checker.slots
    if heaps:
        slots += _pointers_always_read(slots)
    return Program(slots, dict(checker.watch_slots), heaps)


@functools.lru_cache(64)
def _heaps(
    layout: BuildLayout, functions: tuple[tuple[str, Function], ...]
) -> tuple[HeapProgram, ...]:
    """The heaps of a build's schema, the same for each of its programs."""
    return heap_programs(Checker(layout, node_rules(dict(functions)), {}))


def _pointers_always_read(slots: Sequence[Slot]) -> tuple[Slot, ...]:
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
        others |= {place.pointer.text: place.pointer for place in followed(slot.number)}
    found = []
    for text, pointer in others.items():
        if text not in sure and isinstance(pointer.node, PointerTo):
            kind = value_type(pointer.node)
            found.append(Slot("", text, kind, nodes.Read(text, kind, pointer, pointer.node)))
    return tuple(found)
