"""The frames of a recording as they were evaluated, packed some at a time.

What does not change from one frame to the next is kept once, and each pack is compressed: ten
minutes of 50 watches take some 10 MB.
"""

from __future__ import annotations

import pickle
from bisect import bisect_right
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

import zstandard

from bridge.readings.frame import Frame
from bridge.readings.reading import Reading, Watch
from bridge.values.status import Status

__all__ = ["MAX_PACK", "KeptFrames", "Packs"]

MAX_PACK = 64
_UNPACKED = 4
"""Packs that are held unpacked: who steps from frame to frame mostly stays in one."""


class Packs:
    """Things in a row, of which some at a time are pickled and compressed."""

    def __init__(self) -> None:
        self._packs: list[bytes] = []
        self._firsts: list[int] = []
        self._pending: list[Any] = []
        self._unpacked: OrderedDict[int, Sequence[Any]] = OrderedDict()
        self._count = 0

    def __len__(self) -> int:
        return self._count

    @property
    def size(self) -> int:
        """Bytes that the packs take."""
        return sum(map(len, self._packs))

    def append(self, item: Any) -> None:
        self._pending.append(item)
        self._count += 1
        if len(self._pending) >= MAX_PACK:
            self._pack()

    def __getitem__(self, index: int) -> Any:
        first = self._count - len(self._pending)
        if index >= first:
            return self._pending[index - first]
        number = bisect_right(self._firsts, index) - 1
        return self._opened(number)[index - self._firsts[number]]

    def _pack(self) -> None:
        self._firsts.append(self._count - len(self._pending))
        data = pickle.dumps(self.packed(self._pending), pickle.HIGHEST_PROTOCOL)
        # a copy, since what is given keeps the room that the data might have needed
        self._packs.append(bytes(memoryview(zstandard.compress(data, 3))))
        self._pending = []

    def _opened(self, number: int) -> Sequence[Any]:
        found = self._unpacked.pop(number, None)
        if found is None:
            found = self.unpacked(pickle.loads(zstandard.decompress(self._packs[number])))
        self._unpacked[number] = found
        if len(self._unpacked) > _UNPACKED:
            self._unpacked.popitem(last=False)
        return found

    def packed(self, items: Sequence[Any]) -> Any:
        """What is kept of some items."""
        return items

    def unpacked(self, kept: Any) -> Sequence[Any]:
        """The items again."""
        found: Sequence[Any] = kept
        return found


class KeptFrames(Packs):
    """Frames, of the watches that each build has; their heaps are not kept."""

    def __init__(self, watches: Mapping[str, Sequence[Watch]]) -> None:
        super().__init__()
        self._watches = watches

    def packed(self, items: Sequence[Frame]) -> Any:
        found: list[Any] = []
        before: list[tuple[Any, ...]] = []
        for frame in items:
            now = [_told(reading) for reading in frame.readings]
            same = len(now) == len(before)
            changed = [
                (index, each)
                for index, each in enumerate(now)
                if not same or not _same(each, before[index])
            ]
            before = now
            found.append((_state(frame), same, changed))
        return found

    def unpacked(self, kept: Any) -> Sequence[Frame]:
        frames: list[Frame] = []
        before: list[tuple[Any, ...]] = []
        for state, same, changed in kept:
            now = list(before) if same else [each for _, each in changed]
            for index, each in changed if same else ():
                now[index] = each
            before = now
            watches = self._watches.get(state[2]) or next(iter(self._watches.values()))
            readings = tuple(map(_reading, watches, now))
            frames.append(_frame(state, readings))
        return frames


_STATE = (
    *("number", "time", "build", "source", "consistency", "stats", "note", "practice"),
    "heap_events",
)


def _state(frame: Frame) -> tuple[Any, ...]:
    return tuple(getattr(frame, name) for name in _STATE)


def _frame(state: tuple[Any, ...], readings: tuple[Reading, ...]) -> Frame:
    return Frame(make_readings=lambda: readings, **dict(zip(_STATE, state, strict=True)))


def _told(reading: Reading) -> tuple[Any, ...]:
    return (
        reading.status.value,
        reading.value,
        reading.address,
        reading.reason,
        reading.age,
        reading.awaited,
        reading.cause,
    )


def _same(now: tuple[Any, ...], before: tuple[Any, ...]) -> bool:
    """Whether nothing is to be told apart, such as 1, 1.0 and true, or the two zeros."""
    if now != before:
        return False
    value, was = now[1], before[1]
    return value is was or (type(value) is type(was) and (bool(value) or str(value) == str(was)))


_status = lru_cache(Status)


def _reading(watch: Watch, told: tuple[Any, ...]) -> Reading:
    return Reading(watch, _status(told[0]), *told[1:])
