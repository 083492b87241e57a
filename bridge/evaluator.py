"""Runs the generated code against an image, and does with care what it leaves to be done.

One evaluator serves one build and one memory map.  ``evaluate`` gives every slot a value or a
reason; where lines are missing it returns their numbers instead, and is called again, with
``again=True``, once they are there: then only the slots that were set aside run.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from typing import Any, NoReturn

from bridge import mathematics, nodes, over_frames
from bridge.absence import Absent, Missing, Site
from bridge.checker import Program
from bridge.generator import generate
from bridge.image import Image
from bridge.memory import LINE_SHIFT, MemoryMap
from bridge.readings import Status
from bridge.values import Value
from schemas.compiler import BuildLayout

LONGEST_CHAIN = 4096
MOST_STEPS = 200_000
_WHOLE_CHUNK = 250
_SET_ASIDE = Absent(Status.WAITING, "its bytes have not come yet")


class Evaluator:
    """Evaluates a program's slots.

    ``values``, ``faults`` (None where there is a value) and ``addresses`` hold the last result by
    slot; they are new lists for every frame, so a frame may keep them.  ``fixed_addresses`` are
    those that no frame changes, ``static_lines`` the lines of all reads at such addresses.
    """

    def __init__(
        self, program: Program, layout: BuildLayout, memory: MemoryMap, *, whole: bool
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
            number: over_frames.make(
                slot.over_frames.function, slot.text, slot.over_frames.constant
            )
            for number, slot in enumerate(program.slots)
            if slot.over_frames is not None
        }
        self._pointer = struct.Struct(
            layout.order + {2: "H", 4: "I", 8: "Q"}[layout.pointer_size]
        ).unpack_from
        self._image = Image(memory)
        self._needed: set[int] = set()
        self._set_aside: list[int] = []
        self._steps = 0
        self._chains: dict[tuple[int, int], tuple[list[int], set[int], int]] = {}
        self.values: list[Any] = []
        self.faults: list[Absent | None] = []
        self.addresses: list[int | None] = []
        self._chunks = self._compile(source.text, source.constants, source.formats)

    def evaluate(self, image: Image, frame: int, *, again: bool = False) -> set[int]:
        """Evaluate every slot, or only those set aside.

        Returns the numbers of the lines that are missing; empty when the frame is complete.
        """
        self._image, self.frame = image, frame
        self._needed = set()
        chunks: Sequence[Callable[..., None]] = self._chunks
        if again:
            todo, self._set_aside = self._set_aside, []
            for number in todo:
                self.faults[number] = None
            chunks = [self._chunks[number] for number in todo]
        else:
            count = len(self.program.slots)
            self.values, self.faults = [None] * count, [None] * count
            self.addresses = self.fixed_addresses[:]
            self._set_aside = []
            self._chains.clear()
        arguments = (
            image.bytes,
            self.values,
            self.faults,
            self.addresses,
            image.held,
            image.touched,
        )
        for chunk in chunks:
            chunk(*arguments)
        return self._needed

    def commit(self) -> None:
        """The frame was taken: functions over frames move on."""
        for machine in self._machines.values():
            machine.commit()

    def clear(self) -> None:
        """The guest was reset: functions over frames forget everything."""
        for machine in self._machines.values():
            machine.clear()

    def let_go(self) -> None:
        """Drop the image: an evaluator is in cycles, and would hold it until they are looked for.

        State that spans frames stays.
        """
        self._image = Image(MemoryMap(()))

    def adopt(self, other: Evaluator) -> None:
        """Go on with the state over frames of an evaluator of the same program."""
        self._machines = other._machines

    # what the generated code calls

    def _compile(
        self, text: str, constants: Sequence[Any], formats: Sequence[str]
    ) -> list[Callable[..., None]]:
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
            "start": self._start,
            "spend": self._spend,
            "first": _first,
            "filled": _filled,
            "index_fault": _index_fault,
            "nonfinite": _nonfinite,
            "finite": mathematics.finite,
            "bounded": mathematics.bounded,
            "power": mathematics.power,
            "shift_left": mathematics.shift_left,
            "shift_right": mathematics.shift_right,
        }
        names |= {f"m_{name}": call for name, call in mathematics.FUNCTIONS.items()}
        names |= {f"f_{name}": call for name, call in mathematics.FOLDS.items()}
        for name in formats:
            names[f"u_{name}"] = struct.Struct(self.layout.order + name).unpack_from
        exec(compile(text, "<watches>", "exec"), names)
        count = text.count("def chunk")
        return [names[f"chunk{number}"] for number in range(count)]

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
            return Absent(Status.ERROR, f"{_shortened(text)}: {reason}")
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
                raise Absent(
                    self.absent_status, f"{site.place}: 0x{address:08X} {self.absent_words}"
                )
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
        try:
            return self._machines[slot].step(arguments, self.frame)
        except over_frames.NoArgument as fault:
            raise faults[spec.arguments[fault.position]] from None
        except over_frames.NoValueYet as fault:
            raise Absent(Status.WAITING, str(fault)) from None

    def _chain(self, head: int, site: Site) -> list[int]:
        """Addresses of a linked list's structs.  A walk that lacked a line goes on where it was."""
        key = (head, site.offset)
        found, seen, address = self._chains.get(key) or ([], set(), head)
        image, whole = self._image, self._image.whole
        while address and address not in seen and len(found) < LONGEST_CHAIN:
            index = self._locate(address, site)
            if not whole:
                last = (index + site.size - 1) >> LINE_SHIFT
                for line in range(index >> LINE_SHIFT, last + 1):
                    image.touched[line] = 1
                    if not image.held[line]:
                        self._chains[key] = (found, seen, address)
                        self._miss(index, site)
            self._spend()
            found.append(address)
            seen.add(address)
            (address,) = self._pointer(image.bytes, index)
        self._chains[key] = (found, seen, 0)
        return found

    def _start(self) -> None:
        """A watch with lists begins."""
        self._steps = 0

    def _spend(self) -> None:
        """Count a step of a list; raises where one watch takes too many."""
        self._steps += 1
        if self._steps > MOST_STEPS:
            raise mathematics.Undefined(f"its lists take more than {MOST_STEPS} steps")


def _null(pointer: str) -> NoReturn:
    raise Absent(Status.NULL, f"{pointer} is null")


def _again(fault: Absent) -> NoReturn:
    """A watch that another uses has no value: neither has the other, for the same reason."""
    if fault is _SET_ASIDE:
        raise Missing
    raise Absent(fault.status, fault.reason)


def _first(values: Sequence[Any], text: str) -> Any:
    if not values:
        raise Absent(Status.NULL, f"first: {_shortened(text)} is empty")
    return values[0]


def _filled(values: Sequence[Any], text: str) -> Sequence[Any]:
    if not values:
        raise Absent(Status.NULL, f"{_shortened(text)}: the list is empty")
    return values


def _index_fault(index: int, place: tuple[str, int]) -> NoReturn:
    text, count = place
    raise Absent(Status.ERROR, f"{text}: index {index} is outside 0 to {count - 1}")


def _nonfinite(value: float, place: str) -> NoReturn:
    what = "is not a number" if value != value else "is infinite"
    raise Absent(Status.ERROR, f"{place} {what}", value)


def _shortened(text: str) -> str:
    return text if len(text) <= 60 else text[:57] + "…"
