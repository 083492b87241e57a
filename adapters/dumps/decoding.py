"""From a dump's own bytes to segments, whatever its format."""

from __future__ import annotations

from typing import Literal

from adapters.dumps.elf import MAGIC, elf_segments
from adapters.dumps.intel_hex import intel_hex_segments, is_intel_hex
from adapters.dumps.s_record import is_s_record, s_record_segments
from adapters.dumps.segment import Segment
from schemas.errors import SourceUnusable

__all__ = ["FORMAT_WORDS", "DumpFormat", "decode", "format_of"]

DumpFormat = Literal["raw", "elf", "ihex", "srec"]
FORMAT_WORDS: dict[DumpFormat, str] = {
    "raw": "raw",
    "elf": "ELF",
    "ihex": "Intel HEX",
    "srec": "S-record",
}
"""How messages name each format."""


def format_of(data: bytes) -> DumpFormat:
    """What the first bytes say; ``raw`` where they say nothing."""
    if data[:4] == MAGIC:
        return "elf"
    if is_intel_hex(data):
        return "ihex"
    if is_s_record(data):
        return "srec"
    return "raw"


def decode(data: bytes, dump_format: DumpFormat, *, max_size: int) -> list[Segment]:
    """The segments of a dump; a raw one is a single segment without an address.

    Raises SourceUnusable where the dump is damaged, not of this format, or holds no bytes.
    """
    if dump_format == "raw":
        return [Segment(None, data)]
    if dump_format == "elf":
        if data[:4] != MAGIC:
            raise SourceUnusable(
                f"ELF: expected 7F 45 4C 46 at the start, found {data[:4].hex(' ').upper()}"
            )
        return elf_segments(data, max_size=max_size)
    read = intel_hex_segments if dump_format == "ihex" else s_record_segments
    segments = read(data, max_size=max_size)
    if not segments:
        raise SourceUnusable("is empty: the file has no data record")
    return segments
