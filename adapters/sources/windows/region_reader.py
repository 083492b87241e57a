"""Bytes of a process by ReadProcessMemory, out of pages that may be read.

One call reads one range, and fails as a whole where any of its bytes cannot be read
(ERROR_PARTIAL_COPY, 299).  So near ranges are read by one call, and where that cannot be, the half
of them, down to each of them by itself.

What may be read is asked before each batch: a read takes the guard from a guard page, and with it
what the program had it for.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator, Sequence

from adapters.sources.windows.kernel32 import Handle, Kernel32, runs
from adapters.sources.windows.structures import MemoryRegion

__all__ = ["MAX_GAP", "MAX_GROUP", "RegionReader"]

MAX_GAP = 0x1000
"""Bytes between two ranges that are read too, since a call costs more than they do."""
MAX_GROUP = 1 << 20


class RegionReader:
    """Reads the memory of process ``pid``; never writes.  Not for use by two threads at a time."""

    def __init__(self, kernel32: Kernel32, process: Handle | int, pid: int) -> None:
        """*process* is its handle, which is kept open with this, or a number that needs not be."""
        self.pid = pid
        self._kernel32 = kernel32
        self._kept = process
        self._handle = process.number if isinstance(process, Handle) else process
        self._region: MemoryRegion | None = None

    def read(self, ranges: Sequence[tuple[int, int]]) -> list[bytes | None]:
        """The bytes of each (address, length); None for one that cannot be read whole.

        Raises OSError: ProcessLookupError where the process is gone.
        """
        self._region = None
        parts = [part for group in _near(ranges) for part in self._group(group)]
        if None in parts and not runs(self._kernel32, self._handle):
            raise ProcessLookupError(errno.ESRCH, os.strerror(errno.ESRCH))
        return parts

    def read_into(self, address: int, into: memoryview) -> bool:
        """Fill *into* from *address* on; false where not all of it can be read.  Raises as read."""
        (data,) = self.read([(address, len(into))])
        if data is not None:
            into[:] = data
        return data is not None

    def close(self) -> None:
        """Let go of the process; harmless the second time."""
        if isinstance(self._kept, Handle):
            self._kept.close()

    def _group(self, ranges: Sequence[tuple[int, int]]) -> list[bytes | None]:
        low = ranges[0][0]
        end = max(at + length for at, length in ranges)
        if self._may_read(low, end):
            data = self._kernel32.read(self._handle, low, end - low)
            if data is not None:
                return [data[at - low : at - low + length] for at, length in ranges]
        if len(ranges) == 1:
            return [None]
        half = len(ranges) // 2
        return self._group(ranges[:half]) + self._group(ranges[half:])

    def _may_read(self, low: int, end: int) -> bool:
        while low < end:
            region = self._region
            if region is None or not region.start <= low < region.end:
                region = self._region = self._kernel32.query(self._handle, low)
            if region is None or not region.readable:
                return False
            low = region.end
        return True


def _near(ranges: Sequence[tuple[int, int]]) -> Iterator[Sequence[tuple[int, int]]]:
    """Runs of ranges, each of which begins in or soon behind those before it."""
    first, end = 0, -1
    for index, (at, length) in enumerate(ranges):
        if index > first:
            low = ranges[first][0]
            if not low <= at <= end + MAX_GAP or max(end, at + length) - low > MAX_GROUP:
                yield ranges[first:index]
                first, end = index, -1
        end = max(end, at + length)
    if ranges:
        yield ranges[first:]
