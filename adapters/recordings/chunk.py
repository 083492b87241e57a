"""One MCAP chunk: where it lies, and the records inside.

Written out here because a recording may be cut off or damaged anywhere, and may claim to unpack to
any size: every length is checked against what is there before it is used, and messages are views
into the unpacked chunk, not copies.  (MCAP specification, "Chunk", "Message".)
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

import zstandard

__all__ = [
    "CHANNEL",
    "CHUNK",
    "FOOTER",
    "HEADER",
    "MAX_CHUNK_SIZE",
    "MAX_RECORDS",
    "MESSAGE",
    "MESSAGE_INDEX",
    "RECORD",
    "SCHEMA",
    "ChunkMessage",
    "ChunkPlace",
    "channel_topic",
    "chunk_times",
    "library",
    "message",
    "records",
    "unpacked",
]

HEADER, FOOTER, SCHEMA, CHANNEL, MESSAGE, CHUNK = 0x01, 0x02, 0x03, 0x04, 0x05, 0x06
MESSAGE_INDEX = 0x07
MAX_CHUNK_SIZE = 256 << 20
"""Bytes that a chunk may unpack to."""
MAX_RECORDS = 1 << 20
"""Records that a chunk may hold: small ones take much more memory, and time, than their bytes."""

RECORD = struct.Struct("<BQ")
_HEAD = struct.Struct("<QQQII")
_MESSAGE = struct.Struct("<HIQQ")


@dataclass(frozen=True, slots=True)
class ChunkPlace:
    """A chunk's record in the file: offset and length in bytes, and its times in nanoseconds.

    ``channels`` are the numbers of those that its messages are of, where the file's index tells.
    One that is ``loose`` is no chunk but a row of records that stand in none.
    """

    offset: int
    length: int
    first_time: int
    last_time: int
    loose: bool = False
    channels: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class ChunkMessage:
    """A message inside a chunk; ``time`` is in nanoseconds since the Unix epoch."""

    channel: int
    time: int
    data: memoryview


def chunk_times(head: bytes) -> tuple[int, int]:
    """First and last time from the first 16 bytes of a chunk's content.  Raises struct.error."""
    first, last = struct.unpack_from("<QQ", head)
    return first, last


def unpacked(stream: BinaryIO, place: ChunkPlace) -> memoryview:
    """The records inside a chunk.  Raises ValueError where it is damaged, and OSError."""
    stream.seek(place.offset)
    record = memoryview(stream.read(place.length))
    if len(record) != place.length or place.length < RECORD.size + _HEAD.size:
        raise ValueError(f"expected {place.length} bytes, found {len(record)}")
    if place.loose:
        return record
    opcode, length = RECORD.unpack_from(record)
    if opcode != CHUNK or length != place.length - RECORD.size:
        raise ValueError("expected a chunk, found something else")
    _, _, size, checksum, name_length = _HEAD.unpack_from(record, RECORD.size)
    at = RECORD.size + _HEAD.size
    compression = bytes(record[at : at + name_length])
    at += name_length
    if at + 8 > len(record):
        raise ValueError("its head is longer than itself")
    (packed_length,) = struct.unpack_from("<Q", record, at)
    packed = record[at + 8 :]
    if packed_length != len(packed):
        raise ValueError(f"expected {packed_length} bytes packed, found {len(packed)}")
    if size > MAX_CHUNK_SIZE:
        raise ValueError(f"it unpacks to {size} bytes, more than the {MAX_CHUNK_SIZE} allowed")
    data = _unpack(packed, compression, size)
    if len(data) != size:
        raise ValueError(f"expected {size} bytes unpacked, found {len(data)}")
    if checksum and zlib.crc32(data) != checksum:
        raise ValueError("its checksum is wrong")
    return memoryview(data)


def records(data: memoryview) -> Iterator[tuple[int, memoryview]]:
    """Opcode and content of each record inside a chunk.

    Raises ValueError where one is cut, and where there are too many.
    """
    at = count = 0
    while at < len(data):
        count += 1
        if count > MAX_RECORDS:
            raise ValueError(f"it holds more than {MAX_RECORDS} records")
        if at + RECORD.size > len(data):
            raise ValueError("a record is cut off")
        opcode, length = RECORD.unpack_from(data, at)
        at += RECORD.size
        if length > len(data) - at:
            raise ValueError("a record is cut off")
        yield opcode, data[at : at + length]
        at += length


def message(content: memoryview) -> ChunkMessage:
    """A message record's content.  Raises ValueError where it is too short."""
    if len(content) < _MESSAGE.size:
        raise ValueError("a message is cut off")
    channel, _, time, _ = _MESSAGE.unpack_from(content)
    return ChunkMessage(channel, time, content[_MESSAGE.size :])


def channel_topic(content: memoryview) -> tuple[int, str]:
    """Number and topic from a channel record's content.  Raises ValueError where it is damaged."""
    if len(content) < 8:
        raise ValueError("a channel is cut off")
    number, _, length = struct.unpack_from("<HHI", content)
    if length > len(content) - 8:
        raise ValueError("a channel is cut off")
    return number, str(content[8 : 8 + length], "utf-8")


def library(content: memoryview) -> str:
    """Which program wrote a file, from its header record's content; empty where it is damaged."""
    at = 0
    words = ""
    for _ in ("profile", "library"):
        if at + 4 > len(content):
            return ""
        (length,) = struct.unpack_from("<I", content, at)
        at += 4
        words = str(content[at : at + length], "utf-8", "replace")
        at += length
    return words


def _unpack(packed: memoryview, compression: bytes, size: int) -> bytes:
    if compression == b"":
        return bytes(packed)
    # one byte more than promised, to see whether there is more
    if compression == b"zstd":
        try:
            if zstandard.frame_content_size(packed) == size:
                # much quicker, and promises no more than is allowed
                return zstandard.ZstdDecompressor().decompress(packed, allow_extra_data=False)
            with zstandard.ZstdDecompressor().stream_reader(packed) as reader:
                return reader.read(size + 1)
        except zstandard.ZstdError as fault:
            raise ValueError(f"it cannot be unpacked ({fault})") from fault
    if compression == b"lz4":
        import lz4.frame  # the mcap library needs it too; our own files are never packed so

        try:
            unpacker = lz4.frame.LZ4FrameDecompressor()
            return bytes(unpacker.decompress(packed, max_length=size + 1))
        except (RuntimeError, EOFError, ValueError) as fault:
            raise ValueError(f"it cannot be unpacked ({fault})") from fault
    name = compression.decode("utf-8", "replace")
    raise ValueError(f"its compression is {name}, expected zstd or lz4")
