"""A checked program: the slots of one build's watches, and how its heaps are walked.

A *slot* is one value of a frame.  Slots stand in an order in which each uses only earlier ones.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from bridge.expressions import nodes
from bridge.expressions.frame_functions.frame_function import FrameFunction
from bridge.values.value_type import ValueType
from schemas.heap_types import HeapTypes

__all__ = [
    "FrameFunctionCall",
    "HandleTable",
    "HeapProgram",
    "Program",
    "Slot",
    "SlotPool",
]


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
class SlotPool:
    """How many slots a pool has, and the bytes from one to the next."""

    count: nodes.Number
    size: nodes.Number


@dataclass(frozen=True, slots=True)
class HandleTable:
    """A table of pointers to blocks: its address, how many it has, and the one at hand."""

    address: nodes.Number
    count: nodes.Number
    pointer: nodes.Read


@dataclass(frozen=True, slots=True)
class HeapProgram:
    """How one heap is walked.

    ``firsts``, ``next`` and ``header`` are header addresses, 0 for none; ``payload`` is an address,
    too.  Which of them there are is told by the form of the heap's table.

    ``owner`` is the number of a used block's kind, None where sizes or nothing tell it; it takes
    ``owner_bytes`` from the payload's start.  ``identity`` and ``age`` may read up to
    ``object_bytes`` of a used payload; ``newest_first`` are lists of addresses.  ``extent`` is the
    address of its first byte and that behind its last.
    """

    types: HeapTypes
    firsts: tuple[nodes.Number, ...]
    next: nodes.Number | None
    size: nodes.Number | None
    used: nodes.Number | None
    payload: nodes.Number | None
    magic: nodes.Number | None
    generation: nodes.Number | None
    owner: nodes.Number | None
    owner_bytes: int
    identity: nodes.Number | None = None
    age: nodes.Number | None = None
    object_bytes: int = 0
    newest_first: tuple[nodes.Listing, ...] = ()
    extent: tuple[nodes.Number, nodes.Number] | None = None
    slots: SlotPool | None = None
    handles: HandleTable | None = None
    header: nodes.Number | None = None


@dataclass(frozen=True, slots=True)
class Program:
    """All slots in evaluation order, which slot each watch is, and how the heaps are walked."""

    slots: tuple[Slot, ...]
    watches: Mapping[str, int]
    heaps: tuple[HeapProgram, ...] = ()
