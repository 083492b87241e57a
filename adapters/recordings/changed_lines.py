"""Which lines of a region differ between two frames.

Memory is compared in blocks by C's memcmp, which is as quick as memory can be read, then in pages
where a block differs, and line by line by numpy where a page does.  Other threads run meanwhile.
"""

from __future__ import annotations

import ctypes
import os
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from bridge.memory.address_map import LINE_SIZE, Span

__all__ = ["BLOCK", "Buffer", "Parts", "Snapshot", "changed_lines", "least", "runs_of_lines"]

BLOCK = 64 << 10
"""Bytes that are compared at a time."""
_PART, _PAGE = 16 << 10, 4 << 10
_PAGES = 64
"""Pages of which the lines are compared at a time: no more than caches hold."""
_PAGE_LINES = _PAGE // LINE_SIZE
_WORDS = LINE_SIZE // 8
_SPAN_SIZE = 12
"""Bytes that telling of a span takes."""
_GAP = 2
"""Words that are alike between two runs, up to which these are told as one."""

_Bytes = NDArray[np.uint8]
_Lines = NDArray[np.intp]
_LINES = np.arange(_PAGE_LINES)
Buffer = bytes | bytearray | memoryview
Parts = Sequence[tuple[Span, bytes | memoryview]]
"""Memory: spans of guest addresses and their bytes."""


def changed_lines(start: int, before: Buffer, after: Buffer) -> list[tuple[Span, bytes]]:
    """The lines of *after* that differ from *before*, neighbours joined.

    Both are all bytes of a region that begins at guest address *start*.
    """
    if len(before) != len(after):
        raise ValueError(f"expected {len(before)} bytes, found {len(after)}")
    found = list(_differing(_array(before), _array(after)))
    runs = runs_of_lines(np.concatenate(found) if found else _LINES[:0], len(after))
    view = memoryview(after)
    return [(Span(start + a, b - a), bytes(view[a:b])) for a, b in runs]


def least(parts: Parts, before: Sequence[Buffer | None]) -> list[tuple[Span, bytes | memoryview]]:
    """Of each part no more than the bytes that differ from those *before*, where that is much less.

    A line has much that stays; within a second it is written many times.  Parts of which not all
    is known before are left as they are.  What is told is runs of 8 bytes or more, so far apart
    that it pays to tell of each of them.
    """
    known = [
        index
        for index, (part, old) in enumerate(zip(parts, before, strict=True))
        if old is not None and len(part[1]) % 8 == 0
    ]
    kept: list[list[tuple[Span, bytes | memoryview]]] = [[part] for part in parts]
    lengths = np.array([len(parts[index][1]) // 8 for index in known], np.intp)
    # all parts at once: there are many small ones
    new = np.frombuffer(b"".join(parts[index][1] for index in known), np.uint64)
    old = np.frombuffer(b"".join(before[index] or b"" for index in known), np.uint64)
    words = np.flatnonzero(new != old)
    ends = np.cumsum(lengths)
    places = np.searchsorted(ends, words, "right")
    if len(words):
        apart = (words[1:] - words[:-1] > _GAP) | (places[1:] != places[:-1])
        breaks = np.flatnonzero(apart) + 1
        begin = np.concatenate(([0], breaks))
        firsts, stops = words[begin], words[np.concatenate((breaks, [len(words)])) - 1] + 1
        places = places[begin]
    else:
        firsts = stops = words
    told = np.bincount(places, 8 * (stops - firsts) + _SPAN_SIZE, len(known))
    much = 2 * told >= 8 * lengths
    for place, index in enumerate(known):
        if not much[place]:
            kept[index] = []
    few = np.flatnonzero(~much[places])
    starts = (ends - lengths)[places]
    runs = zip(*(x[few].tolist() for x in (places, firsts - starts, stops - starts)), strict=True)
    for place, first, stop in runs:
        span, data = parts[known[place]]
        some = memoryview(data)[8 * first : 8 * stop]
        kept[known[place]].append((Span(span.address + 8 * first, len(some)), some))
    return [part for some in kept for part in some]


class Snapshot:
    """*size* bytes as they were when they were last looked at, and which lines of them are owed.

    A line is owed once it was found otherwise than before, and until :meth:`settle`; at first all
    are.  So a look that turns out not to be of a whole frame is not in vain: the next one finds
    less that has changed.
    """

    def __init__(self, size: int) -> None:
        self._held = np.zeros(size, np.uint8)
        self._owed = np.ones(-(-size // LINE_SIZE), np.bool_)

    def look(self, now: Buffer, at: int = 0) -> None:
        """*now* are the bytes from offset *at* on, where a line begins.

        They may change meanwhile: what is held of them is what was compared.
        """
        held = self._held[at : at + len(now)]
        for lines in _differing(held, _array(now), keep=True):
            self._owed[at // LINE_SIZE + lines] = True

    def owe(self, offset: int, length: int) -> None:
        """Lines are owed, whatever a look finds."""
        self._owed[offset // LINE_SIZE : -(-(offset + length) // LINE_SIZE)] = True

    def owed(self) -> list[tuple[int, bytes]]:
        """Offset and bytes of each run of lines that are owed."""
        view = memoryview(self._held)  # type: ignore[arg-type]
        runs = runs_of_lines(np.flatnonzero(self._owed), len(self._held))
        return [(a, bytes(view[a:b])) for a, b in runs]

    @property
    def owed_lines(self) -> int:
        """How many lines are owed."""
        return int(np.count_nonzero(self._owed))

    def settle(self) -> None:
        """No line is owed any more."""
        self._owed[:] = False


def _array(data: Buffer) -> _Bytes:
    return np.frombuffer(data, np.uint8)


def _differing(before: _Bytes, after: _Bytes, *, keep: bool = False) -> Iterator[_Lines]:
    """The numbers of the lines that differ, in rising order.

    Where they are to be *kept*, *before* becomes what *after* was as it was compared: that may
    change meanwhile.
    """
    whole = len(after) - len(after) % _PAGE
    pages = _pages(before[:whole], after[:whole])
    old, new = (each[:whole].reshape(-1, _PAGE) for each in (before, after))
    for first in range(0, len(pages), _PAGES):
        some = np.array(pages[first : first + _PAGES], np.intp)
        page = new[some]
        differ = _words(page) != _words(old[some])
        yield (some[:, np.newaxis] * _PAGE_LINES + _LINES)[differ.any(axis=2)]
        if keep:
            old[some] = page
    for at in range(whole, len(after), LINE_SIZE):
        line = after[at : at + LINE_SIZE].tobytes()
        if before[at : at + LINE_SIZE].tobytes() != line:
            yield np.array([at // LINE_SIZE], np.intp)
            if keep:
                before[at : at + LINE_SIZE] = _array(line)


def _pages(before: _Bytes, after: _Bytes) -> list[int]:
    """The numbers of the pages that differ."""
    a, b = before.ctypes.data, after.ctypes.data
    size = len(after)
    return [
        page // _PAGE
        for at in range(0, size, BLOCK)
        if _memcmp(a + at, b + at, min(BLOCK, size - at))
        for part in range(at, min(at + BLOCK, size), _PART)
        if _memcmp(a + part, b + part, min(_PART, size - part))
        for page in range(part, min(part + _PART, size), _PAGE)
        if _memcmp(a + page, b + page, _PAGE)
    ]


def _words(pages: _Bytes) -> NDArray[np.uint64]:
    return pages.view(np.uint64).reshape(-1, _PAGE_LINES, _WORDS)


def runs_of_lines(lines: _Lines, size: int) -> list[tuple[int, int]]:
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
