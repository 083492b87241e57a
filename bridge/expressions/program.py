"""A checked program: the slots of one build's watches, and how its heap is walked.

A *slot* is one value of a frame.  Slots stand in an order in which each uses only earlier ones.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from bridge.expressions import nodes
from bridge.expressions.frame_functions.frame_function import FrameFunction
from bridge.values.value_type import ValueType
from schemas.heap_types import HeapTypes

__all__ = ["FrameFunctionCall", "HeapProgram", "Program", "Slot"]


@dataclass(frozen=True, slots=True)
class FrameFunctionCall:
    """A call of a function over frames: its name, the slots of its arguments, and what makes its
    state machine for a text."""

    function: str
    arguments: tuple[int, ...]
    make: Callable[[str], FrameFunction]


@dataclass(frozen=True, slots=True)
class Slot:
    """One value of a frame: a number to evaluate, or a function over frames to step."""

    name: str
    text: str
    type: ValueType
    number: nodes.Number | None
    over_frames: FrameFunctionCall | None = None
    heap_checks: bool = True
    """Whether it warns of pointers into the heap that do not hold what they held."""

    @property
    def address_node(self) -> nodes.Number | None:
        """The number, where its value is read from one address."""
        kinds = nodes.Read | nodes.Stored | nodes.FlagRead
        return self.number if isinstance(self.number, kinds) else None


@dataclass(frozen=True, slots=True)
class HeapProgram:
    """``first`` and ``next`` are header addresses, 0 for none; ``payload`` is an address, too.

    ``owner`` is the number of a used block's kind, None where sizes or nothing tell it; it takes
    ``owner_bytes`` from the payload's start.  ``identity`` and ``age`` may read up to
    ``object_bytes`` of a used payload; ``newest_first`` are lists of addresses.
    """

    types: HeapTypes
    first: nodes.Number
    next: nodes.Number
    size: nodes.Number
    used: nodes.Number
    payload: nodes.Number
    magic: nodes.Number | None
    generation: nodes.Number | None
    owner: nodes.Number | None
    owner_bytes: int
    identity: nodes.Number | None = None
    age: nodes.Number | None = None
    object_bytes: int = 0
    newest_first: tuple[nodes.Listing, ...] = ()


@dataclass(frozen=True, slots=True)
class Program:
    """All slots in evaluation order, which slot each watch is, and how the heap is walked."""

    slots: tuple[Slot, ...]
    watches: Mapping[str, int]
    heap: HeapProgram | None = None
