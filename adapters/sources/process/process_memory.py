"""Bytes of another process by Linux's ``process_vm_readv`` (process_vm_readv(2)).

One call takes many ranges.  A range that cannot be read ends the call early: it returns how many
bytes came before, and says nothing of the ranges behind.  Those are asked for again from the next
range on, so that only what cannot be read is missing.
"""

from __future__ import annotations

import ctypes
import errno
import functools
import os
from collections.abc import Callable, Sequence

__all__ = ["MAX_RANGES", "ProcessBytes", "Range"]

MAX_RANGES = 1024
"""Ranges in one call (IOV_MAX); one more is refused."""

Range = tuple[int, int]
"""A host address and a length in bytes."""


@functools.cache
def _process_vm_readv() -> Callable[..., int]:
    """The C library's function.  Raises OSError (ENOSYS) where it has none."""
    try:
        function = ctypes.CDLL(None, use_errno=True).process_vm_readv
    except (AttributeError, OSError, TypeError) as fault:
        raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS)) from fault
    size = ctypes.c_size_t
    function.argtypes = [
        *(ctypes.c_int, ctypes.c_void_p, ctypes.c_ulong, ctypes.c_void_p, ctypes.c_ulong),
        ctypes.c_ulong,
    ]
    function.restype = ctypes.c_ssize_t
    assert ctypes.sizeof(size) == ctypes.sizeof(ctypes.c_void_p)
    readv: Callable[..., int] = function
    return readv


class ProcessBytes:
    """Reads the memory of process ``pid``; never writes.  Not for use by two threads at a time."""

    def __init__(self, pid: int) -> None:
        self.pid = pid
        self._buffer = bytearray()
        self._buffer_at = 0

    def read(self, ranges: Sequence[Range]) -> list[bytes | None]:
        """The bytes of each range; None for one that cannot be read whole.

        Up to 1024 ranges are read in one call where all can be read.  Raises OSError:
        ProcessLookupError where the process is gone, PermissionError where the system forbids it.
        """
        parts: list[bytes | None] = []
        for first in range(0, len(ranges), MAX_RANGES):
            parts += self._batch(ranges[first : first + MAX_RANGES])
        return parts

    def read_into(self, address: int, into: memoryview) -> bool:
        """Fill *into* from *address* on; false where not all of it can be read.  Raises as read."""
        remote = (ctypes.c_size_t * 2)(address, len(into))
        local = ctypes.addressof(ctypes.c_char.from_buffer(into))
        return self._vector(local, len(into), ctypes.addressof(remote), 1) == len(into)

    def close(self) -> None:
        """Nothing is held of the process."""

    def _batch(self, ranges: Sequence[Range]) -> list[bytes | None]:
        count = len(ranges)
        flat = [number for pair in ranges for number in pair]
        remote = (ctypes.c_size_t * (2 * count))(*flat)
        remote_at = ctypes.addressof(remote)
        iovec = 2 * ctypes.sizeof(ctypes.c_size_t)
        total = sum(flat[1::2])
        self._make_room(total)
        view = memoryview(self._buffer)
        parts: list[bytes | None] = []
        at = 0
        while len(parts) < count:
            done = len(parts)
            got = self._call(at, total - at, remote_at + done * iovec, count - done)
            end = at + got
            for _, length in ranges[done:] if done else ranges:
                if at + length > end:
                    break
                parts.append(bytes(view[at : at + length]))
                at += length
            if len(parts) < count:
                # the call ended in this range
                at += ranges[len(parts)][1]
                parts.append(None)
        return parts

    def _make_room(self, length: int) -> None:
        if len(self._buffer) < length or not self._buffer:
            self._buffer = bytearray(max(length, 1 << 16))
            self._buffer_at = ctypes.addressof(ctypes.c_char.from_buffer(self._buffer))

    def _call(self, at: int, room: int, remote_at: int, count: int) -> int:
        """How many bytes came; 0 where the first range cannot be read."""
        return self._vector(self._buffer_at + at, room, remote_at, count)

    def _vector(self, into: int, room: int, remote_at: int, count: int) -> int:
        local = (ctypes.c_size_t * 2)(into, room)
        got = _process_vm_readv()(self.pid, ctypes.addressof(local), 1, remote_at, count, 0)
        if got >= 0:
            return got
        number = ctypes.get_errno()
        if number == errno.EFAULT:
            return 0
        raise OSError(number, os.strerror(number))
