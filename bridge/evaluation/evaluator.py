"""Runs the generated code against an image, and does with care what it leaves to be done.

One evaluator serves one build and one memory map.  ``evaluate`` gives every slot a value or a
reason; where lines are missing it returns their numbers instead, and is called again, with
``again=True``, once they are there: then only the slots that were set aside run.

No text holds a frame up: what lists do is counted (``bridge.evaluation.budget``), and where plain
watches alone are too many for a frame, those that are left get an error instead of a turn.
Functions over frames have their turn all the same, so that their state belongs to the frame.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Any, NoReturn

from bridge.evaluation.absence import Absent, Missing, NotHeld, Site
from bridge.evaluation.budget import (
    Budget,
    FoundList,
    OverBudget,
    ProcessorTime,
    copied,
    no_time,
    untimed,
)
from bridge.evaluation.heap_walk import HeapWalk
from bridge.evaluation.list_working import Walked, extreme, pick
from bridge.evaluation.slot_code import generate
from bridge.expressions import arithmetic as mathematics
from bridge.expressions import nodes, rises
from bridge.expressions.frame_functions.frame_before import Previous
from bridge.expressions.frame_functions.frame_function import NoArgument, NoValueYet
from bridge.expressions.frame_functions.tally import Tally
from bridge.expressions.program import Program
from bridge.heap.blocks import Block, Heap
from bridge.heap.stale_pointers import Caution, HeapPointer, PointerHistory
from bridge.memory.address_map import LINE_SHIFT, MemoryMap
from bridge.memory.image import Image
from bridge.values.status import Status
from bridge.values.value_type import Value
from schemas.compiler import BuildLayout

MAX_CHAIN = 4096
_WHOLE_CHUNK = 250
_LATE = -0.004
"""Seconds of a frame that are left when plain watches get no turn either."""
_LOOK_EVERY = 4000
"""Statements after which the clock is looked at between watches."""
_AIM_STEPS, _BLOCK_STEPS = 24, 12
"""What looking up a block costs, in steps."""
_CHAIN_STEPS, _CHAIN_PART = 4, 64
"""What an element of a linked list costs, and how many are counted together."""
_SET_ASIDE = Absent(Status.WAITING, "its bytes have not come yet")
_EMPTY = "nothing there: an empty list"
_NO_BLOCK = "nothing there: in no block of the heap"
_NOT_HELD = "not there: the source does not hold it"


class Evaluator:
    """Evaluates a program's slots.

    ``values``, ``faults`` (None where there is a value) and ``addresses`` hold the last result by
    slot; they are new lists for every frame, so a frame may keep them.  ``fixed_addresses`` are
    those that no frame changes, ``static_lines`` the lines of all reads at such addresses.
    ``doubts`` are the watches' slots of which functions over frames lack some of the frames, and
    ``rises`` how often conditions became true in frames that were missed, as counters tell; both
    are of the frame that was taken last.  *processor_time* bounds what a frame may take; without it
    steps alone do.
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
        self.guest = memory
        self.absent_status = Status.UNMAPPED
        self.absent_words = "is not in what the source holds"
        self.frame = 0
        chunk = _WHOLE_CHUNK if whole else 1
        source = generate(program, layout, memory, whole=whole, chunk=chunk)
        self.static_lines = source.lines
        self.fixed_addresses = list(source.addresses)
        self._machines = {
            number: slot.over_frames.make(slot.text)
            for number, slot in enumerate(program.slots)
            if slot.over_frames is not None
        }
        self._leans = _leanings(program)
        self._argument_leans = {
            number: tuple({m for a in slot.over_frames.arguments for m in self._leans[a]})
            for number, slot in enumerate(program.slots)
            if slot.over_frames is not None
        }
        self._counted: dict[int, rises.Counted] = {}
        conditions = {
            slot.over_frames.arguments[-1]
            for slot in program.slots
            if slot.over_frames is not None and slot.over_frames.function in ("count", "tally")
        }
        for number in conditions | {s for name, s in program.watches.items() if "." in name}:
            counted = rises.counted(program.slots, number)
            if counted is not None:
                self._counted[number] = counted
        self.rises: dict[int, int] = {}
        self._spanning = [slot for slot in program.watches.values() if self._leans[slot]]
        self.doubts: Collection[int] = ()
        self._pointer = struct.Struct(
            layout.order + {2: "H", 4: "I", 8: "Q"}[layout.pointer_size]
        ).unpack_from
        self._image = Image(MemoryMap(()))
        self._needed: set[int] = set()
        self._set_aside: list[int] = []
        self.budget = budget or Budget(processor_time)
        self._lists = source.lists
        self._found: list[FoundList | None] = [None] * len(source.lists)
        self._judged: dict[tuple[int, int], Caution | None] = {}
        self._of_all_blocks: dict[Callable[..., Any], int | None] = {}
        self._arguments: tuple[Any, ...] = ()
        self._chains: dict[tuple[int, int], tuple[list[int], set[int], int]] = {}
        self.values: list[Any] = []
        self.faults: list[Absent | None] = []
        self.addresses: list[int | None] = []
        self.cautions: dict[int, Caution] = {}
        self._aims = PointerHistory()
        self._walk: HeapWalk | None = None
        self._own_walk: HeapWalk | None = None
        names = self._compile(source.text, source.constants, source.formats)
        self._chunks: list[Callable[..., None]] = [
            names[f"chunk{number}"] for number in range(len(source.chunks))
        ]
        self._chunk_slots = source.chunks
        self._weights = source.weights
        # few watches without lists and heap are quicker than the clock is read
        few = sum(source.weights) < 5 * _LOOK_EVERY and program.heap is None and budget is None
        self._is_plain = few and not source.lists
        self._list_calls: list[Callable[..., Any]] = [
            names[f"list{number}"] for number in range(len(source.lists))
        ]

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
        self._image, self.frame = image, frame
        self._needed = set()
        turns: Sequence[int] = range(len(self._chunks))
        if again:
            todo, self._set_aside = self._set_aside, []
            for number in todo:
                self.faults[number] = None
                self.cautions.pop(number, None)
            if self._walk is not None:
                self._walk.go_on()
            turns = todo
        else:
            if share_heap_with is None:
                work = self.budget.work
                work.spent = 0.0
                if work.lists:
                    work.lists.clear()
            else:
                self.budget.work = share_heap_with.budget.work
            self._found = [None] * len(self._lists)
            count = len(self.program.slots)
            self.values, self.faults = [None] * count, [None] * count
            self.addresses = self.fixed_addresses[:]
            self._set_aside = []
            self._chains.clear()
            if self.program.heap is not None:
                self.cautions = {}
                self._judged.clear()
                self._of_all_blocks.clear()
                self._aims.begin()
                if share_heap_with is not None and share_heap_with.heap_seen is not None:
                    self._walk = share_heap_with._walk
                else:
                    self._walk = self._own_walk
                    if self._walk is not None:
                        self._walk.begin()
        self._arguments = arguments = (
            image.bytes,
            self.values,
            self.faults,
            self.addresses,
            image.held,
            image.touched,
            self.cautions,
        )
        chunks = self._chunks
        if self._is_plain:
            for number in turns:
                chunks[number](*arguments)
            return self._needed
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
        return self._needed

    def _no_turn(self, chunks: Sequence[int]) -> None:
        """The frame has no time for the watches of these chunks."""
        for chunk in chunks:
            for slot in self._chunk_slots[chunk]:
                try:
                    spec = self.program.slots[slot].over_frames
                    if spec is None:
                        raise OverBudget(no_time())
                    values = [
                        self.values[n] if self.faults[n] is None else None for n in spec.arguments
                    ]
                    self.values[slot] = self._step(slot, values, self.faults)
                except Exception as fault:
                    self.faults[slot] = self._fault(fault, slot)

    def commit(self) -> None:
        """The frame was taken: functions over frames move on."""
        self.rises = {}
        for number, counted in self._counted.items():
            times = self._times(number)
            if times is not None:
                self.rises[number] = times
            elif not self._machines[counted.change].gap(self.frame):
                counted.learn(self._rise(counted))
        doubtful = False
        for machine in self._machines.values():
            machine.commit()
            doubtful = doubtful or machine.doubtful
        self.doubts = ()
        if doubtful:
            self.doubts = {slot for slot in self._spanning if self.doubtful(slot)}
        self._aims.commit()

    def moments(self) -> list[tuple[str, Value | None]]:
        """What each tally counted in the frame that was just taken: its text and the value."""
        slots = self.program.slots
        return [
            (slots[number].text, machine.moment[0])
            for number, machine in self._machines.items()
            if isinstance(machine, Tally) and machine.moment is not None
        ]

    def moments_apart(self) -> list[tuple[str, Value | None]]:
        """The same of what came in frames that were not taken, before the one that just was."""
        slots = self.program.slots
        return [
            (slots[number].text, value)
            for number, machine in self._machines.items()
            if isinstance(machine, Tally)
            for value in machine.apart
        ]

    def doubtful(self, slot: int) -> bool:
        """Whether a slot's value might be another, had all frames of the game been taken."""
        return any(self._machines[number].doubtful for number in self._leans[slot])

    def clear(self) -> None:
        """The guest was reset: functions over frames forget everything."""
        for machine in self._machines.values():
            machine.clear()
        self._aims.clear()

    def release_image(self) -> None:
        """Drop the image: an evaluator is in cycles, and would hold it until they are looked for.

        State that spans frames stays.
        """
        self._image = Image(MemoryMap(()))
        self._arguments = ()

    def adopt(self, other: Evaluator) -> None:
        """Go on with the state over frames of an evaluator of the same program."""
        self._machines = other._machines
        self._counted = other._counted
        self._aims = other._aims

    def copy_pointer_history(self, other: Evaluator) -> None:
        """Go on from what *other* knows of what pointers were aimed at."""
        self._aims.begin_as(other._aims)

    def heap(self) -> Heap:
        """The heap in the frame at hand, walked when it is first asked for.

        Inside an evaluation it raises Missing where lines have to come first.  Afterwards ask for
        ``heap_seen``, or make the plan ask for it (``bridge.prepared.with_heap``): lines that no
        watch asked for are not there.  Raises ValueError where the schema describes no heap.
        """
        if self._walk is not None and self._walk.found is not None:
            return self._walk.found
        if self._walk is None:
            if self.program.heap is None:
                raise ValueError("the schema describes no heap")
            self._walk = self._own_walk = HeapWalk(
                self.program.heap,
                self.layout,
                self.memory,
                self.guest,
                whole=self._image.whole,
                compile=self._compile,
                spend=self.budget.spend,
            )
        known = set(self._needed)
        walk, image = self._walk, self._image
        try:
            found: Heap = self.budget.walk(lambda: walk.heap(image))
            return found
        except Missing:
            self._look_ahead(self._walk.ahead(self._needed - known))
            raise

    @property
    def heap_seen(self) -> Heap | None:
        """The heap in the frame at hand, None where nothing asked for it."""
        return self._walk.found if self._walk is not None else None

    # what the generated code calls

    def _compile(
        self,
        text: str,
        constants: Sequence[Any],
        formats: Sequence[str],
        further: Mapping[str, Any] | None = None,
    ) -> dict[str, Any]:
        """The names that generated source defines; *further* ones are what it may call, too."""
        names: dict[str, Any] = {
            "__builtins__": {},
            "K": constants,
            "Exception": Exception,
            "float": float,
            "len": len,
            "all": all,
            "locate": self._locate,
            "miss": self._miss,
            "outside": self._outside,
            "fault": self._fault,
            "null": _null,
            "again": _again,
            "step": self._step,
            "chain": self._chain,
            "block": self._block,
            "blocks": self._blocks,
            "of_blocks": self._of_blocks,
            "canonical": self._canonical,
            "aim": self._aim,
            "aims": self._aim_all,
            "aimless": self._aimless,
            "caution": self._caution,
            "start": self.budget.start,
            "spend": self.budget.spend,
            "shared": self._shared,
            "Missing": Missing,
            "lack": _lack,
            "wrong": _wrong,
            "LEAST": -mathematics.MOST,
            "MOST": mathematics.MOST,
            "first": _first,
            "enumerate": enumerate,
            "walked": Walked.of,
            "pick": pick,
            "extreme": extreme,
            "filled": _filled,
            "index_fault": _index_fault,
            "nonfinite": _nonfinite,
            "finite": mathematics.finite,
            "bounded": mathematics.bounded,
            "power": mathematics.power,
            "shift_left": mathematics.shift_left,
            "shift_right": mathematics.shift_right,
        }
        names |= {f"f_{name}": call for name, call in mathematics.FOLDS.items()}
        for name in formats:
            names[f"u_{name}"] = struct.Struct(self.layout.order + name).unpack_from
        names |= further or {}
        exec(compile(text, "<watches>", "exec"), names)
        return names

    def _fault(self, fault: Exception, slot: int) -> Absent:
        if isinstance(fault, Absent):
            if fault.value is not None and isinstance(self.program.slots[slot].number, nodes.Read):
                self.values[slot] = fault.value
            return fault.with_traceback(None)
        if isinstance(fault, Missing):
            self._set_aside.append(slot)
            return _SET_ASIDE
        if isinstance(fault, ArithmeticError):
            text = self.program.slots[slot].text
            if isinstance(fault, mathematics.Undefined):
                reason = str(fault)
            elif isinstance(fault, ZeroDivisionError):
                reason = "division by zero"
            else:
                reason = "the result is too large for a float"
            return Absent(Status.ERROR, f"{text}: {reason}", cause=f"no result: {reason}")
        raise fault

    def _locate(self, pointer: int, site: Site) -> int:
        """The flat index of an access that the fast check refused: a mirror, another region."""
        if not pointer and site.pointer:
            _null(site.pointer)
        address = pointer + site.offset
        if pointer & site.mask:
            raise Absent(
                Status.MISALIGNED,
                f"{site.place}: 0x{pointer + site.value_offset:08X} is not a multiple of "
                f"{site.mask + 1}",
            )
        flat = self.memory.flat(address, site.size)
        if flat is None:
            self._refuse(site.place, address)
        return flat

    def _outside(self, site: Site) -> NoReturn:
        self._refuse(site.place, site.offset)

    def _refuse(self, place: str, address: int) -> NoReturn:
        if address < 0:
            raise Absent(Status.UNMAPPED, f"{place}: address {address} is negative")
        region, in_guest = self.memory.region_at(address), self.guest.region_at(address)
        if region is not None and region == in_guest:
            what = f"and its size reach past the end of {region.name}"
        elif in_guest is not None:
            what = f"is in {in_guest.name}, {self.absent_words.removeprefix('is ')}"
            reason = f"{place}: 0x{address:08X} {what}"
            raise NotHeld(Status.UNMAPPED, reason, cause=_NOT_HELD)
        else:
            names = [region.name for region in self.memory.regions]
            what = f"is outside {names[0] if len(names) == 1 else 'every region'}"
        raise Absent(Status.UNMAPPED, f"{place}: 0x{address:08X} {what}")

    def _miss(self, index: int, site: Site) -> None:
        """Ask for the lines of an access that is not known to be there.

        Returns where its bytes are there after all; raises Absent where the source does not hold
        them, Missing where they have to come first.
        """
        image, missing = self._image, False
        for line in range(index >> LINE_SHIFT, ((index + site.size - 1) >> LINE_SHIFT) + 1):
            if image.held[line] or image.has(line, index, site.size):
                continue
            if line in image.absent or line in image.partial:
                address = self.memory.address(index)
                reason = f"{site.place}: 0x{address:08X} {self.absent_words}"
                cause = _NOT_HELD if self.absent_status is Status.UNMAPPED else ""
                raise NotHeld(self.absent_status, reason, cause=cause)
            self._needed.add(line)
            missing = True
        if missing:
            raise Missing

    def _step(self, slot: int, arguments: Sequence[Value | None], faults: Sequence[Any]) -> Value:
        spec = self.program.slots[slot].over_frames
        assert spec is not None
        for argument in spec.arguments:
            if faults[argument] is _SET_ASIDE:
                raise Missing
        doubtful, times = False, None
        for number in self._argument_leans[slot]:
            doubtful = doubtful or self._machines[number].doubtful
        if self._counted:
            times = self._times(spec.arguments[-1])
        try:
            return self._machines[slot].step(arguments, self.frame, doubtful, times)
        except NoArgument as fault:
            raise faults[spec.arguments[fault.position]] from None
        except NoValueYet as fault:
            raise Absent(Status.WAITING, str(fault)) from None

    def _times(self, condition: int) -> int | None:
        """How often a condition became true over the gap before this frame, where that is told.

        None without a gap, and where there is no counter to tell it.
        """
        counted = self._counted.get(condition)
        if counted is None:
            return None
        missed = self._machines[counted.change].missed(self.frame)
        if not missed:
            return None
        holds = self.faults[condition] is None and bool(self.values[condition])
        return counted.times(self._rise(counted), missed, holds)

    def _rise(self, counted: rises.Counted) -> int | None:
        """How much a counter has risen since the frame taken last."""
        machine = self._machines[counted.change]
        assert isinstance(machine, Previous)
        absent = self.faults[counted.counter] is not None
        return machine.rise(None if absent else self.values[counted.counter])

    def _chain(self, head: int, site: Site) -> list[int]:
        """Addresses of a linked list's structs.  A walk that lacked a line goes on where it was."""
        key = (head, site.offset)
        found, seen, address = self._chains.get(key) or ([], set(), head)
        image, whole, spend = self._image, self._image.whole, self.budget.spend
        region = self.memory.regions[0]
        shift, limit = site.offset - region.start, region.size - site.size
        ram, pointer, mask = image.bytes, self._pointer, site.mask
        steps = len(found)
        while address and address not in seen and len(found) < MAX_CHAIN:
            index = address + shift
            if not 0 <= index <= limit or address & mask:
                index = self._locate(address, site)
            if not whole:
                last = (index + site.size - 1) >> LINE_SHIFT
                for line in range(index >> LINE_SHIFT, last + 1):
                    image.touched[line] = 1
                    if not image.held[line]:
                        self._chains[key] = (found, seen, address)
                        self._miss(index, site)
            found.append(address)
            seen.add(address)
            (address,) = pointer(ram, index)
            if len(found) - steps == _CHAIN_PART:
                steps += _CHAIN_PART
                spend(_CHAIN_PART * _CHAIN_STEPS)
        spend((len(found) - steps + 1) * _CHAIN_STEPS)
        self._chains[key] = (found, seen, 0)
        return found

    def _shared(self, number: int, slot: int | None) -> Any:
        """A list that means the same wherever it stands: evaluated once a frame."""
        found = self._found[number]
        if found is None:
            known = self.budget.work.lists
            key = self._lists[number]
            found = known.get(key)
            if found is None:
                found = known[key] = self._evaluated(number)
            self._found[number] = found
        if found.caution is not None and slot is not None:
            self._caution(found.caution, slot)
        return found.give()

    def _evaluated(self, number: int) -> FoundList:
        """A shared list, or the fault that it always has.  Raises what may not be so next time."""
        cautions_of = len(self.program.slots) + number
        self.cautions.pop(cautions_of, None)
        mark = self.budget.mark
        try:
            values = self._list_calls[number](*self._arguments)
        except OverBudget as fault:
            if not self.budget.by_itself(mark):
                raise
            return FoundList(fault=copied(fault))
        except (Absent, ArithmeticError) as fault:
            return FoundList(fault=copied(fault), caution=self.cautions.get(cautions_of))
        return FoundList(values, caution=self.cautions.get(cautions_of))

    # what the generated code asks of the heap

    def _blocks(self, slot: int | None) -> Sequence[Block]:
        """All blocks.  Of a damaged heap those before the damage, with a caution to the slot."""
        heap = self.heap()
        assert self._walk is not None
        if self._walk.absent is not None:
            raise self._walk.absent
        if heap.damaged is not None and slot is not None:
            self._caution(Caution(Status.DAMAGED, f"the heap is damaged: {heap.damaged}"), slot)
        return heap.blocks

    def _of_blocks(
        self, call: Callable[[Sequence[Block], bool], int | None], most: int, slot: int | None
    ) -> int:
        """What a function makes of all blocks; once a frame, however often it is asked for."""
        blocks, damaged = self._blocks(slot), self.heap().damaged
        if call not in self._of_all_blocks:
            self.budget.spend(_BLOCK_STEPS * min(most, len(blocks)))
            self._of_all_blocks[call] = call(blocks, damaged is None)
        found = self._of_all_blocks[call]
        if found is None:
            raise Absent(Status.DAMAGED, f"the heap is damaged: {damaged}")
        return found

    def _block(self, address: int, holder: str) -> Block:
        """The block that holds an address, in its payload or in its header."""
        if not address:
            _null(holder)
        heap = self.heap()
        self.budget.spend(_BLOCK_STEPS)
        assert self._walk is not None
        found = heap.holding(address) or heap.header_holding(address)
        if found is None:
            address = self._walk.canonical(address)
            found = heap.holding(address) or heap.header_holding(address)
        if found is not None:
            return found
        if self._walk.absent is not None:
            raise self._walk.absent
        why = f", which is damaged: {heap.damaged}" if heap.damaged else ""
        if heap.empty:
            why = f", which has none: {heap.empty}"
        reason = f"{holder}: 0x{address:08X} is in no block of the heap{why}"
        raise Absent(Status.UNMAPPED, reason, cause=_NO_BLOCK)

    def _canonical(self, address: int) -> int:
        assert self._walk is not None
        return self._walk.canonical(address)

    def _aim(self, address: int, pointer: HeapPointer, slot: int) -> None:
        """Note what a pointer that is followed leads to in the heap."""
        judged: dict[Any, Caution | None]
        key: Any
        if pointer.over_frames:
            judged, key = self._aims.judged, pointer.path
        else:
            judged, key = self._judged, (id(pointer), address)
        if key in judged:
            caution = judged[key]
        else:
            if not pointer.over_frames:
                self.budget.spend(_AIM_STEPS)  # in a list; others are judged once a frame
            heap = self.heap()
            assert self._walk is not None
            caution = self._aims.judge(pointer, self._walk.canonical(address), heap)
            judged[key] = caution
        if caution is not None:
            self._caution(caution, slot)

    def _aim_all(self, addresses: Sequence[int], pointer: HeapPointer, slot: int) -> None:
        self.budget.spend(len(addresses) << 1)
        for address in addresses:
            self._aim(address, pointer, slot)

    def _aimless(self, pointer: HeapPointer) -> None:
        self._aims.null(pointer)

    def _caution(self, caution: Caution, slot: int) -> None:
        if caution.outweighs(self.cautions.get(slot)):
            self.cautions[slot] = caution

    def _look_ahead(self, lines: range) -> None:
        """Ask for lines that the walk will most likely need, too."""
        image = self._image
        for line in lines:
            if not image.held[line] and line not in image.absent and line not in image.partial:
                self._needed.add(line)
                if self.absent_status is Status.WAITING:
                    image.touched[line] = 1  # its sender sends what was touched


def _lack() -> NoReturn:
    raise Missing


def _wrong(lacking: bool, fault: Exception) -> NoReturn:
    """An element of a list has a fault, of which is not known whether it is the first."""
    if lacking and not isinstance(fault, OverBudget):
        raise Missing
    raise fault


def _leanings(program: Program) -> list[tuple[int, ...]]:
    """Of each slot the functions over frames that its value is made of, itself where it is one."""
    leanings: list[tuple[int, ...]] = []
    for place, slot in enumerate(program.slots):
        if slot.over_frames is not None:
            leanings.append((place,))
            continue
        found: dict[int, None] = {}
        for part in nodes.parts(slot.number):
            if isinstance(part, nodes.SlotValue):
                found |= dict.fromkeys(leanings[part.slot])
        leanings.append(tuple(found))
    return leanings


def _null(pointer: str) -> NoReturn:
    raise Absent(Status.NULL, f"{pointer} is null")


def _again(fault: Absent) -> NoReturn:
    """A watch that another uses has no value: neither has the other, for the same reason."""
    if fault is _SET_ASIDE:
        raise Missing
    raise Absent(fault.status, fault.reason, cause=fault.cause)


def _first(values: Sequence[Any], text: str) -> Any:
    if not values:
        raise Absent(Status.NULL, f"first: {text} is empty", cause=_EMPTY)
    return values[0]


def _filled(values: Sequence[Any], text: str) -> Sequence[Any]:
    if not values:
        raise Absent(Status.NULL, f"{text}: the list is empty", cause=_EMPTY)
    return values


def _index_fault(index: int, place: tuple[str, int]) -> NoReturn:
    text, count = place
    reason = f"index {index} is outside 0 to {count - 1}"
    raise Absent(Status.ERROR, f"{text}: {reason}", cause=f"no result: {reason}")


def _nonfinite(value: float, place: str) -> NoReturn:
    what = "is not a number" if value != value else "is infinite"
    raise Absent(Status.ERROR, f"{place} {what}", value, cause=f"no result: the value {what}")
