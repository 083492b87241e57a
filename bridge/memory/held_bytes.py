"""Bytes of a region of which only some are there.

What was never written is never served, and so never turns to zeros.  Lines that are whole take one
flag each; only lines that are partly there keep a flag a byte.
"""

from __future__ import annotations

from bridge.memory.address_map import LINE_SHIFT, LINE_SIZE
from bridge.memory.fetched import Part, Partial

__all__ = ["HeldBytes"]


class HeldBytes:
    """*size* bytes, none of them there at first."""

    def __init__(self, size: int) -> None:
        self.size = size
        self.data = bytearray(size)
        self.whole = bytearray(-(-size // LINE_SIZE))
        """A flag a line: 1 where every byte of it is there."""
        self._partly: dict[int, bytearray] = {}

    def write(self, offset: int, data: bytes | memoryview) -> None:
        """Put bytes at *offset*; raises ValueError where they leave the region."""
        end = offset + len(data)
        if offset < 0 or end > self.size:
            raise ValueError(f"{offset} to {end} is outside 0 to {self.size}")
        if not data:
            return
        self.data[offset:end] = data
        first = -(-offset >> LINE_SHIFT)
        last = len(self.whole) if end == self.size else end >> LINE_SHIFT
        if first < last:
            self.whole[first:last] = b"\1" * (last - first)
        for line in {offset >> LINE_SHIFT, (end - 1) >> LINE_SHIFT}:
            if not self.whole[line]:
                self._mark(line, offset, end)

    def drop(self, offset: int, length: int) -> None:
        """Bytes that are there no more; raises ValueError where they leave the region."""
        end = offset + length
        if offset < 0 or end > self.size:
            raise ValueError(f"{offset} to {end} is outside 0 to {self.size}")
        for line in range(offset >> LINE_SHIFT, -(-end >> LINE_SHIFT)):
            start = line << LINE_SHIFT
            there = bytearray(self.there(line))
            low, high = max(0, offset - start), min(len(there), end - start)
            there[low:high] = bytes(high - low)
            self.whole[line] = 0
            self._partly.pop(line, None)
            if 1 in there:
                self._partly[line] = there

    def read(self, offset: int, length: int) -> Part:
        """The bytes, those of them that are there, or None where none is."""
        end = offset + length
        if offset < 0 or end > self.size or length < 1:
            return None
        first, last = offset >> LINE_SHIFT, -(-end >> LINE_SHIFT)
        data = bytes(memoryview(self.data)[offset:end])
        if self.whole.find(0, first, last) < 0:
            return data
        there = b"".join(self.there(line) for line in range(first, last))
        held = there[offset - (first << LINE_SHIFT) :][:length]
        if 1 not in held:
            return None
        return Partial(data, held) if 0 in held else data

    def there(self, line: int) -> bytes:
        """A flag a byte of a line: 1 where it is there."""
        length = min(LINE_SIZE, self.size - (line << LINE_SHIFT))
        if self.whole[line]:
            return b"\1" * length
        return bytes(self._partly.get(line) or length)

    def _mark(self, line: int, offset: int, end: int) -> None:
        start = line << LINE_SHIFT
        length = min(LINE_SIZE, self.size - start)
        there = self._partly.setdefault(line, bytearray(length))
        low, high = max(0, offset - start), min(length, end - start)
        there[low:high] = b"\1" * (high - low)
        if 0 not in there:
            del self._partly[line]
            self.whole[line] = 1
