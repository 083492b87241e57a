"""The loadable segments of an ELF file: a core dump, or a program.

Layouts from the System V ABI, "Object Files".  Only bytes that stand in the file count: what a
segment has in memory beyond them was not dumped.
"""

from __future__ import annotations

import struct

from adapters.dumps.segment import SEGMENT_COST, Segment
from schemas.errors import SourceUnusable

__all__ = ["MAGIC", "elf_segments"]

MAGIC = b"\x7fELF"

_PT_LOAD = 1
_PN_XNUM = 0xFFFF
"""The count of segments then stands in ``sh_info`` of section header 0."""


def elf_segments(data: bytes, *, max_size: int) -> list[Segment]:
    """Every PT_LOAD segment with bytes in the file, at its ``p_vaddr``, in the file's order.

    Raises SourceUnusable where the file is cut off, where a segment leaves it, where segments
    together exceed *max_size* bytes, and where there is none.
    """
    if len(data) < 6 or data[4] not in (1, 2) or data[5] not in (1, 2):
        raise SourceUnusable("ELF: the header is cut off or names no known class and byte order")
    wide = data[4] == 2
    endian = "<" if data[5] == 1 else ">"
    # e_phoff, e_shoff, then from e_flags on: e_ehsize, e_phentsize, e_phnum, e_shentsize
    header = struct.Struct(endian + ("16xHHIQQQIHHHH" if wide else "16xHHIIIIIHHHH"))
    entry = struct.Struct(endian + ("IIQQQQ" if wide else "IIIIII"))
    fields = _unpack(header, data, 0, "the header")
    table, sections, entry_size, count = fields[4], fields[5], fields[8], fields[9]
    if count == _PN_XNUM:
        # sh_info is the eighth word of a 32-bit section header, and stands at 44 in a 64-bit one
        count = _unpack(
            struct.Struct(endian + "I"), data, sections + (44 if wide else 28), "section header 0"
        )[0]
    if count and entry_size < entry.size:
        raise SourceUnusable(
            f"ELF: expected program headers of {entry.size} bytes or more, found {entry_size}"
        )
    view = memoryview(data)
    segments: list[Segment] = []
    total = 0
    for number in range(count):
        values = _unpack(entry, data, table + number * entry_size, f"program header {number}")
        if values[0] != _PT_LOAD:
            continue
        if wide:
            _, _, offset, address, _, size = values
        else:
            _, offset, address, _, size, _ = values
        if not size:
            continue
        if offset + size > len(data):
            raise SourceUnusable(
                f"ELF: segment {number} at 0x{address:08X}: expected {size} bytes at file offset "
                f"0x{offset:X}, found {max(0, len(data) - offset)}: the file is cut off"
            )
        total += size + SEGMENT_COST
        if total > max_size:
            raise SourceUnusable(
                f"ELF: expected segments of at most {max_size} bytes together, found more: "
                "a damaged file, or max_size is too small"
            )
        segments.append(Segment(address, view[offset : offset + size]))
    if not segments:
        raise SourceUnusable("ELF: expected loadable segments with bytes, found none")
    return segments


def _unpack(layout: struct.Struct, data: bytes, offset: int, what: str) -> tuple[int, ...]:
    if offset + layout.size > len(data):
        raise SourceUnusable(
            f"ELF: {what} at file offset 0x{offset:X} is cut off: expected {layout.size} bytes, "
            f"found {max(0, len(data) - offset)}"
        )
    return layout.unpack_from(data, offset)
