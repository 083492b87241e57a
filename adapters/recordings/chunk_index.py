"""Where the chunks of an MCAP file lie: by its own index, or by walking a file that has none."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import BinaryIO

from mcap.exceptions import McapError
from mcap.reader import SeekingReader

from adapters.recordings.chunk import CHUNK, RECORD, ChunkPlace, chunk_times

MAGIC = b"\x89MCAP0\r\n"
_DATA_END = 0x0F


@dataclass(frozen=True, slots=True)
class ChunkIndex:
    """All whole chunks in the file's order; ``complete`` is whether the file's own end is there."""

    places: list[ChunkPlace]
    complete: bool


def chunk_index(stream: BinaryIO, size: int) -> ChunkIndex:
    """The chunks of a file of *size* bytes.

    Raises ValueError where it is no MCAP file, and OSError.
    """
    stream.seek(0)
    start = stream.read(len(MAGIC))
    if start != MAGIC:
        raise ValueError(f"expected an MCAP file, found one that begins with {start!r}")
    places = _by_summary(stream, size)
    if places is not None:
        return ChunkIndex(places, True)
    return _by_walking(stream, size)


def _by_summary(stream: BinaryIO, size: int) -> list[ChunkPlace] | None:
    """The file's own index; None where it has none, or one that does not fit the file."""
    stream.seek(-len(MAGIC), 2)
    if stream.read(len(MAGIC)) != MAGIC:
        return None
    stream.seek(0)
    try:
        summary = SeekingReader(stream, record_size_limit=size).get_summary()
    except (McapError, struct.error, ValueError, StopIteration, OSError, MemoryError):
        # the reader's ways to fail on a damaged index; the chunks may still be whole
        return None
    if summary is None or not summary.chunk_indexes:
        return None
    found = [
        ChunkPlace(
            index.chunk_start_offset,
            index.chunk_length,
            index.message_start_time,
            index.message_end_time,
        )
        for index in summary.chunk_indexes
    ]
    inside = all(place.offset + place.length <= size for place in found)
    statistics = summary.statistics
    if not inside or (statistics is not None and len(found) != statistics.chunk_count):
        return None
    return sorted(found, key=lambda place: place.offset)


def _by_walking(stream: BinaryIO, size: int) -> ChunkIndex:
    """From record to record, each by its length; what is cut off at the end is left out."""
    places: list[ChunkPlace] = []
    at = len(MAGIC)
    while at + RECORD.size <= size:
        stream.seek(at)
        head = stream.read(RECORD.size + 16)
        opcode, length = RECORD.unpack_from(head)
        end = at + RECORD.size + length
        if opcode == _DATA_END or end > size:
            break
        if opcode == CHUNK and length >= 16:
            first, last = chunk_times(head[RECORD.size :])
            places.append(ChunkPlace(at, end - at, first, last))
        at = end
    return ChunkIndex(places, False)
