"""A query over frames of recorded memory: stretches in, rows out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bridge.memory.address_map import MemoryMap
from bridge.querying.asked import Asked
from bridge.querying.frame_by_frame import FrameByFrame
from bridge.querying.known_memory import KnownMemory
from bridge.querying.rows import Bools, Column, Rows
from bridge.querying.stretch import Stretch, flat_spans

__all__ = ["Numbers", "Query"]

_NANOSECONDS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Numbers:
    """Which frames are wanted, by the game's own numbers: from *first* on, up to *last*."""

    first: int | None = None
    last: int | None = None

    @property
    def only(self) -> bool:
        """Whether it is one frame that is wanted."""
        return self.first is not None and self.first == self.last

    def among(self, numbers: Sequence[int]) -> Bools:
        """Which of these are wanted."""
        first = 0 if self.first is None else self.first
        last = 1 << 64 if self.last is None else self.last
        return np.array([first <= number <= last for number in numbers], np.bool_)


class Query:
    """Evaluates what is asked over one stretch after the other.

    *memory* is what is known before the first of them, and *guest* the whole map, of which the
    recording may hold less.
    """

    def __init__(
        self, asked: Asked, memory: KnownMemory, guest: MemoryMap, numbers: Numbers
    ) -> None:
        self._asked = asked
        self._memory = memory
        self._numbers = numbers
        memory.begin()
        self._engine = FrameByFrame(asked.program, asked.layout, asked.slots, memory, guest)

    def over(self, stretch: Stretch) -> Rows:
        """The rows of the frames that are wanted and in which every condition holds."""
        memory = self._memory.memory
        parts, gone = flat_spans(stretch.parts, memory), flat_spans(stretch.gone, memory)
        columns = self._engine.over(stretch, parts, gone)
        chosen = self._numbers.among(stretch.numbers)
        count = len(self._asked.columns)
        shown: Sequence[Column] = columns[:count]
        for condition in columns[count:]:
            chosen &= condition.true
        return Rows(stretch.numbers, stretch.times / _NANOSECONDS, shown).where(chosen)
