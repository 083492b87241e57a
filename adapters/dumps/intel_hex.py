"""Intel HEX: lines of text, each with an address, bytes and a checksum.

Record types and address arithmetic from Intel's "Hexadecimal Object File Format Specification",
revision A (1988): with an extended segment address the offset wraps at 64 KiB, with an extended
linear address the sum wraps at 4 GiB.
"""

from __future__ import annotations

import re
from enum import IntEnum

from adapters.dumps.runs import Runs
from adapters.dumps.segment import Segment
from adapters.dumps.text_lines import text_lines
from schemas.errors import SourceUnusable

__all__ = ["intel_hex_segments", "is_intel_hex"]

_FIRST_LINE = re.compile(rb"\s*:(?:[0-9A-Fa-f]{2}){5,}[ \t]*(?:\r|\n|\Z)")


class _Type(IntEnum):
    DATA = 0
    END = 1
    SEGMENT_ADDRESS = 2
    SEGMENT_START = 3
    LINEAR_ADDRESS = 4
    LINEAR_START = 5


_SIZES = {
    _Type.END: 0,
    _Type.SEGMENT_ADDRESS: 2,
    _Type.SEGMENT_START: 4,
    _Type.LINEAR_ADDRESS: 2,
    _Type.LINEAR_START: 4,
}


def is_intel_hex(data: bytes) -> bool:
    """Whether the first line is a whole record, its checksum aside."""
    return _FIRST_LINE.match(data[:1024]) is not None


def intel_hex_segments(data: bytes, *, max_size: int) -> list[Segment]:
    """The bytes of all data records.

    Raises SourceUnusable, which names the line, and where text and bytes exceed *max_size* bytes.
    """
    runs = Runs(max_size, held=len(data))
    base = 0
    segmented = False
    ended = False
    for number, line in text_lines(data, _fault):
        if ended:
            raise _fault(number, "expected nothing after the end record")
        record = _record(line, number)
        size, address, kind = record[0], record[1] << 8 | record[2], record[3]
        body = record[4:-1]
        if kind == _Type.DATA:
            if not segmented:
                _add_wrapped(runs, (base + address) & 0xFFFF_FFFF, body, 0, 1 << 32)
            else:
                _add_wrapped(runs, address, body, base, 1 << 16)
            continue
        if kind not in _SIZES:
            raise _fault(number, f"expected a record type of 0 to 5, found {kind}")
        if size != _SIZES[_Type(kind)]:
            raise _fault(
                number,
                f"expected {_SIZES[_Type(kind)]} bytes in a record of type {kind}, found {size}",
            )
        if kind == _Type.END:
            ended = True
        elif kind == _Type.SEGMENT_ADDRESS:
            base, segmented = int.from_bytes(body, "big") << 4, True
        elif kind == _Type.LINEAR_ADDRESS:
            base, segmented = int.from_bytes(body, "big") << 16, False
    if not ended:
        raise SourceUnusable("Intel HEX: no end record: the file is cut off; make it again")
    return runs.segments()


def _record(line: bytes, number: int) -> bytes:
    if line[:1] != b":":
        raise _fault(number, "expected a colon at the start of the line")
    try:
        record = bytes.fromhex(line[1:].decode("ascii"))
    except ValueError as fault:
        raise _fault(number, "expected pairs of hexadecimal digits after the colon") from fault
    if len(record) < 5 or len(record) != record[0] + 5:
        expected = record[0] + 5 if record else 5
        raise _fault(number, f"expected {expected} bytes in the record, found {len(record)}")
    if sum(record) & 0xFF:
        raise _fault(
            number, f"expected checksum 0x{-sum(record[:-1]) & 0xFF:02X}, found 0x{record[-1]:02X}"
        )
    return record


def _add_wrapped(runs: Runs, offset: int, body: bytes, base: int, modulus: int) -> None:
    room = modulus - offset
    runs.add(base + offset, body[:room])
    runs.add(base, body[room:])


def _fault(line: int, message: str) -> SourceUnusable:
    return SourceUnusable(f"Intel HEX: line {line}: {message}")
