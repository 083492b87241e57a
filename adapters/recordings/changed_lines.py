"""Which lines of a region differ between two frames.

Memory is compared in blocks by C's memcmp, which is as quick as memory can be read, and line by
line by numpy only where a block differs.  Both let other threads run meanwhile.
"""

from __future__ import annotations

import ctypes
import os
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from bridge.memory.address_map import LINE_SIZE, Span

__all__ = ["BLOCK", "Buffer", "Snapshot", "changed_lines"]

BLOCK = 64 << 10
"""Bytes that are compared at a time."""
_WORDS = LINE_SIZE // 8

_Bytes = NDArray[np.uint8]
Buffer = bytes | bytearray | memoryview


def changed_lines(start: int, before: Buffer, after: Buffer) -> list[tuple[Span, bytes]]:
    """The lines of *after* that differ from *before*, neighbours joined.

    Both are all bytes of a region that begins at guest address *start*.
    """
    if len(before) != len(after):
        raise ValueError(f"expected {len(before)} bytes, found {len(after)}")
    runs = _runs(_lines(_array(before), _array(after)), len(after))
    view = memoryview(after)
    return [(Span(start + a, b - a), bytes(view[a:b])) for a, b in runs]


class Snapshot:
    """Some memory's bytes as they were when they were last taken, in the source's byte order.

    *size* zeros at first.  What differs is found before it is known whether the frame is whole, so
    taking it is a step of its own.
    """

    def __init__(self, size: int) -> None:
        self._held = np.zeros(size, np.uint8)

    @property
    def size(self) -> int:
        """Bytes."""
        return len(self._held)

    def held(self) -> bytes:
        """All that is held."""
        return self._held.tobytes()

    def differing(self, now: Buffer, at: int = 0) -> list[tuple[int, bytes]]:
        """Offset and bytes of what *now*, which begins at offset *at*, has otherwise, in lines.

        *at* is the beginning of a line.
        """
        runs = _runs(_lines(self._held[at : at + len(now)], _array(now)), len(now))
        view = memoryview(now)
        return [(at + a, bytes(view[a:b])) for a, b in runs]

    def take(self, differing: Sequence[tuple[int, bytes]]) -> None:
        """From now on these bytes are held."""
        held = memoryview(self._held)  # type: ignore[arg-type]
        for offset, data in differing:
            held[offset : offset + len(data)] = data


def _array(data: Buffer) -> _Bytes:
    return np.frombuffer(data, np.uint8)


def _lines(before: _Bytes, after: _Bytes) -> NDArray[np.intp]:
    """The numbers of the lines that differ, in order."""
    size = len(after)
    a, b = before.ctypes.data, after.ctypes.data
    found: list[NDArray[np.intp]] = []
    for at in range(0, size, BLOCK):
        length = min(BLOCK, size - at)
        if _memcmp(a + at, b + at, length):
            found.append(at // LINE_SIZE + _in_block(before, after, at, length))
    return np.concatenate(found) if found else np.empty(0, np.intp)


def _in_block(before: _Bytes, after: _Bytes, at: int, length: int) -> NDArray[np.intp]:
    whole = length - length % LINE_SIZE
    x = before[at : at + whole].view(np.uint64).reshape(-1, _WORDS)
    y = after[at : at + whole].view(np.uint64).reshape(-1, _WORDS)
    lines = np.flatnonzero((x != y).any(axis=1))
    if whole < length and not np.array_equal(
        before[at + whole : at + length], after[at + whole : at + length]
    ):
        lines = np.append(lines, whole // LINE_SIZE)
    return lines


def _runs(lines: NDArray[np.intp], size: int) -> list[tuple[int, int]]:
    """Offsets of the first byte and the one behind the last of each row of neighbours."""
    if not len(lines):
        return []
    breaks = np.flatnonzero(np.diff(lines) != 1) + 1
    firsts = lines[np.concatenate(([0], breaks))] * LINE_SIZE
    lasts = (lines[np.concatenate((breaks - 1, [len(lines) - 1]))] + 1) * LINE_SIZE
    return [(int(a), min(int(b), size)) for a, b in zip(firsts, lasts, strict=True)]


# Windows keeps C's functions in a library with a name; elsewhere they are in the process itself
_memcmp = (ctypes.CDLL("msvcrt") if os.name == "nt" else ctypes.CDLL(None)).memcmp
_memcmp.argtypes = [ctypes.c_void_p, ctypes.c_void_p, ctypes.c_size_t]
_memcmp.restype = ctypes.c_int
