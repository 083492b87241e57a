"""Generated code of one access to guest memory: its checks, and the number stored there.

In the common case a read costs an unpack and, behind a pointer, one addition and one range check;
whatever fails a check goes to the careful functions of ``bridge.evaluation.guest_access``.
"""

from __future__ import annotations

from dataclasses import dataclass

from bridge.evaluation.absence import Site
from bridge.evaluation.code_writer import CodeWriter, plus
from bridge.memory.address_map import LINE_SHIFT, MemoryMap
from schemas.compiler import BuildLayout
from schemas.layout import BitField, Chars, FixedPoint, Leaf, Scalar

__all__ = ["AccessCode", "Address", "Checked", "alignment"]


@dataclass(frozen=True, slots=True)
class Address:
    """An address in generated code: a variable (none where it is known) plus an offset.

    ``pointer`` is the text of the pointer it came from; ``step`` the greatest divisor of all that
    was added to the variable since, which says what its alignment tells of the pointer's.
    """

    variable: str | None
    offset: int
    pointer: str = ""
    step: int = 0


@dataclass(frozen=True, slots=True)
class Checked:
    """Bytes that are known to be there: ``size`` from an address, which is a multiple of ``align``.

    ``index`` is the flat index of that address in generated code.
    """

    index: str
    size: int
    align: int


def alignment(layout: BuildLayout, leaf: Leaf) -> int:
    """What the processor's load of a value needs its address to be a multiple of."""
    if layout.unaligned_loads or isinstance(leaf, Chars):
        return 1
    if isinstance(leaf, Scalar) and leaf.floating:
        return leaf.size
    return min(leaf.size, layout.pointer_size)


class AccessCode(CodeWriter):
    """Writes accesses to the memory of one build.

    ``whole`` is whether the image holds all bytes; else each access checks that its lines have been
    fetched.  ``lines`` are those of all accesses at known addresses, ``checked`` the bytes behind a
    variable that are known to be there.
    """

    def __init__(self, layout: BuildLayout, memory: MemoryMap, *, whole: bool) -> None:
        super().__init__()
        self.layout = layout
        self.memory = memory
        self.whole = whole
        self.lines: set[int] = set()
        self.checked: dict[str, Checked] = {}

    def not_null(self, address: Address) -> None:
        """Emit that a pointer that was followed is not null."""
        if address.pointer:
            self.emit(f"if not {address.variable}: null({self.constant(address.pointer)})")

    def index(self, address: Address, offset: int, leaf: Leaf, size: int, place: str) -> str:
        """Emit the checks of an access; gives the flat index in generated code."""
        # a part of a value is as aligned as the value: what cannot be loaded has no halves either
        align = self.alignment(leaf)
        total = address.offset + offset
        known = self.checked.get(address.variable or "")
        if (
            known is not None
            and not address.step
            and 0 <= total <= known.size - size
            and not (known.align % align or address.offset % align)
        ):
            return plus(known.index, total)
        if address.variable is None:
            flat = self.memory.flat(total, size)
            site = self.constant(Site(place, "", total, size, 0, address.offset, leaf))
            if flat is None:
                self.emit(f"outside({site})")
                return "0"
            self.held(str(flat), flat, size, True, site)
            return str(flat)
        aligned = address.pointer and address.offset % align == 0 and address.step % align == 0
        mask = align - 1 if aligned else 0
        site = self.constant(Site(place, address.pointer, total, size, mask, address.offset, leaf))
        region = self.memory.regions[0]
        shift, limit = total - region.start, region.size - size
        variable = address.variable
        flat_index = self.temporary(plus(variable, shift))
        checks = [f"not 0 <= {flat_index} <= {limit}"]
        if address.pointer and shift >= 0:
            checks.insert(0, f"not {variable}")
        if mask:
            checks.append(f"{variable} & {mask}")
        self.emit(f"if {' or '.join(checks)}: {flat_index} = locate({variable}, {site})")
        one_line = size == 1 or (mask == leaf.size - 1 and self._lines_aligned(leaf.size))
        self.held(flat_index, None, size, one_line, site)
        return flat_index

    def held(self, index: str, flat: int | None, size: int, one_line: bool, site: str) -> None:
        """Emit the check that the lines of an access have been fetched."""
        if flat is not None:
            lines = range(flat >> LINE_SHIFT, ((flat + size - 1) >> LINE_SHIFT) + 1)
            self.lines.update(lines)
            if not self.whole:
                for line in lines:
                    self.emit(f"T[{line}] = 1")
                    self.emit(f"if not L[{line}]: miss({flat}, {site})")
            return
        if self.whole:
            return
        number = self.temporary(f"{index} >> {LINE_SHIFT}")
        self.emit(f"T[{number}] = 1")
        self.emit(f"if not L[{number}]: miss({index}, {site})")
        if not one_line:
            last = self.temporary(f"({index} + {size - 1}) >> {LINE_SHIFT}")

            def rest() -> None:
                self.emit(f"T[{number} + 1:{last} + 1] = b'\\1' * ({last} - {number})")
                self.emit(f"if not all(L[{number} + 1:{last} + 1]): miss({index}, {site})")

            self.block(f"if {last} != {number}:", rest)

    def _lines_aligned(self, size: int) -> bool:
        """Whether an address that is a multiple of *size* lies at such a place in a line."""
        starts = (start for r in self.memory.regions for start in (r.start, *r.mirrors))
        return all(start % size == 0 for start in starts)

    def alignment(self, leaf: Leaf) -> int:
        """What the processor's load of a value needs its address to be a multiple of."""
        return alignment(self.layout, leaf)

    def value(self, address: Address, place: str, leaf: Leaf) -> str:
        """Emit the read of what a leaf stores; *place* is its text.  Gives it in generated code."""
        index = self.index(address, 0, leaf, leaf.size, place)
        stored = self.unpack(leaf.packing.format, index)
        if isinstance(leaf, FixedPoint):
            return f"{stored} / {1 << leaf.fraction_bits}"
        if isinstance(leaf, Chars):
            self.further += leaf.size >> 3
            return f"{self.constant(leaf.value)}({stored})"
        if isinstance(leaf, BitField):
            part = f"{stored} >> {leaf.lowest} & {(1 << leaf.width) - 1}"
            if not leaf.signed:
                return part
            sign = 1 << (leaf.width - 1)
            return f"(({part}) ^ {sign}) - {sign}"
        if isinstance(leaf, Scalar) and leaf.floating:
            value = self.temporary(stored)
            text = self.constant(place)
            self.emit(f"if {value} - {value} != 0.0: nonfinite({value}, {text})")
            return value
        return stored
