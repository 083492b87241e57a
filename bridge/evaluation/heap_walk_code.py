"""From a heap's program to the source of the functions that walk it.

The walk is generated as watches are: one loop with every field's offset and format in it.  It can
stop where a line is missing and go on from there later:

    walk(ram, L, T, rows, ages, seen, at, begin, end, step)

appends a row for each sound block from *at* on, to *ages* its age where the schema has an
expression for it, and calls ``unordered`` where blocks do not lie one behind the other.  It gives 0
and None at the end, else where it stopped and the exception that says why.  A block's own fields
are read without a check each: that its header is there is known once for all of them.

*at* is a header in a list, and the others mean nothing there.  In a pool it is a slot, and in a
table of handles an entry: the first is at *begin* and *end* is behind the last; each has *step*
bytes.

    rest(ram, L, T, rows, ages, seen, at, begin, end, step)

does the same for used blocks that lie one behind the other up to *end*.
"""

from __future__ import annotations

from collections.abc import Callable

from bridge.evaluation.absence import Site
from bridge.evaluation.access_code import Checked
from bridge.evaluation.code_generator import Generator
from bridge.evaluation.code_writer import GeneratedCode
from bridge.evaluation.slot_code import RULES
from bridge.expressions import nodes
from bridge.expressions.heap_description import BLOCK, ENTRY, HANDLE, INDEX, OWNER, PAYLOAD
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
    """Source of ``head(ram, L, T)``, of ``walk``, of ``rest``, and of ``newest``.

    ``head`` gives three tuples: where to begin; the extent, empty where there is none; and what a
    pool or a table of handles has: its count and the bytes from one to the next.
    ``newest(ram, L, T)`` gives the addresses in each of the lists that tell ages.

    *memory* is what the source holds, *guest* all that a block may lie in.
    """
    generator = _WalkGenerator(Program((), {}, (heap,)), layout, memory, RULES, whole=whole)
    return generator.functions(heap, guest)


class _WalkGenerator(Generator):
    def functions(self, heap: HeapProgram, guest: MemoryMap) -> GeneratedCode:
        table = heap.types.table
        self.form = table.form
        self.at = "at" if self.form in ("slots", "handles") else "header"
        bodies = {
            "head(ram, L, T": self._function(lambda: self._head(heap)),
            self._signature("walk"): self._function(lambda: self._walk(heap, guest)),
            "newest(ram, L, T": self._function(lambda: self._newest(heap)),
        }
        if table.rest == "blocks":
            self.form = "rest"
            self.at = "header"
            bodies[self._signature("rest")] = self._function(lambda: self._walk(heap, guest))
        formats = sorted(self.formats)
        names = "".join(f", u_{name}=u_{name}" for name in formats)
        text: list[str] = []
        for head, body in bodies.items():
            text += [f"def {head}, K=K{names}):", *body]
        return GeneratedCode("\n".join(text), self.constants, formats)

    def _signature(self, name: str) -> str:
        return f"{name}(ram, L, T, rows, ages, seen, {self.at}, begin, end, step"

    def _function(self, emit: Callable[[], None]) -> list[str]:
        self.indent, self.loops, self.checked = " ", {}, {}
        return self.captured(emit)

    def _head(self, heap: HeapProgram) -> None:
        begins = [self.number(first) for first in heap.firsts]
        pool: list[str] = []
        if heap.slots is not None:
            pool = [self.number(heap.slots.count), self.number(heap.slots.size)]
        if heap.handles is not None:
            begins = [self.number(heap.handles.address)]
            pool = [self.number(heap.handles.count), str(self.layout.pointer_size)]
        extent = [] if heap.extent is None else [self.number(each) for each in heap.extent]
        groups = (f"({''.join(f'{each}, ' for each in group)})" for group in (begins, extent, pool))
        self.emit(f"return {', '.join(groups)}")

    def _newest(self, heap: HeapProgram) -> None:
        found = [self.listing(listing) for listing in heap.newest_first]
        self.emit(f"return [{', '.join(found)}]")

    def _walk(self, heap: HeapProgram, guest: MemoryMap) -> None:
        self.emit("behind = rows[-1][1] + rows[-1][2] if rows else 0")
        self.loops[INDEX] = "len(rows)"
        self.emit("try:")
        self.indent = "  "
        more = self.at if self.at == "header" and self.form != "rest" else f"{self.at} < end"
        body = self._entry if self.form == "handles" else self._block_body
        self.block(f"while {more}:", lambda: body(heap, guest))
        self.emit("return 0, None")
        self.indent = " "
        self.emit(f"except Exception as e: return {self.at}, e")

    def _entry(self, heap: HeapProgram, guest: MemoryMap) -> None:
        """Emit the block that an entry of a table of handles leads to, if it leads to one."""
        assert heap.handles is not None
        self.loops[ENTRY] = "at"
        handle = self.temporary(self.number(heap.handles.pointer))
        self.loops[HANDLE] = handle
        self.loops[INDEX] = "(at - begin) // step"

        def block() -> None:
            self.emit(f"header = {handle if heap.header is None else self.number(heap.header)}")
            self._block_body(heap, guest)

        self.block(f"if {handle}:", block)
        self.emit("at += step")

    def _block_body(self, heap: HeapProgram, guest: MemoryMap) -> None:
        if self.form == "slots":
            self.emit("header = at")
        if heap.types.block is not None:
            self._header(heap.types.block)
        if self.form == "handles":
            self.emit("if header in seen: shared(header)")
        elif self.form != "slots":
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
        size, payload = self._extent(heap)
        alignment = heap.types.table.alignment
        if alignment > 1:
            self.emit(f"if {payload} % {alignment} or {size} % {alignment}:")
            self.emit(f" crooked({payload}, {size}, {alignment})")
        region = guest.regions[0]
        inside = f"0 <= {payload} - {region.start} <= {region.size} - {size}"
        self.emit(f"if {size} < 0 or not {inside}: {payload} = fitted({payload}, {size})")
        used = self._used(heap)
        kind = self._owner(heap, payload, size, used)
        generation = "None" if heap.generation is None else self.number(heap.generation)
        identity = self._of_object(heap, heap.identity, payload, size, used)
        if heap.age is not None:
            age = self._of_object(heap, heap.age, payload, size, used)
        following = self._following(heap, payload, size)
        if heap.types.block is None:
            self.emit(f"header = {payload}")
        # the common case of blocks that are apart: each begins where the last one ended, or later
        self.emit(f"if not behind <= header <= {payload}: unordered()")
        self.emit(f"behind = {payload} + {size}")
        if self.form != "slots":
            self.emit("seen.add(header)")
        handle = "at" if self.form == "handles" else "None"
        row = f"header, {payload}, {size}, {used}, {kind}, {generation}, {identity}, {handle}"
        self.emit(f"rows.append(({row}))")
        if heap.age is not None:
            self.emit(f"ages.append({age})")
        if following:
            self.emit(f"{self.at} = {following}")

    def _extent(self, heap: HeapProgram) -> tuple[str, str]:
        """Emit a block's size and its payload's address."""
        size = "" if heap.size is None else self.temporary(self.number(heap.size))
        if heap.payload is not None:
            payload = self.temporary(self.number(heap.payload))
        else:
            behind = self.loops.get(HANDLE) or f"header + {heap.types.header_size}"
            payload = self.temporary(behind)
        return size or self.temporary(f"at + step - {payload}"), payload

    def _used(self, heap: HeapProgram) -> str:
        if self.form in ("free", "rest"):
            return str(self.form == "rest")
        return "True" if heap.used is None else self.temporary(f"not not {self.number(heap.used)}")

    def _following(self, heap: HeapProgram, payload: str, size: str) -> str:
        """Emit where the next block is; empty where the table of handles tells it."""
        if self.form == "handles":
            return ""
        if self.form == "rest":
            return f"{payload} + {size}"
        if self.form == "slots":
            return "at + step"
        assert heap.next is not None
        return self.number(heap.next)

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
        owner = heap.owner
        if owner is None or used == "False":
            return "None"
        kind = self.temporary("None")
        self.loops[PAYLOAD] = payload

        def read() -> None:
            self.emit(f"{kind} = {self.number(owner)}")

        self.block(f"if {used} and {size} >= {heap.owner_bytes}:", read)
        return kind

    def _of_object(
        self, heap: HeapProgram, number: nodes.Number | None, payload: str, size: str, used: str
    ) -> str:
        """Emit a number of the object in a used block, None where there is none."""
        if number is None or used == "False":
            return "None"
        found = self.temporary("None")
        self.loops[OWNER] = payload
        enough = f" and {size} >= {heap.object_bytes}" if heap.object_bytes else ""

        def read() -> None:
            self.emit(f"{found} = {self.number(number)}")

        self.block(f"if {used}{enough}:", read)
        return found
