"""What generated code asks of the heap: its blocks, and what pointers into it lead to."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from bridge.evaluation.absence import Absent, Missing
from bridge.evaluation.budget import Budget
from bridge.evaluation.code_writer import GeneratedCode
from bridge.evaluation.guest_access import GuestAccess
from bridge.evaluation.heap_walk import HeapWalk
from bridge.evaluation.runtime import null
from bridge.expressions.program import HeapProgram
from bridge.heap.blocks import Block, Heap
from bridge.heap.stale_pointers import Caution, HeapPointer, PointerHistory
from bridge.values.status import Status
from schemas.compiler import BuildLayout

__all__ = ["Cautions", "HeapAccess"]

_AIM_STEPS, _BLOCK_STEPS = 24, 12
"""What looking up a block costs, in steps."""
_NO_BLOCK = "nothing there: in no block of the heap"


class Cautions:
    """What slots that have a value are warned of, the weightiest of each."""

    def __init__(self) -> None:
        self.by_slot: dict[int, Caution] = {}

    def add(self, caution: Caution, slot: int) -> None:
        """Warn a slot, unless a weightier caution stands."""
        if caution.outweighs(self.by_slot.get(slot)):
            self.by_slot[slot] = caution


class HeapAccess:
    """The heap of one evaluator's frames, walked when it is first asked for.

    *program* is None where the schema describes no heap; *compile* makes functions of generated
    source, with further ones that it may call.  ``history`` is what pointers were aimed at.
    """

    def __init__(
        self,
        program: HeapProgram | None,
        layout: BuildLayout,
        access: GuestAccess,
        budget: Budget,
        cautions: Cautions,
        compile: Callable[[GeneratedCode, Mapping[str, Any]], Mapping[str, Any]],
    ) -> None:
        self._program = program
        self._layout = layout
        self._access = access
        self._budget = budget
        self._cautions = cautions
        self._compile = compile
        self.history = PointerHistory()
        self._walk: HeapWalk | None = None
        self._own_walk: HeapWalk | None = None
        self._judged: dict[tuple[int, int], Caution | None] = {}
        self._of_all_blocks: dict[Callable[..., Any], int | None] = {}

    def begin(self, other: HeapAccess | None) -> None:
        """Another frame begins, in which *other* may have walked the heap already."""
        self._cautions.by_slot = {}
        self._judged.clear()
        self._of_all_blocks.clear()
        self.history.begin()
        if other is not None and other.seen is not None:
            self._walk = other._walk
        else:
            self._walk = self._own_walk
            if self._walk is not None:
                self._walk.begin()

    def go_on(self) -> None:
        """The lines that were missing have come."""
        if self._walk is not None:
            self._walk.go_on()

    @property
    def seen(self) -> Heap | None:
        """The heap in the frame at hand, None where nothing asked for it."""
        return self._walk.found if self._walk is not None else None

    def heap(self) -> Heap:
        """The heap in the frame at hand.  Raises Missing where lines have to come first."""
        return self._walked()[0]

    def _walked(self) -> tuple[Heap, HeapWalk]:
        walk = self._walk
        if walk is None:
            if self._program is None:
                raise ValueError("the schema describes no heap")
            walk = self._walk = self._own_walk = HeapWalk(
                self._program,
                self._layout,
                self._access.memory,
                self._access.guest,
                whole=self._access.image.whole,
                compile=self._compile,
                spend=self._budget.spend,
            )
        if walk.found is not None:
            return walk.found, walk
        known, image = set(self._access.needed), self._access.image
        try:
            found: Heap = self._budget.walk(lambda: walk.heap(image))
            return found, walk
        except Missing:
            self._access.look_ahead(walk.ahead(self._access.needed - known))
            raise

    # what the generated code calls

    def blocks(self, slot: int | None) -> Sequence[Block]:
        """All blocks.  Of a damaged heap those before the damage, with a caution to the slot."""
        heap, walk = self._walked()
        if walk.absent is not None:
            raise walk.absent
        if heap.damaged is not None and slot is not None:
            caution = Caution(Status.DAMAGED, f"the heap is damaged: {heap.damaged}")
            self._cautions.add(caution, slot)
        return heap.blocks

    def of_blocks(
        self, call: Callable[[Sequence[Block], bool], int | None], most: int, slot: int | None
    ) -> int:
        """What a function makes of all blocks; once a frame, however often it is asked for."""
        blocks, damaged = self.blocks(slot), self.heap().damaged
        if call not in self._of_all_blocks:
            self._budget.spend(_BLOCK_STEPS * min(most, len(blocks)))
            self._of_all_blocks[call] = call(blocks, damaged is None)
        found = self._of_all_blocks[call]
        if found is None:
            raise Absent(Status.DAMAGED, f"the heap is damaged: {damaged}")
        return found

    def block(self, address: int, holder: str) -> Block:
        """The block that holds an address, in its payload or in its header."""
        if not address:
            null(holder)
        heap, walk = self._walked()
        self._budget.spend(_BLOCK_STEPS)
        found = heap.holding(address) or heap.header_holding(address)
        if found is None:
            address = walk.canonical(address)
            found = heap.holding(address) or heap.header_holding(address)
        if found is not None:
            return found
        if walk.absent is not None:
            raise walk.absent
        why = f", which is damaged: {heap.damaged}" if heap.damaged else ""
        if heap.empty:
            why = f", which has none: {heap.empty}"
        reason = f"{holder}: 0x{address:08X} is in no block of the heap{why}"
        raise Absent(Status.UNMAPPED, reason, cause=_NO_BLOCK)

    def canonical(self, address: int) -> int:
        """An address, where it is a mirror's, as that of the region itself."""
        assert self._walk is not None
        return self._walk.canonical(address)

    def aim(self, address: int, pointer: HeapPointer, slot: int) -> None:
        """Note what a pointer that is followed leads to in the heap."""
        judged: dict[Any, Caution | None]
        key: Any
        if pointer.over_frames:
            judged, key = self.history.judged, pointer.path
        else:
            judged, key = self._judged, (id(pointer), address)
        if key in judged:
            caution = judged[key]
        else:
            if not pointer.over_frames:
                self._budget.spend(_AIM_STEPS)  # in a list; others are judged once a frame
            heap, walk = self._walked()
            caution = self.history.judge(pointer, walk.canonical(address), heap)
            judged[key] = caution
        if caution is not None:
            self._cautions.add(caution, slot)

    def aim_all(self, addresses: Sequence[int], pointer: HeapPointer, slot: int) -> None:
        """The same of every element of a linked list."""
        self._budget.spend(len(addresses) << 1)
        for address in addresses:
            self.aim(address, pointer, slot)

    def aimless(self, pointer: HeapPointer) -> None:
        """A pointer that would be followed is null."""
        self.history.null(pointer)
