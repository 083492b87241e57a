"""Runs the generated code against an image: a value or a reason for every slot of a program.

One evaluator serves one build and one memory map.  ``evaluate`` gives every slot a value or a
reason; where lines are missing it returns their numbers instead, and is called again, with
``again=True``, once they are there: then only the slots that were set aside run.

What generated code leaves to be done with care is done by ``guest_access``, ``heap_access``,
``shared_lists`` and ``frame_state``, each of which has its own part of a frame's state.

No text holds a frame up: what lists do is counted (``bridge.evaluation.budget``), and where plain
watches alone are too many for a frame, those that are left get an error instead of a turn.
Functions over frames have their turn all the same, so that their state belongs to the frame.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Any

from bridge.evaluation.absence import SET_ASIDE, Absent, Missing
from bridge.evaluation.budget import Budget, OverBudget, ProcessorTime, no_time, untimed
from bridge.evaluation.code_writer import GeneratedCode
from bridge.evaluation.frame_state import FrameState
from bridge.evaluation.guest_access import GuestAccess
from bridge.evaluation.heap_access import Cautions, HeapAccess
from bridge.evaluation.runtime import compiled
from bridge.evaluation.shared_lists import SharedLists
from bridge.evaluation.slot_code import generate
from bridge.expressions import nodes
from bridge.expressions.arithmetic import Undefined
from bridge.expressions.frame_functions.plan_steps import Standing
from bridge.expressions.program import Program
from bridge.heap.blocks import Heap
from bridge.heap.stale_pointers import Caution
from bridge.memory.address_map import MemoryMap
from bridge.memory.image import Image
from bridge.values.status import Status
from bridge.values.value_type import Value
from schemas.compiler import BuildLayout

__all__ = ["Evaluator"]

_WHOLE_CHUNK = 250
_LATE = -0.004
"""Seconds of a frame that are left when plain watches get no turn either."""
_LOOK_EVERY = 4000
"""Statements after which the clock is looked at between watches."""


class Evaluator:
    """Evaluates a program's slots.

    ``values``, ``faults`` (None where there is a value) and ``addresses`` hold the last result by
    slot; they are new lists for every frame, so a frame may keep them.  ``fixed_addresses`` are
    those that no frame changes, ``static_lines`` the lines of all reads at such addresses.
    *processor_time* bounds what a frame may take; without it steps alone do.
    """

    def __init__(
        self,
        program: Program,
        layout: BuildLayout,
        memory: MemoryMap,
        *,
        whole: bool,
        budget: Budget | None = None,
        processor_time: ProcessorTime = untimed,
    ) -> None:
        self.program = program
        self.layout = layout
        self.memory = memory
        self.frame = 0
        self.budget = budget or Budget(processor_time)
        chunk = _WHOLE_CHUNK if whole else 1
        source = generate(program, layout, memory, whole=whole, chunk=chunk)
        self.static_lines = source.lines
        self.fixed_addresses = list(source.addresses)
        self.values: list[Any] = []
        self.faults: list[Absent | None] = []
        self.addresses: list[int | None] = []
        self._set_aside: list[int] = []
        self._cautions = Cautions()
        self._access = access = GuestAccess(memory)
        self._state = FrameState(program)
        count, cautions = len(program.slots), self._cautions
        self._heap = HeapAccess(program.heaps, layout, access, self.budget, cautions, self._compile)
        self._lists = SharedLists(layout, access, self.budget, cautions, source.lists, count)
        names = self._compile(source, {})
        self._chunks: list[Callable[..., None]] = [
            names[f"chunk{number}"] for number in range(len(source.chunks))
        ]
        self._lists.functions = [names[f"list{number}"] for number in range(len(source.lists))]
        self._chunk_slots = source.chunks
        self._weights = source.weights
        # few watches without lists and heap are quicker than the clock is read
        few = sum(source.weights) < 5 * _LOOK_EVERY and not program.heaps and budget is None
        self._is_plain = few and not source.lists

    def _compile(self, code: GeneratedCode, further: Mapping[str, Any]) -> Mapping[str, Any]:
        """The functions of generated source; *further* ones are what it may call, too."""
        access, lists, heap = self._access, self._lists, self._heap
        calls = {
            "locate": access.locate,
            "miss": access.miss,
            "outside": access.outside,
            "fault": self._fault,
            "step": self._state.step,
            "chain": lists.chain,
            "shared": lists.shared,
            "block": heap.block,
            "blocks": heap.blocks,
            "of_blocks": heap.of_blocks,
            "canonical": heap.canonical,
            "aim": heap.aim,
            "aims": heap.aim_all,
            "aimless": heap.aimless,
            "caution": self._cautions.add,
            "start": self.budget.start,
            "spend": self.budget.spend,
        }
        return compiled(code, self.layout.order, {**calls, **further})

    def evaluate(
        self,
        image: Image,
        frame: int,
        *,
        again: bool = False,
        share_heap_with: Evaluator | None = None,
    ) -> set[int]:
        """Evaluate every slot, or only those set aside.

        *share_heap_with* has evaluated the same image already: where it walked the heap, so need
        not this, nor evaluate the lists that it did; and what it took of the frame is not there for
        this one.  Returns the numbers of the lines that are missing; empty when the frame is
        complete.
        """
        access, state = self._access, self._state
        access.image, access.needed = image, set()
        self.frame = state.frame = frame
        turns: Sequence[int] = range(len(self._chunks))
        if again:
            todo, self._set_aside = self._set_aside, []
            for number in todo:
                self.faults[number] = None
                self.cautions.pop(number, None)
            self._heap.go_on()
            turns = todo
        else:
            if share_heap_with is None:
                work = self.budget.work
                work.spent = 0.0
                if work.lists:
                    work.lists.clear()
            else:
                self.budget.work = share_heap_with.budget.work
            count = len(self.program.slots)
            self.values, self.faults = [None] * count, [None] * count
            state.values, state.faults = self.values, self.faults
            self.addresses = self.fixed_addresses[:]
            self._set_aside = []
            if not self._is_plain or self._lists.chains:
                self._lists.begin()
            if self.program.heaps:
                self._heap.begin(None if share_heap_with is None else share_heap_with._heap)
        self._lists.arguments = arguments = (
            image.bytes,
            self.values,
            self.faults,
            self.addresses,
            image.held,
            image.touched,
            self._cautions.by_slot,
        )
        chunks = self._chunks
        if self._is_plain:
            for number in turns:
                chunks[number](*arguments)
            return access.needed
        self.budget.begin()
        weight = 0
        for place, number in enumerate(turns):
            chunks[number](*arguments)
            weight += self._weights[number]
            if weight > _LOOK_EVERY:
                weight = 0
                if self.budget.left(self.budget.clock()) < _LATE:
                    self._no_turn(turns[place + 1 :])
                    break
        self.budget.end()
        return access.needed

    def _no_turn(self, chunks: Sequence[int]) -> None:
        """The frame has no time for the watches of these chunks."""
        for chunk in chunks:
            for slot in self._chunk_slots[chunk]:
                try:
                    value = self._state.step_at_last(slot)
                    if value is None:
                        raise OverBudget(no_time())
                    self.values[slot] = value
                except Exception as fault:
                    self.faults[slot] = self._fault(fault, slot)

    def commit(self) -> None:
        """The frame was taken: functions over frames move on."""
        self._state.commit()
        self._heap.history.commit()

    @property
    def cautions(self) -> dict[int, Caution]:
        """What slots that have a value are warned of in the frame at hand."""
        return self._cautions.by_slot

    @property
    def doubts(self) -> Collection[int]:
        """The watches' slots of which functions over frames lack some of the frames.

        It is of the frame that was taken last, as ``rises`` is.
        """
        return self._state.doubts

    @property
    def rises(self) -> Mapping[int, int]:
        """How often conditions became true in frames that were missed, by slot."""
        return self._state.rises

    def moments(self) -> list[tuple[str, Value | None]]:
        """What each tally counted in the frame that was just taken: its text and the value."""
        return self._state.moments()

    def moments_apart(self) -> list[tuple[str, Value | None]]:
        """The same of what came in frames that were not taken, before the one that just was."""
        return self._state.moments_apart()

    def place(self) -> Standing | None:
        """Where the game stood in the plan that is followed, in the frame that was just taken."""
        return self._state.place()

    def doubtful(self, slot: int) -> bool:
        """Whether a slot's value might be another, had all frames of the game been taken."""
        return self._state.doubtful(slot)

    def clear(self) -> None:
        """The guest was reset: functions over frames forget everything."""
        self._state.clear()
        self._heap.history.clear()

    def release_image(self) -> None:
        """Drop the image: an evaluator is in cycles, and would hold it until they are looked for.

        State that spans frames stays.
        """
        self._access.image = Image(MemoryMap(()))
        self._lists.arguments = ()

    def adopt(self, other: Evaluator) -> None:
        """Go on with the state over frames of an evaluator of the same program."""
        self._state.adopt(other._state)
        self._heap.history = other._heap.history

    def copy_pointer_history(self, other: Evaluator) -> None:
        """Go on from what *other* knows of what pointers were aimed at."""
        self._heap.history.begin_as(other._heap.history)

    def heap(self) -> Heap:
        """The heap in the frame at hand, walked when it is first asked for.

        Inside an evaluation it raises Missing where lines have to come first.  Afterwards ask for
        ``heap_seen``, or make the build ask for it (``bridge.prepared.with_heap``): lines that no
        watch asked for are not there.  Raises ValueError where the schema describes no heap.
        """
        return self._heap.heap()

    @property
    def heap_seen(self) -> Heap | None:
        """The heap in the frame at hand, None where nothing asked for it."""
        return self._heap.seen

    # where a source does not hold all of the guest

    @property
    def guest(self) -> MemoryMap:
        """The guest's whole map, of which the source may hold less."""
        return self._access.guest

    @guest.setter
    def guest(self, guest: MemoryMap) -> None:
        self._access.guest = guest

    @property
    def absent_status(self) -> Status:
        """What a watch is that needs bytes which the source does not hold."""
        return self._access.absent_status

    @absent_status.setter
    def absent_status(self, status: Status) -> None:
        self._access.absent_status = status

    @property
    def absent_words(self) -> str:
        """The end of such a watch's reason."""
        return self._access.absent_words

    @absent_words.setter
    def absent_words(self, words: str) -> None:
        self._access.absent_words = words

    def _fault(self, fault: Exception, slot: int) -> Absent:
        """Why a slot has no value, of what its code raised."""
        if isinstance(fault, Absent):
            if fault.value is not None and isinstance(self.program.slots[slot].number, nodes.Read):
                self.values[slot] = fault.value
            return fault.with_traceback(None)
        if isinstance(fault, Missing):
            self._set_aside.append(slot)
            return SET_ASIDE
        if isinstance(fault, ArithmeticError):
            text = self.program.slots[slot].text
            if isinstance(fault, Undefined):
                reason = str(fault)
            elif isinstance(fault, ZeroDivisionError):
                reason = "division by zero"
            else:
                reason = "the result is too large for a float"
            return Absent(Status.ERROR, f"{text}: {reason}", cause=f"no result: {reason}")
        raise fault
