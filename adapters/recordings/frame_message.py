"""The binary form of one recorded frame: a message on ``lowhalf/ram``.

Numbers are little-endian, as everywhere in MCAP; the guest's bytes stand in guest order.

    offset  type
    0       u8         kind: 1 key image, 2 changed lines
    1       u8         consistency: 0 still, 1 guarded, 2 halted, 3 sender, 4 unguarded
    2       u16        0
    4       u32        count of spans
    8       u64        the game's own number of the frame
    16      u64, u32   a span's guest address and length, for each span
            bytes      the bytes of each span, one behind the other, up to the message's end

The frame's time is the message's log time: nanoseconds since the Unix epoch.  A key image says
which bytes are recorded at all; changed lines lie inside it and are laid over what was before.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

from bridge.memory.address_map import Span
from bridge.ports.source import Consistency

__all__ = ["CONSISTENCIES", "FrameKind", "RecordedFrame", "decode", "encode"]

CONSISTENCIES = (
    Consistency.STILL,
    Consistency.GUARDED,
    Consistency.HALTED,
    Consistency.SENDER,
    Consistency.UNGUARDED,
)
"""By their number in a message; a new one is added at the end."""

_HEAD = struct.Struct("<BBHIQ")
_SPAN = struct.Struct("<QI")


class FrameKind(IntEnum):
    """What of a frame a message holds."""

    KEY = 1
    CHANGES = 2


@dataclass(frozen=True, slots=True)
class RecordedFrame:
    """A frame as it was recorded.  ``time`` is in nanoseconds since the Unix epoch."""

    kind: FrameKind
    number: int
    time: int
    consistency: Consistency
    parts: Sequence[tuple[Span, bytes | memoryview]]


def encode(frame: RecordedFrame) -> bytes:
    """The message's bytes.  Raises ValueError for bytes that do not fill their span."""
    for span, data in frame.parts:
        if len(data) != span.length:
            raise ValueError(
                f"0x{span.address:08X}: expected {span.length} bytes, found {len(data)}"
            )
    consistency = CONSISTENCIES.index(frame.consistency)
    head = _HEAD.pack(frame.kind, consistency, 0, len(frame.parts), frame.number)
    spans = [_SPAN.pack(span.address, span.length) for span, _ in frame.parts]
    return b"".join([head, *spans, *(data for _, data in frame.parts)])


def decode(message: memoryview, time: int) -> RecordedFrame:
    """A frame whose parts are views into *message*.  Raises ValueError where it is damaged."""
    if len(message) < _HEAD.size:
        raise ValueError(f"a frame of {len(message)} bytes, expected {_HEAD.size} or more")
    kind, consistency, _, count, number = _HEAD.unpack_from(message)
    if kind not in tuple(FrameKind):
        raise ValueError(f"a frame of kind {kind}, expected 1 or 2: a later lowhalf may know it")
    if consistency >= len(CONSISTENCIES):
        raise ValueError(f"a frame of consistency {consistency}: a later lowhalf may know it")
    at = _HEAD.size + count * _SPAN.size
    if at > len(message):
        raise ValueError(f"a frame of {count} spans in {len(message)} bytes")
    parts: list[tuple[Span, bytes | memoryview]] = []
    for address, length in _SPAN.iter_unpack(message[_HEAD.size : at]):
        if at + length > len(message):
            raise ValueError(f"a span of {length} bytes where {len(message) - at} are left")
        parts.append((Span(address, length), message[at : at + length]))
        at += length
    if at != len(message):
        raise ValueError(f"{len(message) - at} bytes behind the last span of a frame")
    return RecordedFrame(FrameKind(kind), number, time, CONSISTENCIES[consistency], parts)
