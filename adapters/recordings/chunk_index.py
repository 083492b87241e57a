"""Where the chunks of an MCAP file lie: by its own index, or by walking from record to record."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import BinaryIO

from mcap.exceptions import McapError
from mcap.reader import SeekingReader

from adapters.recordings import chunk
from adapters.recordings.chunk import CHUNK, RECORD, ChunkPlace, chunk_times
from adapters.recordings.topics import MAGIC

__all__ = ["ChunkIndex", "chunk_index", "everything", "written_by"]

_DATA_END = 0x0F
_MAX_HEADER_LENGTH = 1 << 16
_MAX_ROW_LENGTH = 1 << 24


@dataclass(frozen=True, slots=True)
class ChunkIndex:
    """All whole chunks in the file's order; ``complete`` is whether the file's own end is there.

    ``channels`` are the topics of the channels that are told of outside the chunks, by number:
    only a walk finds them.
    """

    places: list[ChunkPlace]
    complete: bool
    channels: dict[int, str] = field(default_factory=dict)


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
            channels=tuple(index.message_index_offsets),
        )
        for index in summary.chunk_indexes
    ]
    found.sort(key=lambda place: place.offset)
    following = (*(place.offset for place in found[1:]), size)
    apart = all(p.offset + p.length <= next_ for p, next_ in zip(found, following, strict=True))
    statistics = summary.statistics
    if not apart or (statistics is not None and len(found) != statistics.chunk_count):
        return None
    return found


def written_by(stream: BinaryIO) -> str:
    """The library that an MCAP file names as its writer; empty where it names none."""
    stream.seek(len(MAGIC))
    head = stream.read(RECORD.size)
    if len(head) < RECORD.size:
        return ""
    opcode, length = RECORD.unpack(head)
    if opcode != chunk.HEADER or length > _MAX_HEADER_LENGTH:
        return ""
    return chunk.library(memoryview(stream.read(length)))


def everything(stream: BinaryIO, size: int) -> ChunkIndex:
    """The chunks and the channels of any MCAP file, also messages that stand in no chunk.

    What is cut off at the end is left out.  Raises ValueError where a channel is damaged, and
    OSError.
    """
    places: list[ChunkPlace] = []
    channels: dict[int, str] = {}
    complete = False
    for opcode, at, end in _records(stream, size):
        if opcode == CHUNK:
            places.append(_chunk(stream, at, end))
        elif opcode == chunk.CHANNEL:
            content = _read(stream, at + RECORD.size, end - at - RECORD.size)
            number, topic = chunk.channel_topic(memoryview(content))
            channels[number] = topic
        elif opcode == chunk.MESSAGE:
            last = places[-1] if places else None
            follows = last is not None and last.loose and last.offset + last.length == at
            if last is not None and follows and end - last.offset <= _MAX_ROW_LENGTH:
                places.pop()
                at = last.offset
            places.append(ChunkPlace(at, end - at, 0, 0, loose=True))
        elif opcode == chunk.FOOTER:
            complete = True
    return ChunkIndex(places, complete, channels)


def _by_walking(stream: BinaryIO, size: int) -> ChunkIndex:
    """The chunks of a file without its end; what is cut off there is left out.

    Behind each chunk stands an index of its messages for each channel; the last chunk's may be cut
    off, so that chunk tells of no channel.
    """
    places: list[ChunkPlace] = []
    for opcode, at, end in _records(stream, size):
        if opcode == _DATA_END:
            break
        if opcode == CHUNK:
            places.append(_chunk(stream, at, end))
        elif opcode == chunk.MESSAGE_INDEX and places and end - at >= RECORD.size + 2:
            (channel,) = struct.unpack("<H", _read(stream, at + RECORD.size, 2))
            places[-1] = replace(places[-1], channels=(*places[-1].channels, channel))
    return ChunkIndex(places, False)


def _records(stream: BinaryIO, size: int) -> Iterator[tuple[int, int, int]]:
    """Each whole record's opcode, where it begins, and where it ends; each by its own length."""
    at = len(MAGIC)
    while at + RECORD.size <= size:
        opcode, length = RECORD.unpack(_read(stream, at, RECORD.size))
        end = at + RECORD.size + length
        if end > size:
            return
        if opcode != CHUNK or length >= 16:
            yield opcode, at, end
        at = end


def _chunk(stream: BinaryIO, at: int, end: int) -> ChunkPlace:
    return ChunkPlace(at, end - at, *chunk_times(_read(stream, at + RECORD.size, 16)))


def _read(stream: BinaryIO, at: int, length: int) -> bytes:
    """Bytes that were there when the file's size was asked."""
    stream.seek(at)
    found = stream.read(length)
    if len(found) != length:
        raise ValueError(f"expected {length} bytes at byte {at}, found {len(found)}")
    return found
