"""The memory of many frames at once: what it was at first, and each change of it.

A read names a flat index for every frame.  Which version a frame sees is found by bisection among
the changes, so nothing is copied for frames that changed nothing.  Changes are kept by *unit*:
those of whole lines by line, all others by words of 8 bytes; a frame sees the later one of both.

A change has a *stamp*, its place in the order of all.  A frame sees those below a limit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.memory.address_map import LINE_SHIFT, LINE_SIZE
from bridge.querying.known_memory import KnownMemory
from bridge.querying.rows import Bools
from bridge.querying.stretch import Ints, Spans

__all__ = ["Bytes", "MemoryVersions"]

Bytes = NDArray[np.uint8]
_WORD_SHIFT = 3
_WORD = 1 << _WORD_SHIFT
_IN_WORD = _WORD - 1


@dataclass(frozen=True, slots=True)
class _Changes:
    """Changes: flat index of the first byte and of the one behind the last, and where the bytes
    stand in the data.  Of what is ``gone`` there are none."""

    stamp: Ints
    begin: Ints
    end: Ints
    data: Ints
    gone: Bools

    def where(self, chosen: Ints | Bools) -> _Changes:
        stamp, begin, end = self.stamp[chosen], self.begin[chosen], self.end[chosen]
        return _Changes(stamp, begin, end, self.data[chosen], self.gone[chosen])

    def cut(self, begin: Ints, end: Ints) -> _Changes:
        """Of each the part from *begin* to *end*."""
        # all of what is gone stands for one place
        data = self.data + np.where(self.gone, 0, begin - self.begin)
        return _Changes(self.stamp, begin, end, data, self.gone)


class _Units:
    """Versions of units of ``1 << shift`` bytes, by unit and stamp."""

    def __init__(self, shift: int, unit: Ints, changes: _Changes, stamps: int) -> None:
        key = unit * stamps + changes.stamp
        order = np.argsort(key, kind="stable")
        self.shift = shift
        self.key, self.unit = key[order], unit[order]
        self.changes = changes.where(order)
        self.at = self.changes.data + (self.unit << shift) - self.changes.begin
        self._stamps = stamps

    def seen(self, flat: Ints, limit: Ints) -> tuple[Ints, Ints]:
        """Where the version of a unit stands that is seen at a limit, and its stamp; else -1."""
        if not len(self.key):
            none = np.full(len(flat), -1, np.int64)
            return none, none
        first = (flat >> self.shift) * self._stamps
        place = np.searchsorted(self.key, first + limit) - 1
        there = (place >= 0) & (self.key[place] >= first)
        return (
            np.where(there, self.at[place], -1),
            np.where(there, self.changes.stamp[place], -1),
        )

    def last(self) -> Ints:
        """Which of the versions are the last ones of their units."""
        unit = self.unit
        return np.flatnonzero(np.append(unit[1:] != unit[:-1], True)) if len(unit) else unit


class MemoryVersions:
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
        self._data = data
        self._known: Bytes | None = None
        self._fixed: dict[int, Ints] = {}
        if lines is not None:
            parts, gone = _of_lines(parts, lines), _of_lines(gone, lines)
        changes, self._limit = _in_order(parts, gone, count)
        if not memory.complete or len(gone):
            self._without_some(changes)
        stamps = len(changes.stamp) + 1
        whole, others = _by_unit(changes, lines)
        self._lines = _Units(LINE_SHIFT, whole.begin >> LINE_SHIFT, whole, stamps)
        words = others.begin >> _WORD_SHIFT
        self._words = _Units(_WORD_SHIFT, words, others, stamps)
        pieces = self._words.changes
        ragged = np.flatnonzero(pieces.end - pieces.begin != _WORD)
        if len(ragged):
            self._fill(ragged)

    def _without_some(self, changes: _Changes) -> None:
        """Keep account of what is known: what is gone are bytes behind the others that are not."""
        size = len(self._data)
        nothing = np.zeros(LINE_SIZE, np.uint8)
        self._data = np.concatenate([self._data, nothing])
        self._known = np.concatenate([np.ones(size, np.uint8), nothing])
        gone = changes.gone
        # a change of what is gone may be longer, but is cut to units before it is read
        changes.data[gone] = size

    def _fill(self, ragged: Ints) -> None:
        """Make whole words of versions that are only a part of one, upon the version before."""
        words, size = self._words, len(self._data)
        pieces = words.changes
        data = np.concatenate([self._data, np.empty(len(ragged) * _WORD, np.uint8)])
        known = self._known
        if known is not None:
            known = np.concatenate([known, np.empty(len(ragged) * _WORD, np.uint8)])
        for number, place in enumerate(ragged.tolist()):
            flat = int(words.unit[place]) << _WORD_SHIFT
            stamp = int(pieces.stamp[place])
            at = size + number * _WORD
            before = int(self._at(np.array([flat], np.int64), np.array([stamp], np.int64))[0])
            mine = slice(at, at + _WORD)
            there = slice(flat, flat + _WORD) if before < 0 else slice(before, before + _WORD)
            data[mine] = self._memory.data[there] if before < 0 else data[there]
            if known is not None:
                known[mine] = self._memory.known[there] if before < 0 else known[there]
            first, last = int(pieces.begin[place]) - flat + at, int(pieces.end[place]) - flat + at
            if not pieces.gone[place]:
                came = int(pieces.data[place])
                data[first:last] = data[came : came + last - first]
            if known is not None:
                known[first:last] = not pieces.gone[place]
            words.at[place] = at
        self._data, self._known = data, known

    # reading

    def read(self, flat: int | Ints, size: int) -> tuple[Bytes, Bools | None]:
        """*size* bytes in each frame, and whether all of them are known (None: they always are).

        *flat* is the same in all frames, or an index a frame; all are inside the memory.
        """
        inner = flat & _IN_WORD
        if np.max(inner, initial=0) + size > _WORD:
            return self._over_words(flat, size)
        span = np.arange(size)
        at = self._places(flat)
        first = at < 0
        index = np.where(first, 0, at + inner)[:, None] + span
        mine = np.broadcast_to(np.asarray(flat), (self._count,))[first][:, None] + span
        found = self._data[index] if len(self._data) else np.empty((self._count, size), np.uint8)
        found[first] = self._memory.data[mine]
        if self._known is None:
            return found, None
        known = self._known[index]
        known[first] = self._memory.known[mine]
        return found, np.asarray(known.all(axis=1))

    def _over_words(self, flat: int | Ints, size: int) -> tuple[Bytes, Bools | None]:
        """The same where some accesses go over the end of a word."""
        pieces = []
        done = 0
        while done < size:
            step = 1
            if isinstance(flat, int):
                step = min(size - done, _WORD - (flat + done & _IN_WORD))
            elif not ((flat + done) & _IN_WORD).any():
                step = min(size - done, _WORD)
            pieces.append(self.read(flat + done, step))
            done += step
        known: Bools | None = None
        for _, of_piece in pieces:
            if of_piece is not None:
                known = of_piece if known is None else known & of_piece
        return np.concatenate([data for data, _ in pieces], axis=1), known

    def _places(self, flat: int | Ints) -> Ints:
        """Where the version of the word stands that each frame sees; below 0 for the first one."""
        if not isinstance(flat, int):
            return self._at(flat & ~_IN_WORD, self._limit)
        word = flat & ~_IN_WORD
        found = self._fixed.get(word)
        if found is None:
            # not numpy's own choice, which on Windows has 32 bits before numpy 2
            found = self._at(np.full(self._count, word, np.int64), self._limit)
            self._fixed[word] = found
        return found

    def _at(self, word: Ints, limit: Ints) -> Ints:
        """Where the version of the word at a flat index stands that is seen at a limit."""
        at, stamp = self._words.seen(word, limit)
        if not len(self._lines.key):
            return at
        of_line, line_stamp = self._lines.seen(word, limit)
        return np.where(line_stamp > stamp, of_line + (word & LINE_SIZE - 1), at)

    def finish(self) -> None:
        """Bring the memory to the last of the frames: of the lines that are looked at."""
        lines, words = self._lines, self._words
        last = lines.last()
        if len(last):
            self._lay(LINE_SIZE, lines.unit[last], lines.at[last])
        last = words.last()
        if len(last):
            flat = words.unit[last] << _WORD_SHIFT
            _, stamp = lines.seen(flat, np.full(len(last), self._limit[-1], np.int64))
            newer = words.changes.stamp[last] > stamp
            self._lay(_WORD, words.unit[last][newer], words.at[last][newer])
        if self._known is not None:
            self._memory.complete = bool(self._memory.known.all())

    def _lay(self, size: int, unit: Ints, at: Ints) -> None:
        index = at[:, None] + np.arange(size)
        self._memory.data.reshape(-1, size)[unit] = self._data[index]
        if self._known is not None:
            self._memory.known.reshape(-1, size)[unit] = self._known[index]


def _of_lines(spans: Spans, lines: Bools) -> Spans:
    """Those that touch one of some lines."""
    if not len(spans):
        return spans
    before = np.concatenate([[0], np.cumsum(lines)])
    first, behind = spans.at >> LINE_SHIFT, (spans.at + spans.length - 1 >> LINE_SHIFT) + 1
    return spans.where(np.flatnonzero(before[behind] > before[first]))


def _in_order(parts: Spans, gone: Spans, count: int) -> tuple[_Changes, Ints]:
    """All changes in order, and the limit of each frame: of one what is gone comes last."""
    if not len(gone):
        stamps = np.arange(len(parts))
        none = np.zeros(len(parts), np.bool_)
        changes = _Changes(stamps, parts.at, parts.at + parts.length, parts.data, none)
        return changes, np.searchsorted(parts.frame, np.arange(count), "right")
    frame = np.concatenate([parts.frame, gone.frame])
    order = np.argsort(frame, kind="stable")
    at = np.concatenate([parts.at, gone.at])[order]
    length = np.concatenate([parts.length, gone.length])[order]
    data = np.concatenate([parts.data, gone.data])[order]
    is_gone = np.arange(len(frame))[order] >= len(parts)
    changes = _Changes(np.arange(len(frame)), at, at + length, data, is_gone)
    return changes, np.searchsorted(frame[order], np.arange(count), "right")


def _by_unit(changes: _Changes, lines: Bools | None) -> tuple[_Changes, _Changes]:
    """The changes of whole lines, a line each, and the others, a word each."""
    begin, end = changes.begin, changes.end
    first = np.minimum((begin + LINE_SIZE - 1) >> LINE_SHIFT << LINE_SHIFT, end)
    last = np.maximum(end >> LINE_SHIFT << LINE_SHIFT, first)
    # where no line is whole, all of it comes before the first
    first = np.where(first == last, end, first)
    last = np.where(first == end, end, last)
    whole = _split(changes.cut(first, last), LINE_SHIFT)
    if not len(whole.stamp):
        others = _split(changes, _WORD_SHIFT)
    else:
        before = _split(changes.cut(begin, first), _WORD_SHIFT)
        behind = _split(changes.cut(last, end), _WORD_SHIFT)
        others = _Changes(
            *(
                np.concatenate([getattr(before, name), getattr(behind, name)])
                for name in ("stamp", "begin", "end", "data", "gone")
            )
        )
    if lines is not None:
        whole = whole.where(lines[whole.begin >> LINE_SHIFT])
        others = others.where(lines[others.begin >> LINE_SHIFT])
    return whole, others


def _split(changes: _Changes, shift: int) -> _Changes:
    """The changes cut at the ends of units; those of no byte are left out."""
    first = changes.begin >> shift
    counts = np.where(changes.end > changes.begin, ((changes.end - 1) >> shift) - first + 1, 0)
    owner = np.repeat(np.arange(len(counts)), counts)
    unit = first[owner] + np.arange(len(owner)) - (np.cumsum(counts) - counts)[owner]
    each = changes.where(owner)
    begin = np.maximum(each.begin, unit << shift)
    end = np.minimum(each.end, (unit + 1) << shift)
    return each.cut(begin, end)
