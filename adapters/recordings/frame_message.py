"""The binary form of recorded memory: a message on one of the ``lowhalf/ram`` channels.

Numbers are little-endian, as everywhere in MCAP; the guest's bytes stand in guest order.

    offset  type
    0       u8         kind: 1 part of a key image, 2 a frame, 3 what has changed since
    1       u8         consistency: 0 still, 1 guarded, 2 halted, 3 sender, 4 unguarded
    2       u16        flags: bit 0: bytes that are not in this message may be of an older frame
    4       u32        count of spans
    8       u32        count of spans that are gone
    12      u32        0
    16      u64        the game's own number of the frame
    24      u64, u32   a span's guest address and length, for each span
            u64, u32   the same for each that is gone: what was there is not known any more
            bytes      the bytes of each span, one behind the other, up to the message's end

    channel                 kind
    lowhalf/ram/key         1: all that is there before the frame of that number; one image is a row
                            of such messages of one time
    lowhalf/ram/since-key   3: all that differs from the last key image before the frame of that
                            number
    lowhalf/ram             2: what a frame has changed

The memory of a frame is a key image, the last ``since-key`` behind it, and each frame behind that.
The frame's time is the message's log time: nanoseconds since the Unix epoch.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

from bridge.memory.address_map import Span
from bridge.ports.source import Consistency

__all__ = [
    "CONSISTENCIES",
    "HEAD",
    "IN_PART",
    "KINDS",
    "MAX_SPANS",
    "FrameKind",
    "RecordedFrame",
    "decode",
    "encode",
]

CONSISTENCIES = (
    Consistency.STILL,
    Consistency.GUARDED,
    Consistency.HALTED,
    Consistency.SENDER,
    Consistency.UNGUARDED,
)
"""By their number in a message; a new one is added at the end."""

HEAD = struct.Struct("<BBHIIIQ")
_SPAN = struct.Struct("<QI")
IN_PART = 1
MAX_SPANS = 1 << 22
"""Spans that the frames of a second may have in all; each takes much more memory than its bytes."""


class FrameKind(IntEnum):
    """What a message holds."""

    KEY = 1
    CHANGES = 2
    SINCE_KEY = 3


KINDS = frozenset(map(int, FrameKind))


@dataclass(frozen=True, slots=True)
class RecordedFrame:
    """A message's memory.  ``time`` is in nanoseconds since the Unix epoch.

    ``in_part`` is whether bytes that are not among its ``parts`` may be older than the frame;
    ``gone`` are spans of which nothing is known any more.
    """

    kind: FrameKind
    number: int
    time: int
    consistency: Consistency
    parts: Sequence[tuple[Span, bytes | memoryview]]
    gone: Sequence[Span] = ()
    in_part: bool = False


def encode(frame: RecordedFrame) -> bytes:
    """The message's bytes.  Raises ValueError for bytes that do not fill their span."""
    for span, data in frame.parts:
        if len(data) != span.length:
            raise ValueError(
                f"0x{span.address:08X}: expected {span.length} bytes, found {len(data)}"
            )
    consistency = CONSISTENCIES.index(frame.consistency)
    counts = len(frame.parts), len(frame.gone)
    flags = IN_PART if frame.in_part else 0
    head = HEAD.pack(frame.kind, consistency, flags, *counts, 0, frame.number)
    spans = [_SPAN.pack(span.address, span.length) for span, _ in frame.parts]
    gone = [_SPAN.pack(span.address, span.length) for span in frame.gone]
    return b"".join([head, *spans, *gone, *(data for _, data in frame.parts)])


def decode(message: memoryview, time: int, max_spans: int = MAX_SPANS) -> RecordedFrame:
    """Memory whose parts are views into *message*.

    Raises ValueError where it is damaged or has more than *max_spans*.
    """
    if len(message) < HEAD.size:
        raise ValueError(f"a frame of {len(message)} bytes, expected {HEAD.size} or more")
    kind, consistency, flags, count, gone_count, _, number = HEAD.unpack_from(message)
    if kind not in KINDS:
        raise ValueError(f"a frame of kind {kind}, expected 1 to 3: a later lowhalf may know it")
    if consistency >= len(CONSISTENCIES):
        raise ValueError(f"a frame of consistency {consistency}: a later lowhalf may know it")
    if count + gone_count > max_spans:
        raise ValueError(f"a frame of {count + gone_count} spans, more than the {max_spans} left")
    gone_at = HEAD.size + count * _SPAN.size
    at = gone_at + gone_count * _SPAN.size
    if at > len(message):
        raise ValueError(f"a frame of {count + gone_count} spans in {len(message)} bytes")
    parts: list[tuple[Span, bytes | memoryview]] = []
    gone = [Span(*each) for each in _SPAN.iter_unpack(message[gone_at:at])]
    for address, length in _SPAN.iter_unpack(message[HEAD.size : gone_at]):
        if at + length > len(message):
            raise ValueError(f"a span of {length} bytes where {len(message) - at} are left")
        parts.append((Span(address, length), message[at : at + length]))
        at += length
    if at != len(message):
        raise ValueError(f"{len(message) - at} bytes behind the last span of a frame")
    words = CONSISTENCIES[consistency]
    return RecordedFrame(
        FrameKind(kind), number, time, words, parts, gone, in_part=bool(flags & IN_PART)
    )
