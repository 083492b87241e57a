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
from bridge.heap.several import joined
from bridge.heap.stale_pointers import Caution, HeapPointer, PointerHistory
from bridge.values.status import Status
from schemas.compiler import BuildLayout

__all__ = ["Cautions", "HeapAccess"]

_AIM_STEPS, _BLOCK_STEPS = 24, 12
"""What looking up a block costs, in steps."""
_NO_BLOCK = "nothing there: in no block of the heap"


def _the_heap(heap: Heap) -> str:
    return f"the heap {heap.name}" if heap.name else "the heap"


def _no_block(heaps: Sequence[Heap], programs: Sequence[HeapProgram]) -> str:
    """In none of these an address lies; and what is wrong with them."""
    if len(heaps) > 1:
        whys = [f"{_the_heap(each)} is damaged: {each.damaged}" for each in heaps if each.damaged]
        return "any heap" + (f"; {'; '.join(whys)}" if whys else "")
    (heap,) = heaps
    words = _the_heap(heap) if len(programs) > 1 else "the heap"
    if heap.empty:
        return f"{words}, which has none: {heap.empty}"
    return words + (f", which is damaged: {heap.damaged}" if heap.damaged else "")


class Cautions:
    """What slots that have a value are warned of, the weightiest of each."""

    def __init__(self) -> None:
        self.by_slot: dict[int, Caution] = {}

    def add(self, caution: Caution, slot: int) -> None:
        """Warn a slot, unless a weightier caution stands."""
        if caution.outweighs(self.by_slot.get(slot)):
            self.by_slot[slot] = caution


class HeapAccess:
    """The heaps of one evaluator's frames, each walked when it is first asked for.

    *programs* are in the schema's order, none where it describes no heap; *compile* makes functions
    of generated source, with further ones that it may call.  ``history`` is what pointers were
    aimed at.
    """

    def __init__(
        self,
        programs: Sequence[HeapProgram],
        layout: BuildLayout,
        access: GuestAccess,
        budget: Budget,
        cautions: Cautions,
        compile: Callable[[GeneratedCode, Mapping[str, Any]], Mapping[str, Any]],
    ) -> None:
        self._programs = programs
        self._numbers = {each.types.name: number for number, each in enumerate(programs)}
        self._layout = layout
        self._access = access
        self._budget = budget
        self._cautions = cautions
        self._compile = compile
        self.history = PointerHistory()
        self._walks: list[HeapWalk | None] = [None] * len(programs)
        self._own_walks = self._walks
        self._whole: Heap | None = None
        self._judged: dict[tuple[int, int], Caution | None] = {}
        self._of_all_blocks: dict[tuple[Callable[..., Any], str], int | None] = {}

    def begin(self, other: HeapAccess | None) -> None:
        """Another frame begins, in which *other* may have walked the heap already."""
        self._cautions.by_slot = {}
        self._judged.clear()
        self._of_all_blocks.clear()
        self.history.begin()
        self._whole = None
        self._walks = list(self._own_walks)
        for number in range(len(self._walks)):
            lent = None if other is None else other._walks[number]
            if lent is not None and lent.found is not None:
                self._walks[number] = lent
            elif (walk := self._walks[number]) is not None:
                walk.begin()

    def go_on(self) -> None:
        """The lines that were missing have come."""
        for walk in self._walks:
            if walk is not None:
                walk.go_on()

    @property
    def seen(self) -> Heap | None:
        """The heaps in the frame at hand: the first with the others; None until all are known."""
        if self._whole is None:
            walks = [walk for walk in self._walks if walk is not None]
            found = [walk.found for walk in walks if walk.found is not None]
            if found and len(found) == len(self._programs):
                self._whole = joined(found)
        return self._whole

    def heap(self) -> Heap:
        """The heaps in the frame at hand.  Raises Missing where lines have to come first."""
        if not self._programs:
            raise ValueError("the schema describes no heap")
        if self.seen is None:
            lacking = False
            for number in range(len(self._programs)):
                try:
                    self._walked(number)
                except Missing:
                    lacking = True  # what the others lack comes with the same batch
            if lacking:
                raise Missing
        assert self.seen is not None
        return self.seen

    def _walked(self, number: int) -> tuple[Heap, HeapWalk]:
        walk = self._walks[number]
        if walk is None:
            walk = self._walks[number] = self._own_walks[number] = HeapWalk(
                self._programs[number],
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

    def blocks(self, slot: int | None, name: str = "") -> Sequence[Block]:
        """All blocks of a heap.  Of a damaged one those before, with a caution to the slot."""
        heap, walk = self._walked(self._numbers.get(name, 0))
        if walk.absent is not None:
            raise walk.absent
        if heap.damaged is not None and slot is not None:
            caution = Caution(Status.DAMAGED, f"{_the_heap(heap)} is damaged: {heap.damaged}")
            self._cautions.add(caution, slot)
        return heap.blocks

    def of_blocks(
        self,
        call: Callable[[Sequence[Block], bool], int | None],
        most: int,
        slot: int | None,
        name: str = "",
    ) -> int:
        """What a function makes of all blocks; once a frame, however often it is asked for."""
        blocks = self.blocks(slot, name)
        heap = self._walked(self._numbers.get(name, 0))[0]
        if (call, name) not in self._of_all_blocks:
            self._budget.spend(_BLOCK_STEPS * min(most, len(blocks)))
            self._of_all_blocks[call, name] = call(blocks, heap.damaged is None)
        found = self._of_all_blocks[call, name]
        if found is None:
            raise Absent(Status.DAMAGED, f"{_the_heap(heap)} is damaged: {heap.damaged}")
        return found

    def block(self, address: int, holder: str, name: str | None = None) -> Block:
        """The block that holds an address, in its payload or in its header.

        It is the innermost of all heaps', or where a *name* is given that heap's alone.
        """
        if not address:
            null(holder)
        heap = self.heap() if name is None else self._walked(self._numbers[name])[0]
        self._budget.spend(_BLOCK_STEPS)
        at = heap.at if name is None else heap.own_at
        found = at(address) or at(address := self.canonical(address))
        if found is not None:
            return found
        among = heap.all if name is None else (heap,)
        for each in among:
            walk = self._walked(self._numbers[each.name])[1]
            if walk.absent is not None:
                raise walk.absent
        reason = f"{holder}: 0x{address:08X} is in no block of {_no_block(among, self._programs)}"
        raise Absent(Status.UNMAPPED, reason, cause=_NO_BLOCK)

    def canonical(self, address: int) -> int:
        """An address, where it is a mirror's, as that of the region itself."""
        guest = self._access.guest
        flat = guest.flat(address)
        return address if flat is None else guest.address(flat)

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
            caution = self.history.judge(pointer, self.canonical(address), self.heap())
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
