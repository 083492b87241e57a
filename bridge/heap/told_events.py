"""What is told of the heap's blocks as frames come: the newest events, and what lies between them.

Events are numbered from 1, so that who looks seldom knows which are new and how many there is no
room for any more.  What could not be seen stands among them: frames that were never taken or whose
heap was not whole (``Unseen``), and where all began anew (``Anew``).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

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
    these came together.  ``heap`` is the name of the heap that it is of, None where it is of all.
    """

    first: int
    last: int
    count: int | None
    why: str
    heap: str | None = field(default=None, repr=False)


@dataclass(frozen=True, slots=True)
class Anew:
    """Frame ``frame`` is held against none before it, and ``why``; empty at the very first.

    ``heap`` is as in ``Unseen``.
    """

    frame: int
    why: str
    heap: str | None = field(default=None, repr=False)


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


class _OneHeap:
    """What was seen of one heap so far, and how the next frame follows from that."""

    def __init__(self) -> None:
        self._last: int | None = None
        self._whys: set[str] = set()
        self._unclear = False
        self._anew = ""

    def forget(self, why: str) -> None:
        if self._last is not None:
            self._anew = why
        self._last = None
        self._whys.clear()
        self._unclear = False

    def miss(self, why: str, *, unclear: bool) -> None:
        """It was not seen as a whole in a frame."""
        self._unclear |= unclear
        self._whys.add(why)

    def see(self, number: int, *, unclear: bool) -> Unseen | Anew | None:
        """It was seen as a whole; gives what is told of the frames before this one."""
        self._unclear |= unclear
        note = self._note(number)
        self._last = number
        self._whys.clear()
        self._unclear = False
        return note

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


class EventTeller:
    """Takes the heaps of frame after frame, and keeps what is told of them in ``told``."""

    def __init__(self) -> None:
        self.told = ToldEvents()
        self._events = HeapEvents()
        self._heaps: dict[str, _OneHeap] = {}

    def forget(self, why: str) -> None:
        """What comes next does not follow from what was."""
        self._events.forget()
        for each in self._heaps.values():
            each.forget(why)

    def take(self, number: int, heap: Heap | None, *, numbered: bool, unclear: bool) -> None:
        """The heaps of the frame *number*, None where they were not read.

        *numbered* is whether that number is the game's or the sender's own, and *unclear* whether
        it is not known how many frames lie before it.
        """
        if heap is None:
            for each in self._heaps.values():
                each.miss("not seen", unclear=unclear)
            return
        notes: dict[str, Unseen | Anew | None] = {}
        found: list[HeapEvent] = []
        for seen in heap.all:
            one = self._heaps.setdefault(seen.name, _OneHeap())
            if seen.damaged is not None or seen.awaited:
                one.miss("in part" if seen.damaged is None else "damaged", unclear=unclear)
                continue
            found += self._events.take_one(number, seen)
            notes[seen.name] = one.see(number, unclear=unclear)
        if not notes:
            return
        told = _of_each(notes, len(heap.all))
        if told or found or numbered is not self.told.numbered:
            self._tell(told, found, numbered=numbered)

    def _tell(
        self, notes: Sequence[Unseen | Anew], found: list[HeapEvent], *, numbered: bool
    ) -> None:
        told = self.told
        recent = list(told.recent)
        for note in notes:
            if isinstance(note, Anew):
                while recent and _is_of(recent[-1], note.heap):
                    recent.pop()  # between what was and this nothing is told
            elif recent and isinstance(before := recent[-1], Unseen) and before.heap == note.heap:
                recent.pop()
                note = _joined(before, note)
            recent.append(note)
        recent += found
        self.told = ToldEvents(
            told.count + len(found), told.changes + 1, tuple(recent[-MAX_TOLD:]), numbered
        )


def _of_each(notes: Mapping[str, Unseen | Anew | None], heaps: int) -> list[Unseen | Anew]:
    """What is told of each heap, and once where it is the same of all of them."""
    told = [note for note in notes.values() if note is not None]
    if len(told) == heaps and len(set(told)) == 1:
        return told[:1]
    if heaps == 1:
        return told
    return [replace(note, heap=name) for name, note in notes.items() if note is not None]


def _is_of(told: Told, heap: str | None) -> bool:
    """Whether it is a note, of that heap or with None of any."""
    return not isinstance(told, HeapEvent) and (heap is None or told.heap == heap)


def _joined(before: Unseen, after: Unseen) -> Unseen:
    known = before.count is not None and after.count is not None
    count = (before.count or 0) + (after.count or 0) if known else None
    return Unseen(before.first, after.last, count, _one({before.why, after.why}), after.heap)


def _one(whys: set[str]) -> str:
    return next(iter(whys)) if len(whys) == 1 else "not whole"
