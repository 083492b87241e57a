"""Motorola S-record: lines of text, each with an address, bytes and a checksum.

Record types from Motorola's M68000 family programmer's reference manual, appendix C: S0 header;
S1, S2, S3 data with 2, 3, 4 bytes of address; S5, S6 count of data records; S7, S8, S9 end.
"""

from __future__ import annotations

import re

from adapters.dumps.runs import Runs
from adapters.dumps.segment import Segment
from adapters.dumps.text_lines import text_lines
from schemas.errors import SourceUnusable

__all__ = ["is_s_record", "s_record_segments"]

_FIRST_LINE = re.compile(rb"\s*S[0-9](?:[0-9A-Fa-f]{2}){3,}[ \t]*(?:\r|\n|\Z)")
_ADDRESS_SIZES = {0: 2, 1: 2, 2: 3, 3: 4, 5: 2, 6: 3, 7: 4, 8: 3, 9: 2}


def is_s_record(data: bytes) -> bool:
    """Whether the first line is a whole record, its checksum aside."""
    return _FIRST_LINE.match(data[:1024]) is not None


def s_record_segments(data: bytes, *, max_size: int) -> list[Segment]:
    """The bytes of all data records.

    Raises SourceUnusable, which names the line, and where text and bytes exceed *max_size* bytes.
    """
    runs = Runs(max_size, held=len(data))
    count = 0
    ended = False
    for number, line in text_lines(data, _fault):
        if ended:
            raise _fault(number, "expected nothing after the end record")
        kind, record = _record(line, number)
        width = _ADDRESS_SIZES[kind]
        address = int.from_bytes(record[1 : 1 + width], "big")
        body = record[1 + width : -1]
        if kind in (1, 2, 3):
            count += 1
            runs.add(address, body)
        elif kind in (5, 6):
            if address != count & (1 << 8 * width) - 1:
                raise _fault(number, f"expected {address} data records before it, found {count}")
        elif kind in (7, 8, 9):
            ended = True
    if not ended:
        raise SourceUnusable(
            "S-record: no end record (S7, S8 or S9): the file is cut off; make it again"
        )
    return runs.segments()


def _record(line: bytes, number: int) -> tuple[int, bytes]:
    if line[:1] != b"S" or not line[1:2].isdigit():
        raise _fault(number, "expected S and a digit at the start of the line")
    kind = int(line[1:2])
    if kind not in _ADDRESS_SIZES:
        raise _fault(number, f"expected S0 to S3 or S5 to S9, found S{kind}, which is reserved")
    try:
        record = bytes.fromhex(line[2:].decode("ascii"))
    except ValueError as fault:
        raise _fault(number, f"expected pairs of hexadecimal digits after S{kind}") from fault
    if not record or len(record) != record[0] + 1:
        expected = record[0] + 1 if record else 1
        raise _fault(number, f"expected {expected} bytes in the record, found {len(record)}")
    if len(record) < _ADDRESS_SIZES[kind] + 2:
        raise _fault(
            number,
            f"expected {_ADDRESS_SIZES[kind] + 2} bytes or more in S{kind}, found {len(record)}",
        )
    if sum(record) & 0xFF != 0xFF:
        raise _fault(
            number, f"expected checksum 0x{~sum(record[:-1]) & 0xFF:02X}, found 0x{record[-1]:02X}"
        )
    return kind, record


def _fault(line: int, message: str) -> SourceUnusable:
    return SourceUnusable(f"S-record: line {line}: {message}")
