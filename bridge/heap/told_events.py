"""What is told of the heap's blocks as frames come: the newest events, and what lies between them.

Events are numbered from 1, so that who looks seldom knows which are new and how many there is no
room for any more.  What could not be seen stands among them: frames that were never taken or whose
heap was not whole (``Unseen``), and where all began anew (``Anew``).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from bridge.heap.blocks import Heap
from bridge.heap.events import HeapEvent, HeapEvents

__all__ = ["MAX_TOLD", "Anew", "EventTeller", "Told", "ToldEvents", "Unseen"]

MAX_TOLD = 200
"""Of the events and of what lies between, as many are still told to who comes late."""


@dataclass(frozen=True, slots=True)
class Unseen:
    """Frames of which the heap was not seen, so that what came and went within them is not told.

    ``count`` is how many of the frames from ``first`` to ``last`` it was, None where that is not
    known; ``why`` is ``not seen``, ``damaged``, ``in part``, or ``not whole`` where several of
    these came together.
    """

    first: int
    last: int
    count: int | None
    why: str


@dataclass(frozen=True, slots=True)
class Anew:
    """Frame ``frame`` is held against none before it, and ``why``; empty at the very first."""

    frame: int
    why: str


Told = HeapEvent | Unseen | Anew


@dataclass(frozen=True, slots=True)
class ToldEvents:
    """``recent`` is what is told, oldest first, at most MAX_TOLD; ``count`` counts all events so
    far, and ``changes`` each time that ``recent`` became another.

    ``numbered`` is whether the game counts its frames, without which nobody knows of any between.
    """

    count: int = 0
    changes: int = 0
    recent: tuple[Told, ...] = ()
    numbered: bool = True

    def newer_than(self, number: int) -> Iterator[tuple[int, HeapEvent]]:
        """The events behind the *number*-th with their numbers, as far as they are kept."""
        events = [told for told in self.recent if isinstance(told, HeapEvent)]
        first = self.count - len(events) + 1
        for index in range(max(0, number + 1 - first), len(events)):
            yield first + index, events[index]


class EventTeller:
    """Takes the heap of frame after frame, and keeps what is told of it in ``told``."""

    def __init__(self) -> None:
        self.told = ToldEvents()
        self._events = HeapEvents()
        self._last: int | None = None
        self._whys: set[str] = set()
        self._unclear = False
        self._anew = ""

    def forget(self, why: str) -> None:
        """What comes next does not follow from what was."""
        self._events.forget()
        if self._last is not None:
            self._anew = why
        self._last = None
        self._whys.clear()
        self._unclear = False

    def take(self, number: int, heap: Heap | None, *, numbered: bool, unclear: bool) -> None:
        """The heap of the frame *number*, None where it was not read.

        *numbered* is whether that number is the game's or the sender's own, and *unclear* whether
        it is not known how many frames lie before it.
        """
        self._unclear |= unclear
        if heap is None or heap.damaged is not None or heap.awaited:
            damaged = heap is not None and heap.damaged is not None
            self._whys.add("damaged" if damaged else "in part" if heap else "not seen")
            return
        found = self._events.take(number, heap)
        note = self._note(number)
        self._last = number
        self._whys.clear()
        self._unclear = False
        if note is not None or found or numbered is not self.told.numbered:
            self._tell(note, found, numbered=numbered)

    def _note(self, number: int) -> Unseen | Anew | None:
        last = self._last
        if last is None:
            return Anew(number, self._anew)
        if self._unclear:
            return Unseen(last + 1, max(last + 1, number - 1), None, "not seen")
        if number - last < 2:
            return None
        count = number - last - 1
        return Unseen(last + 1, number - 1, count, _one(self._whys or {"not seen"}))

    def _tell(self, note: Unseen | Anew | None, found: list[HeapEvent], *, numbered: bool) -> None:
        told = self.told
        recent = list(told.recent)
        if isinstance(note, Anew):
            while recent and not isinstance(recent[-1], HeapEvent):
                recent.pop()  # between what was and this nothing is told
        elif note is not None and recent and isinstance(before := recent[-1], Unseen):
            recent.pop()
            note = _joined(before, note)
        recent += [*([] if note is None else [note]), *found]
        self.told = ToldEvents(
            told.count + len(found), told.changes + 1, tuple(recent[-MAX_TOLD:]), numbered
        )


def _joined(before: Unseen, after: Unseen) -> Unseen:
    known = before.count is not None and after.count is not None
    count = (before.count or 0) + (after.count or 0) if known else None
    return Unseen(before.first, after.last, count, _one({before.why, after.why}))


def _one(whys: set[str]) -> str:
    return next(iter(whys)) if len(whys) == 1 else "not whole"
