"""The walk along the heap's list in one frame, done at most once and only when it is asked for.

Where a line is missing, the walk asks for it and goes on from there once it is there.  Blocks
mostly lie one behind the other, so that where it goes steadily upwards it asks for more and more
lines ahead: a heap of thousands of blocks then takes a dozen batches the first time, not thousands.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from typing import Any

from bridge.evaluation.absence import Absent, Missing, NotHeld
from bridge.evaluation.budget import CLOCK_EVERY, OverBudget
from bridge.evaluation.code_writer import GeneratedCode
from bridge.evaluation.heap_walk_code import MAX_BLOCKS, generate_walk
from bridge.expressions.program import HeapProgram
from bridge.heap.blocks import FREE, UNKNOWN, Age, Heap, Row, Rows
from bridge.heap.overlap import Overlap, first_overlap
from bridge.memory.address_map import LINE_SHIFT, MemoryMap
from bridge.memory.image import Image
from bridge.values.status import Status
from schemas.compiler import BuildLayout
from schemas.heap_types import HeapOwner

__all__ = ["FURTHEST_AHEAD", "Damage", "HeapWalk", "owner_words"]

FURTHEST_AHEAD = 256
"""Lines that are asked for at most before they are known to be needed."""
_NEAR = 8
"""Lines that may lie between one header and the next where the walk goes steadily upwards."""


class Damage(Exception):
    """A block that cannot be right, and what is wrong with it."""


class HeapWalk:
    """Walks the heap of one build in one memory map.

    ``compile`` makes functions of generated source; *memory* is what the source holds and *guest*
    the guest's whole map.  ``spend`` counts steps, and raises OverBudget where the walk takes too
    long: what it came to by then is the heap of that frame, and the rest is absent.
    """

    def __init__(
        self,
        heap: HeapProgram,
        layout: BuildLayout,
        memory: MemoryMap,
        guest: MemoryMap,
        *,
        whole: bool,
        compile: Callable[[GeneratedCode, Mapping[str, Any]], Mapping[str, Any]],
        spend: Callable[[int], None],
    ) -> None:
        self._program = heap
        self._memory, self._guest = memory, guest
        self._spend = spend
        source = generate_walk(heap, layout, memory, guest, whole=whole)
        own = {
            "canonical": self.canonical,
            "fitted": self._fitted,
            "circle": self._circle,
            "pause": self._pause,
            "unsound": _unsound,
            "crooked": _crooked,
            "unordered": self._not_in_order,
        }
        names = compile(source, own)
        self._head, self._walk, self._newest = names["head"], names["walk"], names["newest"]
        self._owner = owner_words(heap.types.owner)
        self._by_address = heap.types.table.order == "address"
        self._ahead_of, self._ahead = -_NEAR, 0
        self.begin()

    def begin(self) -> None:
        """Another frame begins."""
        self._rows: list[Row] = []
        self._ages: list[int | None] = []
        self._lists: list[Sequence[int]] | None = None
        self._ageless = ""
        self._seen: set[int] = set()
        self._at: int | None = None
        self._in_order = True
        self.found: Heap | None = None
        self.absent: Absent | None = None
        """Why the rest of the heap could not be read, where its bytes are not held."""
        self.go_on()

    def go_on(self) -> None:
        """The lines that were missing have come."""
        self._lacking = False

    def heap(self, image: Image) -> Heap:
        """The heap in a frame.  Raises Missing where lines have to come first."""
        if self.found is not None:
            return self.found
        if self._lacking:
            raise Missing
        try:
            if self._at is None:
                self._at = self._head(image.bytes, image.held, image.touched)
        except Missing:
            self._lacking = True
            raise
        except OverBudget as fault:
            self.absent = _too_long(fault)
            return self._done(self.absent.reason)
        except Absent as fault:
            empty = fault.reason if fault.status is Status.NULL else ""
            if isinstance(fault, NotHeld):
                self.absent = fault.with_traceback(None)
            return self._done(None if empty else fault.reason, empty)
        if not self._at and not self._rows:
            return self._done(None, f"{self._program.first.text} is null")
        self._at, stopped = self._walk(
            *(image.bytes, image.held, image.touched),
            *(self._rows, self._ages, self._seen, self._at),
        )
        if stopped is None:
            self._look_for_ages(image)
            return self._done(None)
        if isinstance(stopped, Missing):
            self._lacking = True
            # a new one: the other would be in a cycle with this call's frame, which has the image
            raise Missing
        if isinstance(stopped, OverBudget):
            self.absent = _too_long(stopped)
            return self._done(f"{self._place()}: {self.absent.reason}")
        if isinstance(stopped, NotHeld):
            self.absent = stopped.with_traceback(None)
        elif not isinstance(stopped, Damage | Absent | ArithmeticError):
            raise stopped
        return self._done(f"{self._place()}: {stopped}")

    def ahead(self, lines: Collection[int]) -> range:
        """Lines to ask for beside those that the walk lacks."""
        if not lines:
            return range(0)
        here = max(lines)
        region = self._memory.region_at(self._memory.address(here << LINE_SHIFT))
        assert region is not None
        last = (self._memory.flat_starts[region.name] + region.size - 1) >> LINE_SHIFT
        steady = 0 <= here - self._ahead_of < _NEAR
        self._ahead = min(2 * self._ahead + 1, FURTHEST_AHEAD) if steady else 0
        self._ahead_of = min(here + self._ahead, last)
        return range(here + 1, self._ahead_of + 1)

    def canonical(self, address: int) -> int:
        """A guest address, where it is a mirror's, as that of the region itself."""
        flat = self._guest.flat(address)
        return address if flat is None else self._guest.address(flat)

    def _look_for_ages(self, image: Image) -> None:
        """Take the lists that tell ages.  Raises Missing where lines have to come first."""
        lists = self._program.newest_first
        if not lists:
            return
        try:
            self._lists = self._newest(image.bytes, image.held, image.touched)
        except Missing:
            self._lacking = True
        except (Absent, OverBudget, ArithmeticError) as fault:
            reason = fault.reason if isinstance(fault, Absent) else fault
            self._ageless = f"newest_first of [heap]: {reason}"
        if self._lacking:
            raise Missing  # outside of the other, which would be in a cycle with the image

    def _done(self, damaged: str | None, empty: str = "") -> Heap:
        header_size = self._program.types.block.size
        listed = self._rows
        if not self._in_order:
            if overlap := first_overlap(listed, header_size):
                damaged = self._overlapping(overlap)
                self.absent = None
            if self._by_address:
                listed = sorted(listed)
        awaited = self.absent is not None and self.absent.status is Status.WAITING
        ages = {row[1]: Age(age) for row, age in self._aged()}
        rows = Rows(listed, self._owner)
        heap = Heap(rows, damaged, header_size, empty, awaited, ages, self._ageless)
        for among, addresses in enumerate(self._lists or ()):
            for rank, address in enumerate(addresses):
                block = heap.holding(self.canonical(address))
                if block is not None and block.used:
                    ages.setdefault(block.start, Age(rank, among))
        self.found = heap
        return heap

    def _aged(self) -> Iterator[tuple[Row, int]]:
        for row, age in zip(self._rows, self._ages, strict=False):
            if age is not None:
                yield row, age

    def _overlapping(self, overlap: Overlap) -> str:
        """The damage, which ends the list before the later block of the two."""
        later, earlier = (self._rows[index] for index in (overlap.later, overlap.earlier))
        del self._rows[overlap.later :]
        self._at = later[0]
        # where not even the first two are apart, it is hardly the game
        cause = "; is size in [heap] too large?" if overlap.later == 1 else ""
        return (
            f"{self._place()}: block {overlap.later}, {_extent(later)}, overlaps "
            f"block {overlap.earlier}, {_extent(earlier)}: {_count(overlap.size)} from "
            f"0x{overlap.start:08X} would be both's{cause}"
        )

    def _place(self) -> str:
        """Where the walk stopped, and what came before."""
        header = f"with its header at 0x{self._at:08X}"
        if not self._rows:
            return f"the first block, {header}"
        row = self._rows[-1]
        number = len(self._rows) - 1
        if self._by_address:
            number = sum(other[0] < row[0] for other in self._rows)
        before = f"after block {number} at 0x{row[1]:08X} ({self._owner(row)})"
        return f"{before}, the block {header}"

    # what the generated code calls

    def _fitted(self, payload: int, size: int) -> int:
        """The canonical address of a payload that the fast check refused."""
        if size < 0:
            raise Damage(f"its size {size} is negative")
        flat = self._guest.flat(payload, size)
        if flat is None:
            region = self._guest.region_at(payload)
            where = f"leave {region.name}" if region else "are outside every region"
            raise Damage(f"its 0x{size:X} bytes from 0x{payload:08X} {where}")
        return self._guest.address(flat)

    def _not_in_order(self) -> None:
        self._in_order = False

    def _pause(self, count: int) -> None:
        if count >= MAX_BLOCKS:
            raise Damage(f"comes after {MAX_BLOCKS} blocks, the most that are walked")
        self._spend(CLOCK_EVERY)

    def _circle(self, header: int) -> None:
        index = next(n for n, row in enumerate(self._rows) if row[0] == header)
        raise Damage(f"is block {index} again, so the list goes in a circle")


def owner_words(owner: HeapOwner) -> Callable[[Row], str]:
    """What a row's owner is called."""
    numbers: dict[int, str] = {}
    if owner.leaf is not None:
        names = owner

        def by_kind(row: Row) -> str:
            if not row[3]:
                return FREE
            kind = row[4]
            if kind is None:
                return UNKNOWN
            word = numbers.get(kind)
            if word is None:
                word = numbers[kind] = names.name(kind)
            return word

        return by_kind
    sizes = owner.sizes

    def by_size(row: Row) -> str:
        return sizes.get(row[2], UNKNOWN) if row[3] else FREE

    return by_size


def _extent(row: Row) -> str:
    return f"0x{row[2]:X} bytes from 0x{row[1]:08X}"


def _count(size: int) -> str:
    return "1 byte" if size == 1 else f"{size} bytes"


def _too_long(fault: OverBudget) -> Absent:
    return Absent(Status.ERROR, f"the walk along the heap {fault}")


def _unsound(magic: str) -> None:
    raise Damage(f"{magic} is false")


def _crooked(payload: int, size: int, alignment: int) -> None:
    if payload % alignment:
        raise Damage(f"its payload at 0x{payload:08X} is not a multiple of {alignment}")
    raise Damage(f"its size 0x{size:X} is not a multiple of {alignment}")
