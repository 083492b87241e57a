"""From the heap's program to the source of the function that walks it.

The walk is generated as watches are: one loop with every field's offset and format in it.  It can
stop where a line is missing and go on from there later:

    walk(ram, L, T, rows, ages, seen, header)

appends a row for each sound block from *header* on, to *ages* its age where the schema has an
expression for it, and calls ``unordered`` where blocks do not lie one behind the other.  It gives 0
and None at the end of the list, else the header at which it stopped and the exception that says
why.  A block's own fields are read without a check each: that its header is there is known once for
all of them.
"""

from __future__ import annotations

from bridge.evaluation.absence import Site
from bridge.evaluation.access_code import Checked
from bridge.evaluation.code_generator import Generator
from bridge.evaluation.code_writer import GeneratedCode
from bridge.evaluation.slot_code import RULES
from bridge.expressions import nodes
from bridge.expressions.heap_description import BLOCK, OWNER, PAYLOAD
from bridge.expressions.program import HeapProgram, Program
from bridge.memory.address_map import MemoryMap
from schemas.compiler import BuildLayout
from schemas.layout import OffsetStruct
from schemas.resolve import leaves

__all__ = ["MAX_BLOCKS", "generate_walk"]

MAX_BLOCKS = 1 << 16
_BETWEEN_LOOKS = 16_000
"""Statements of the walk after which the clock is looked at."""


def generate_walk(
    heap: HeapProgram, layout: BuildLayout, memory: MemoryMap, guest: MemoryMap, *, whole: bool
) -> GeneratedCode:
    """Source of ``head(ram, L, T)``, which gives the first header's address, and of ``walk``.

    ``newest(ram, L, T)`` gives the addresses in each of the lists that tell ages.

    *memory* is what the source holds, *guest* all that a block may lie in.
    """
    generator = _WalkGenerator(Program((), {}, heap), layout, memory, RULES, whole=whole)
    return generator.walk(heap, guest)


class _WalkGenerator(Generator):
    def walk(self, heap: HeapProgram, guest: MemoryMap) -> GeneratedCode:
        self.indent = " "
        first = self.captured(lambda: self.emit(f"return {self.number(heap.first)}"))
        walk = self.captured(lambda: self._walk(heap, guest))
        self.indent, self.loops, self.checked = " ", {}, {}
        newest = self.captured(lambda: self._newest(heap))
        formats = sorted(self.formats)
        names = "".join(f", u_{name}=u_{name}" for name in formats)
        text = [
            f"def head(ram, L, T, K=K{names}):",
            *first,
            f"def walk(ram, L, T, rows, ages, seen, header, K=K{names}):",
            *walk,
            f"def newest(ram, L, T, K=K{names}):",
            *newest,
        ]
        return GeneratedCode("\n".join(text), self.constants, formats)

    def _newest(self, heap: HeapProgram) -> None:
        found = [self.listing(listing) for listing in heap.newest_first]
        self.emit(f"return [{', '.join(found)}]")

    def _walk(self, heap: HeapProgram, guest: MemoryMap) -> None:
        self.emit("end = rows[-1][1] + rows[-1][2] if rows else header")
        self.emit("try:")
        self.indent = "  "
        self.block("while header:", lambda: self._block_body(heap, guest))
        self.emit("return 0, None")
        self.indent = " "
        self.emit("except Exception as e: return header, e")

    def _block_body(self, heap: HeapProgram, guest: MemoryMap) -> None:
        self._header(heap.types.block)
        self.emit("if header in seen: circle(header)")
        rest = self.captured(lambda: self._sound_block(heap, guest))
        every = min(256, MAX_BLOCKS & -MAX_BLOCKS)
        while every > 1 and every * (len(rest) + self.further) > _BETWEEN_LOOKS:
            every //= 2
        # after so many blocks, which divide MAX_BLOCKS, the count is looked at, and the clock
        self.emit(f"if not len(rows) & {every - 1}: pause(len(rows))")
        self.out += rest

    def _sound_block(self, heap: HeapProgram, guest: MemoryMap) -> None:
        """Emit the row of a block whose header is there."""
        if heap.magic is not None:
            text = self.constant(heap.magic.text)
            self.emit(f"if not {self.number(heap.magic)}: unsound({text})")
        size = self.temporary(self.number(heap.size))
        payload = self.temporary(self.number(heap.payload))
        alignment = heap.types.table.alignment
        if alignment > 1:
            self.emit(f"if {payload} % {alignment} or {size} % {alignment}:")
            self.emit(f" crooked({payload}, {size}, {alignment})")
        region = guest.regions[0]
        inside = f"0 <= {payload} - {region.start} <= {region.size} - {size}"
        self.emit(f"if {size} < 0 or not {inside}: {payload} = fitted({payload}, {size})")
        used = self.temporary(f"not not {self.number(heap.used)}")
        kind = self._owner(heap, payload, size, used)
        generation = "None" if heap.generation is None else self.number(heap.generation)
        identity = self._of_object(heap, heap.identity, payload, size, used)
        if heap.age is not None:
            age = self._of_object(heap, heap.age, payload, size, used)
        following = self.number(heap.next)
        # the common case of blocks that are apart: each begins where the last one ended, or later
        self.emit(f"if not end <= header <= {payload}: unordered()")
        self.emit(f"end = {payload} + {size}")
        self.emit("seen.add(header)")
        row = f"header, {payload}, {size}, {used}, {kind}, {generation}, {identity}"
        self.emit(f"rows.append(({row}))")
        if heap.age is not None:
            self.emit(f"ages.append({age})")
        self.emit(f"header = {following}")

    def _header(self, struct: OffsetStruct) -> None:
        """Emit that the header is there as a whole; its address becomes canonical."""
        align = max((self.alignment(leaf) for _, _, leaf in leaves(struct)), default=1)
        align = min(align, self.layout.pointer_size)
        site = self.constant(Site(BLOCK, "", 0, struct.size, align - 1, 0))
        region = self.memory.regions[0]
        index = self.temporary(f"header - {region.start}")
        bad = f"not 0 <= {index} <= {region.size - struct.size}"
        self.emit(f"if {bad} or header & {align - 1}:")
        self.emit(f" {index} = locate(header, {site})")
        self.emit(" header = canonical(header)")
        self.held(index, None, struct.size, False, site)
        self.loops[BLOCK] = "header"
        self.checked["header"] = Checked(index, struct.size, align)

    def _owner(self, heap: HeapProgram, payload: str, size: str, used: str) -> str:
        """Emit the number of the kind, None where there is none to read."""
        kind = self.temporary("None")
        owner = heap.owner
        if owner is not None:
            self.loops[PAYLOAD] = payload

            def read() -> None:
                self.emit(f"{kind} = {self.number(owner)}")

            self.block(f"if {used} and {size} >= {heap.owner_bytes}:", read)
        return kind

    def _of_object(
        self, heap: HeapProgram, number: nodes.Number | None, payload: str, size: str, used: str
    ) -> str:
        """Emit a number of the object in a used block, None where there is none."""
        if number is None:
            return "None"
        found = self.temporary("None")
        self.loops[OWNER] = payload
        enough = f" and {size} >= {heap.object_bytes}" if heap.object_bytes else ""

        def read() -> None:
            self.emit(f"{found} = {self.number(number)}")

        self.block(f"if {used}{enough}:", read)
        return found
