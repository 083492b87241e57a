"""A region's bytes of which only some are there.

What was never written is never served, and so never turns to zeros.  Lines that are whole take one
flag each; only lines that are partly there keep a flag a byte.
"""

from __future__ import annotations

from bridge.memory import LINE_SHIFT, LINE_SIZE


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

    def read(self, offset: int, length: int) -> bytes | None:
        """The bytes, or None where any byte of a line that they touch is not there."""
        end = offset + length
        if offset < 0 or end > self.size or length < 1:
            return None
        first, last = offset >> LINE_SHIFT, -(-end >> LINE_SHIFT)
        if self.whole.find(0, first, last) >= 0:
            return None
        return bytes(memoryview(self.data)[offset:end])

    def _mark(self, line: int, offset: int, end: int) -> None:
        start = line << LINE_SHIFT
        length = min(LINE_SIZE, self.size - start)
        there = self._partly.setdefault(line, bytearray(length))
        low, high = max(0, offset - start), min(length, end - start)
        there[low:high] = b"\1" * (high - low)
        if 0 not in there:
            del self._partly[line]
            self.whole[line] = 1
