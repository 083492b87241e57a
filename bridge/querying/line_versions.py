"""The memory of many frames at once: for each line what it was at first, and each change of it.

A read names a flat index for every frame.  Which version of a line a frame sees is found by
bisection among the line's changes, so nothing is copied for frames that changed nothing.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bridge.memory.address_map import LINE_SHIFT, LINE_SIZE
from bridge.querying.known_memory import KnownMemory
from bridge.querying.rows import Bools
from bridge.querying.stretch import Ints, Spans

__all__ = ["Bytes", "LineVersions"]

Bytes = NDArray[np.uint8]
_IN_LINE = LINE_SIZE - 1
_WHOLE_LINE = np.arange(LINE_SIZE)


class LineVersions:
    """The memory of *count* frames: *memory* is that before the first of them.

    *parts*, whose bytes stand in *data*, and *gone* are what the frames changed, by flat index.
    With *lines*, a flag for each, the others are not looked at and must not be read.
    """

    def __init__(
        self,
        memory: KnownMemory,
        parts: Spans,
        gone: Spans,
        data: Bytes,
        count: int,
        lines: Bools | None = None,
    ) -> None:
        self._memory = memory
        self._count = count
        self._frames = np.arange(count)
        self._data = data
        self._known: Bytes | None = None
        self._fixed: dict[int, Ints] = {}
        frame, line, start, stop, offset = _by_line(parts, lines)
        is_gone = np.zeros(len(line), np.bool_)
        if len(gone):
            further = _by_line(gone, lines)
            joined = [
                np.concatenate(each)
                for each in zip((frame, line, start, stop, offset), further, strict=True)
            ]
            frame, line, start, stop, offset = joined
            is_gone = np.arange(len(line)) >= len(is_gone)
        key = line * count + frame
        # of one frame what is gone comes behind what has come
        order = np.argsort(key, kind="stable")
        self._key, self._line = key[order], line[order]
        self._at = offset[order]
        pieces = np.flatnonzero(is_gone[order] | (stop - start != LINE_SIZE)[order])
        if not memory.complete or len(gone):
            self._known = np.ones(len(data) + len(pieces) * LINE_SIZE, np.uint8)
        if len(pieces):
            self._compose(pieces, start[order], stop[order], is_gone[order])

    def _compose(self, pieces: Ints, start: Ints, stop: Ints, is_gone: Bools) -> None:
        """Make whole lines of versions that are only a part of one, upon the version before."""
        size = len(self._data)
        data = np.concatenate([self._data, np.empty(len(pieces) * LINE_SIZE, np.uint8)])
        known, at = self._known, self._at
        for place, piece in enumerate(pieces.tolist()):
            line, came = int(self._line[piece]), int(at[piece])
            begin, end = size + place * LINE_SIZE, size + (place + 1) * LINE_SIZE
            if piece and self._line[piece - 1] == line:
                before = int(at[piece - 1])
                data[begin:end] = data[before : before + LINE_SIZE]
                if known is not None:
                    known[begin:end] = known[before : before + LINE_SIZE]
            else:
                of_line = slice(line << LINE_SHIFT, (line + 1) << LINE_SHIFT)
                data[begin:end] = self._memory.data[of_line]
                if known is not None:
                    known[begin:end] = self._memory.known[of_line]
            first = begin + int(start[piece]) - (line << LINE_SHIFT)
            last = begin + int(stop[piece]) - (line << LINE_SHIFT)
            if not is_gone[piece]:
                data[first:last] = data[came : came + last - first]
            if known is not None:
                known[first:last] = not is_gone[piece]
            at[piece] = begin
        self._data = data

    def read(self, flat: int | Ints, size: int) -> tuple[Bytes, Bools | None]:
        """*size* bytes in each frame, and whether all of them are known (None: they always are).

        *flat* is the same in all frames, or an index a frame; all are inside the memory.
        """
        inner = flat & _IN_LINE
        if np.max(inner, initial=0) + size > LINE_SIZE:
            return self._over_lines(flat, size)
        at = self._places(flat)
        index = np.where(at < 0, 0, at) + inner
        first = at < 0
        span = np.arange(size)
        all_first = bool(first.all())
        if all_first and isinstance(flat, int):
            mine = self._memory.data[flat : flat + size]
            found = np.repeat(mine[None], self._count, axis=0)
        elif all_first:
            found = self._memory.data[np.asarray(flat)[:, None] + span]
        else:
            found = self._data[index[:, None] + span]
            found[first] = self._first(self._memory.data, flat, first, span)
        if self._known is None:
            return found, None
        if all_first:
            known = np.empty((self._count, size), np.uint8)
        else:
            known = self._known[index[:, None] + span]
        known[first] = self._first(self._memory.known, flat, first, span)
        return found, np.asarray(known.all(axis=1))

    @staticmethod
    def _first(data: Bytes, flat: int | Ints, first: Bools, span: Ints) -> Bytes:
        """Bytes of the memory before the stretch, for the frames that see them."""
        if isinstance(flat, int):
            return data[flat : flat + len(span)]
        found: Bytes = data[flat[first][:, None] + span]
        return found

    def _over_lines(self, flat: int | Ints, size: int) -> tuple[Bytes, Bools | None]:
        """The same where some accesses go over the end of a line."""
        step = 1
        if isinstance(flat, int):
            pieces = []
            at = flat
            while at < flat + size:
                step = min(flat + size - at, LINE_SIZE - (at & _IN_LINE))
                pieces.append(self.read(at, step))
                at += step
        else:
            pieces = [self.read(flat + place, 1) for place in range(size)]
        known: Bools | None = None
        for _, of_piece in pieces:
            if of_piece is not None:
                known = of_piece if known is None else known & of_piece
        return np.concatenate([data for data, _ in pieces], axis=1), known

    def _places(self, flat: int | Ints) -> Ints:
        """Where the version of the line stands that each frame sees; below 0 for the first one."""
        key, count = self._key, self._count
        if isinstance(flat, int):
            line = flat >> LINE_SHIFT
            found = self._fixed.get(line)
            if found is None:
                found = self._fixed[line] = self._of_lines(np.full(count, line, np.int64))
            return found
        if not len(key):
            return np.full(count, -1, np.int64)
        return self._of_lines(flat >> LINE_SHIFT)

    def _of_lines(self, lines: Ints) -> Ints:
        if not len(self._key):
            return np.full(self._count, -1, np.int64)
        begin = lines * self._count
        place = np.searchsorted(self._key, begin + self._frames, "right") - 1
        seen = (place >= 0) & (self._key[place] >= begin)
        return np.where(seen, self._at[place], -1)

    def finish(self) -> None:
        """Bring the memory to the last of the frames: of the lines that are looked at."""
        line = self._line
        if not len(line):
            return
        last = np.flatnonzero(np.append(line[1:] != line[:-1], True))
        index = self._at[last][:, None] + _WHOLE_LINE
        self._memory.data.reshape(-1, LINE_SIZE)[line[last]] = self._data[index]
        if self._known is not None:
            self._memory.known.reshape(-1, LINE_SIZE)[line[last]] = self._known[index]
            self._memory.complete = bool(self._memory.known.all())


def _by_line(spans: Spans, lines: Bools | None) -> tuple[Ints, Ints, Ints, Ints, Ints]:
    """Frame, line, begin and end (flat indices) and offset of the bytes of each piece of a line."""
    end = spans.at + spans.length
    first = spans.at >> LINE_SHIFT
    counts = ((end - 1) >> LINE_SHIFT) - first + 1
    owner = np.repeat(np.arange(len(spans)), counts)
    line = first[owner] + np.arange(len(owner)) - (np.cumsum(counts) - counts)[owner]
    if lines is not None:
        wanted = np.flatnonzero(lines[line])
        owner, line = owner[wanted], line[wanted]
    flat = spans.at[owner]
    start = np.maximum(flat, line << LINE_SHIFT)
    stop = np.minimum(end[owner], (line + 1) << LINE_SHIFT)
    return spans.frame[owner], line, start, stop, spans.data[owner] + start - flat
