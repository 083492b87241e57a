"""Port of what is handed the memory of each frame, as outputs are handed its readings."""

from __future__ import annotations

import abc
from collections.abc import Collection
from dataclasses import dataclass

from bridge.memory.byte_order import ByteOrder
from bridge.memory.counter import Counter
from bridge.memory.image import Image
from bridge.ports.source import Consistency, Opened, Source

__all__ = ["FrameCounters", "MemoryObserver", "TakenMemory"]


@dataclass(frozen=True, slots=True)
class TakenMemory:
    """The memory of a frame that was taken.

    ``number`` is the frame's, ``last`` that of the frame before and None for the first, ``missed``
    how many were not seen between, None where that is not known.  ``ticks`` is a moment in seconds
    that only go forward.  ``image`` and the ``lines`` of it that are this frame's, in guest order,
    are good while the call lasts.
    """

    number: int
    last: int | None
    missed: int | None
    ticks: float
    day: float
    consistency: Consistency
    image: Image
    lines: Collection[int]


@dataclass(frozen=True, slots=True)
class FrameCounters:
    """What tells a build's frames: the counter that numbers them, and those that began and ended
    a frame's work; None where there is none."""

    build: str
    number: Counter | None
    guard: tuple[Counter, Counter] | None


class MemoryObserver(abc.ABC):
    """Told of every frame's memory; each call must return at once."""

    @abc.abstractmethod
    def source_opened(self, source: Source, opened: Opened) -> None:
        """Frames come from *source* from now on, which was opened just now."""

    @abc.abstractmethod
    def sample_begins(self, counters: FrameCounters, order: ByteOrder) -> None:
        """A sample is being taken of a frame; more of its memory may be read beside.

        This may be one of many before a frame is taken.
        """

    @abc.abstractmethod
    def frame_taken(self, taken: TakenMemory) -> None:
        """A frame was taken."""

    @abc.abstractmethod
    def source_closing(self, reason: str) -> None:
        """No frame comes from the source any more, and it is closed next."""
