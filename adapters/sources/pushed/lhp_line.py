"""LHP/1 over a serial line, on which bytes are lost, changed and added: whole messages out of it.

LHP/1 has no checksum, so a message is taken only where everything that can be checked fits: the
header, the length that its ranges or counts give, and what stands around it.

- Garbage is passed over up to the next header that a producer can send.
- A length that the message's own ranges contradict is noticed as soon as the ranges are there, so
  a changed length does not swallow what follows.
- A message from which bytes were lost takes the start of the next one for its own end.  So where
  the bytes of a message hold something like the start of another, it is taken only once the next
  header stands right behind it, or the line is quiet.
- A FRAME behind which something other than a header stands at once may have had bytes added to it,
  and is not taken; but whole lines of text may stand there, since what is left of a frame that was
  shifted by added bytes is hardly ever all printable and ended by a line feed.

What does not fit costs itself only: the search goes on one byte behind its start.  A bit that
changed inside a frame's data cannot be noticed.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator

from adapters.sources.pushed import lhp

__all__ = ["FEWEST_TEXT", "MAX_TEXT_LENGTH", "LineReceiver"]

FEWEST_TEXT = 4
MAX_TEXT_LENGTH = 4096
"""Bytes of text that may stand between a frame and the next message, line feeds included."""

_TEXT = re.compile(rb"[\t\n\r -~]*")
_SHOWN = 24
_START = lhp.MAGIC + bytes([lhp.VERSION])
_FRAME = struct.Struct(">IBBH")
_RANGE = struct.Struct(">II")
_LENGTHS: dict[int, tuple[int, int]] = {
    lhp.Type.HELLO: (14, 14 + lhp.MAX_NAME + lhp.MAX_TOKEN),
    lhp.Type.FRAME: (_FRAME.size + _RANGE.size + 1, lhp.MAX_PAYLOAD),
    lhp.Type.BYE: (0, 0),
    lhp.Type.PING: (0, lhp.MAX_PING),
}
"""The least and the most bytes of a payload, for each type that a producer sends."""


class LineReceiver:
    """Bytes in, (type, payload) out; ``lhp.decode`` takes every one of them.

    ``skipped`` counts bytes that belong to no message, and ``damaged`` headers behind which there
    was no message; ``reason`` says what was wrong with the last of these.
    """

    def __init__(self) -> None:
        self.skipped = 0
        self.damaged = 0
        self.reason = ""
        self._buffer = bytearray()
        self._need = 0

    @property
    def pending(self) -> int:
        """Bytes that are neither taken nor skipped."""
        return len(self._buffer)

    def receive(self, data: bytes) -> Iterator[tuple[int, bytes]]:
        """Add bytes; gives the messages that are certain."""
        self._buffer += data
        return self._messages(quiet=False)

    def quiet(self) -> Iterator[tuple[int, bytes]]:
        """For a moment nothing has come: gives a message that only waited for its successor."""
        return self._messages(quiet=True)

    def give_up(self) -> Iterator[tuple[int, bytes]]:
        """Nothing has come for long: what is not whole was cut off; gives what stands in it."""
        while self._buffer:
            before = len(self._buffer)
            yield from self._messages(quiet=True)
            if len(self._buffer) == before:
                self._damage("it was cut off")

    def _messages(self, *, quiet: bool) -> Iterator[tuple[int, bytes]]:
        buffer = self._buffer
        while len(buffer) >= self._need:
            self._skip(_next_start(buffer, 0))
            if len(buffer) < lhp.HEADER.size:
                return
            end = self._end()
            if end is None:
                return
            if end == 0:
                continue
            kind, payload = buffer[3], bytes(memoryview(buffer)[lhp.HEADER.size : end])
            verdict = self._neighbours(end, kind, quiet=quiet)
            if verdict is None and not quiet:
                return
            if verdict is False:
                continue
            try:
                lhp.decode(kind, payload)
            except lhp.LhpError as fault:
                self._damage(fault.text)
                continue
            self._need = 0
            del buffer[:end]
            yield kind, payload

    def _end(self) -> int | None:
        """Where the message at the start ends; None where more must come, 0 where it is none."""
        buffer = self._buffer
        kind, length = buffer[3], lhp.HEADER.unpack_from(buffer)[3]
        here = memoryview(buffer)[lhp.HEADER.size :]
        try:
            expected = _length(kind, here, length)
        finally:
            here.release()
        if expected is not None and expected != length:
            self._damage(f"expected a payload of {expected} bytes by its counts, found {length}")
            return 0
        end: int = lhp.HEADER.size + length
        if len(buffer) >= end:
            return end
        if expected is not None:
            # what the counts say does not change: look again only when all is there
            self._need = end
        return None

    def _neighbours(self, end: int, kind: int, *, quiet: bool) -> bool | None:
        """Whether what stands in and behind a message lets it be whole; None where that is open."""
        buffer = self._buffer
        if len(buffer) > end and _next_start(buffer, end) == end:
            return True
        if _next_start(buffer, 1) < end:
            if len(buffer) == end:
                return None
            self._damage("bytes of it are missing")
            return False
        if len(buffer) > end and kind == lhp.Type.FRAME:
            return self._follows(end, quiet=quiet)
        return True

    def _follows(self, end: int, *, quiet: bool) -> bool | None:
        """Whether a frame is whole behind which something else stands; None where that is open."""
        buffer = self._buffer
        start = _next_start(buffer, end)
        text = bytes(buffer[end : min(start, end + MAX_TEXT_LENGTH)])
        if not _TEXT.fullmatch(text):
            self._damage("what follows it is no message")
            return False
        if len(text) >= FEWEST_TEXT and text.endswith(b"\n") and (quiet or start < len(buffer)):
            return True
        if start == len(buffer) and len(text) < MAX_TEXT_LENGTH and not quiet:
            return None
        shown = text[:_SHOWN].decode("ascii").rstrip()
        self._damage(
            f'text stands right behind it ("{shown}…"): end each line of text with a line feed, or '
            "leave a pause of 20 ms before it"
        )
        return False

    def _damage(self, reason: str) -> None:
        self.damaged += 1
        self.reason = reason
        self._skip(1)

    def _skip(self, count: int) -> None:
        if count:
            self._need = 0
            self.skipped += count
            del self._buffer[:count]


def _next_start(buffer: bytearray, at: int) -> int:
    """Where, from *at* on, the first header stands that a producer can send, or the start of one.

    The buffer's length where there is none.
    """
    while True:
        at = buffer.find(_START[:1], at)
        if at < 0:
            return len(buffer)
        if _can_begin(bytes(buffer[at : at + lhp.HEADER.size])):
            return at
        at += 1


def _can_begin(head: bytes) -> bool:
    if not _START.startswith(head[:3]):
        return False
    if len(head) < 4:
        return True
    limits = _LENGTHS.get(head[3])
    if limits is None:
        return False
    if len(head) < lhp.HEADER.size:
        # the first bytes of the length bound it
        low = int.from_bytes(head[4:].ljust(4, b"\0"), "big")
        high = int.from_bytes(head[4:].ljust(4, b"\xff"), "big")
        return low <= limits[1] and high >= limits[0]
    return limits[0] <= int.from_bytes(head[4:], "big") <= limits[1]


def _length(kind: int, payload: memoryview, length: int) -> int | None:
    """What a payload's own counts say of its length; None where they are not all there yet.

    *length* is what its header says: counts that alone exceed it are not waited for.
    """
    if kind == lhp.Type.FRAME:
        if len(payload) < _FRAME.size:
            return None
        count: int = _FRAME.unpack_from(payload)[3]
        size = _FRAME.size + count * _RANGE.size
        if not 1 <= count <= lhp.MAX_RANGES:
            return 0
        if len(payload) < size:
            return None if size + count <= length else size + count
        for _, there in _RANGE.iter_unpack(payload[_FRAME.size : size]):
            size += there
        return size
    if kind == lhp.Type.HELLO:
        size = 10
        for _ in range(2):
            if len(payload) < size + 2:
                return None
            size += 2 + int.from_bytes(payload[size : size + 2], "big")
        return size
    return None
