"""The walk along a heap in one frame, done at most once and only when it is asked for.

Where a line is missing, the walk asks for it and goes on from there once it is there.  Blocks
mostly lie one behind the other, so that where it goes steadily upwards it asks for more and more
lines ahead: a heap of thousands of blocks then takes a dozen batches the first time, not thousands.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from operator import itemgetter
from typing import Any

from bridge.evaluation.absence import Absent, Missing, NotHeld
from bridge.evaluation.budget import CLOCK_EVERY, OverBudget
from bridge.evaluation.code_writer import GeneratedCode
from bridge.evaluation.heap_damage import PLACES, Damage, byte_words, crooked, extent_words, unsound
from bridge.evaluation.heap_walk_code import MAX_BLOCKS, generate_walk
from bridge.evaluation.row_owners import owner_words, run_words
from bridge.expressions.program import HeapProgram
from bridge.heap.blocks import Age, Heap, Row, Rows
from bridge.heap.overlap import Overlap, first_overlap, uncovered
from bridge.memory.address_map import LINE_SHIFT, MemoryMap
from bridge.memory.image import Image
from bridge.values.status import Status
from schemas.compiler import BuildLayout

__all__ = ["FURTHEST_AHEAD", "HeapWalk"]

FURTHEST_AHEAD = 256
"""Lines that are asked for at most before they are known to be needed."""
_NEAR = 8
"""Lines that may lie between one header and the next where the walk goes steadily upwards."""


@dataclass(slots=True)
class _Stretch:
    """A part of the walk: the function, where it is, and what else the function takes."""

    walk: Callable[..., tuple[int, Exception | None]]
    at: int
    begin: int = 0
    end: int = 0
    step: int = 0


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
            "shared": self._shared,
            "pause": self._pause,
            "unsound": unsound,
            "crooked": crooked,
            "unordered": self._not_in_order,
        }
        names = compile(source, own)
        self._head, self._walk, self._newest = names["head"], names["walk"], names["newest"]
        self._rest = names.get("rest")
        self._table = heap.types.table
        self._runs = self._table.form == "free" and self._table.rest == "run"
        self._owner = run_words if self._runs else owner_words(heap.types.owner)
        self._by_address = self._table.order == "address" or self._table.extent is not None
        self._ahead_of, self._ahead = -_NEAR, 0
        self.begin()

    def begin(self) -> None:
        """Another frame begins."""
        self._rows: list[Row] = []
        self._ages: list[int | None] = []
        self._lists: list[Sequence[int]] | None = None
        self._ageless = ""
        self._seen: set[int] = set()
        self._at = 0
        self._stretches: list[_Stretch] | None = None
        self._extent: tuple[int, int] | None = None
        self._rested = self._rest is None
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
            if self._stretches is None:
                self._stretches = self._begun(image)
        except Missing:
            self._lacking = True
            raise
        except OverBudget as fault:
            self.absent = _too_long(fault)
            return self._done(self.absent.reason)
        except Damage as fault:
            return self._done(str(fault))
        except Absent as fault:
            empty = fault.reason if fault.status is Status.NULL else ""
            if isinstance(fault, NotHeld):
                self.absent = fault.with_traceback(None)
            return self._done(None if empty else fault.reason, empty)
        if not self._stretches and not self._rows and self._extent is None:
            return self._done(None, self._nothing())
        while self._stretches:
            stopped = self._along(self._stretches[0], image)
            if stopped is not None:
                return self._stopped(stopped)
            self._stretches.pop(0)
            if not self._stretches and not self._rested:
                self._stretches = self._between()
        self._look_for_ages(image)
        return self._done(None)

    def _begun(self, image: Image) -> list[_Stretch]:
        """Where the walk begins.  Raises Damage where nothing can be there."""
        begins, extent, pool = self._head(image.bytes, image.held, image.touched)
        if extent:
            low, high = extent
            if high <= low:
                ends = f"ends at 0x{high:08X}, which is not behind 0x{low:08X}"
                raise Damage(f"its extent {ends}, where it begins")
            canonical = self.canonical(low)
            self._extent = canonical, canonical + high - low
        if not pool:
            found = [_Stretch(self._walk, begin) for begin in begins if begin]
            if not found:
                self._rested |= self._extent is None
                return [] if self._rested else self._between()
            return found
        count, step = pool
        what = "slots" if self._table.form == "slots" else "handles"
        if not 0 <= count <= MAX_BLOCKS:
            raise Damage(f"it has {count} {what}, expected 0 to {MAX_BLOCKS}")
        if step <= 0:
            raise Damage(f"its slots have {step} bytes each")
        begin = begins[0]
        if not begin or not count:
            return []
        return [_Stretch(self._walk, begin, begin, begin + count * step, step)]

    def _nothing(self) -> str:
        """Why there is no block."""
        program = self._program
        if program.handles is not None:
            return f"{program.handles.address.text} has no handles"
        texts = [first.text for first in program.firsts]
        if program.slots is not None:
            return f"{texts[0]} has no slots"
        return f"{' and '.join(texts)} {'is' if len(texts) == 1 else 'are'} null"

    def _along(self, stretch: _Stretch, image: Image) -> Exception | None:
        """Walk along a stretch; gives why that stopped before its end."""
        stretch.at, stopped = stretch.walk(
            *(image.bytes, image.held, image.touched, self._rows, self._ages, self._seen),
            *(stretch.at, stretch.begin, stretch.end, stretch.step),
        )
        self._at = stretch.at
        found: Exception | None = stopped
        return found

    def _between(self) -> list[_Stretch]:
        """What lies between the free blocks, to be walked block by block."""
        self._rested = True
        assert self._extent is not None
        assert self._rest is not None
        header_size = self._program.types.header_size
        free = uncovered(self._rows, header_size, *self._extent)
        return [_Stretch(self._rest, low, low, high) for low, high in free]

    @property
    def _called(self) -> str:
        """The heap's table in the schema."""
        return f"[{'.'.join(self._program.types.path)}]"

    def _stopped(self, stopped: Exception) -> Heap:
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
        short = ""
        if self._table.form == "slots" and isinstance(stopped, Absent) and _is_index(stopped):
            short = "; the table has less than the slots need"
        return self._done(f"{self._place()}: {stopped}{short}")

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
            self._ageless = f"newest_first of {self._called}: {reason}"
        if self._lacking:
            raise Missing  # outside of the other, which would be in a cycle with the image

    def _done(self, damaged: str | None, empty: str = "") -> Heap:
        header_size = self._program.types.header_size
        listed = self._rows
        if not self._in_order and (overlap := first_overlap(listed, header_size)):
            damaged = self._overlapping(overlap)
            self.absent = None
        if self._extent is not None:
            damaged = self._outside(*self._extent) or damaged
            if damaged is None and not empty:
                listed = [*listed, *self._uncovered(header_size, *self._extent)]
        if self._by_address and (self._extent is not None or not self._in_order):
            listed = sorted(listed, key=itemgetter(1))
        awaited = self.absent is not None and self.absent.status is Status.WAITING
        ages = {row[1]: Age(age) for row, age in self._aged()}
        name = self._program.types.name
        movable = self._table.handles is not None
        rows = Rows(listed, self._owner, name, runs=self._runs, movable=movable)
        heap = Heap(
            rows, damaged, header_size, empty, awaited, ages, self._ageless, name, self._extent
        )
        for among, addresses in enumerate(self._lists or ()):
            for rank, address in enumerate(addresses):
                place = self.canonical(address)
                block = heap.holding(place) or heap.header_holding(place)
                if block is not None:
                    ages.setdefault(block.start, Age(rank, among))
        self.found = heap
        return heap

    def _uncovered(self, header_size: int, low: int, high: int) -> Iterator[Row]:
        """What no block covers: free, or used where the list has the free blocks alone."""
        used = self._runs
        least = 1 if used else self._table.alignment
        for start, end in uncovered(self._rows, header_size, low, high):
            if end - start >= least:  # else it is what an aligned payload left over
                yield start, start, end - start, used, None, None, None, None

    def _outside(self, low: int, high: int) -> str | None:
        """The damage of the first block in list order that does not lie in the extent."""
        for index, row in enumerate(self._rows):
            if row[1] < low or row[1] + row[2] > high:
                del self._rows[index:]
                self._at = row[0]
                self.absent = None
                place = f"block {index}, {extent_words(row)}"
                return f"{self._place()}: {place}, lies outside 0x{low:08X} to 0x{high:08X}"
        return None

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
        cause = f"; is size in {self._called} too large?" if overlap.later == 1 else ""
        return (
            f"{self._place()}: block {overlap.later}, {extent_words(later)}, overlaps "
            f"block {overlap.earlier}, {extent_words(earlier)}: {byte_words(overlap.size)} from "
            f"0x{overlap.start:08X} would be both's{cause}"
        )

    def _place(self) -> str:
        """Where the walk stopped, and what came before."""
        header = f"{PLACES[self._table.form]} at 0x{self._at:08X}"
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

    def _shared(self, header: int) -> None:
        index = next(n for n, row in enumerate(self._rows) if row[0] == header)
        raise Damage(f"leads to block {index} again, so that two handles have it")

    def _circle(self, header: int) -> None:
        index = next(n for n, row in enumerate(self._rows) if row[0] == header)
        raise Damage(f"is block {index} again, so the list goes in a circle")


def _is_index(fault: Absent) -> bool:
    return fault.cause is not None and fault.cause.startswith("no result: index")


def _too_long(fault: OverBudget) -> Absent:
    return Absent(Status.ERROR, f"the walk along the heap {fault}")
