"""All of a guest's memory in one frame, read beside the sampler and held against the frame before.

It takes some milliseconds, in which the game may begin another frame.  So the counters that tell
are read before and after, as the sampler does with its lines.  What a look found that was not whole
is owed until one is.
"""

from __future__ import annotations

import abc
from collections.abc import Sequence
from dataclasses import dataclass

from adapters.recordings.changed_lines import Parts, Snapshot
from bridge.memory.address_map import LINE_SIZE, Span
from bridge.memory.byte_order import ByteOrder, reorder
from bridge.memory.counter import Counter
from bridge.ports.bulk_reader import BulkReader

__all__ = ["Capture", "Looked", "PlacedCounter", "WholeCapture", "without"]

_PIECE = 256 << 10
"""Bytes that are read at a time: few calls, and less than caches hold."""


@dataclass(frozen=True, slots=True)
class PlacedCounter:
    """A counter, whose bytes begin *first* bytes into the whole words of *span*."""

    counter: Counter
    span: Span
    first: int


@dataclass(frozen=True, slots=True)
class Looked:
    """What is looked at: *spans* of memory that a source holds in byte order *order*.

    With a *guard*, the counters of frames that began and that ended, it is known whether a look
    was of a whole frame; where these are *missing* in what the source holds, none is.
    """

    spans: tuple[Span, ...]
    order: ByteOrder
    number: PlacedCounter | None = None
    guard: tuple[PlacedCounter, PlacedCounter] | None = None
    missing: bool = False


class Capture(abc.ABC):
    """Looks at memory; for one thread."""

    def __init__(self, looked: Looked) -> None:
        self._looked = looked
        self._frame: int | None = None
        self._whole = False

    def saw(self, frame: int) -> bool:
        """Whether the last look was of that frame, and whole."""
        number = self._looked.number
        if number is None or self._frame is None:
            return self._whole
        return self._whole and (self._frame - frame) % number.counter.turn == 0

    @abc.abstractmethod
    def look(self) -> None:
        """See what has changed.  Raises SourceLost."""

    @abc.abstractmethod
    def take(self) -> Parts | None:
        """What has changed up to the last look since the last that was taken, in guest order.

        None where that is known no more; then all is owed.
        """

    @abc.abstractmethod
    def owe(self, spans: Sequence[Span]) -> None:
        """Lines were recorded by other means, perhaps of another moment than the last look's."""

    @abc.abstractmethod
    def close(self) -> None:
        """Let go of everything."""


class WholeCapture(Capture):
    """Looks in this process."""

    def __init__(self, reader: BulkReader, looked: Looked) -> None:
        super().__init__(looked)
        self._reader = reader
        self._spans, self._order = looked.spans, looked.order
        self._snapshots = [Snapshot(span.length) for span in looked.spans]
        self._piece = memoryview(bytearray(_PIECE))

    @property
    def seen(self) -> tuple[int | None, bool]:
        """Which frame the last look was of, where that is known, and whether it was whole."""
        return self._frame, self._whole

    def look(self) -> None:
        guard, number = self._looked.guard, self._looked.number
        self._frame, self._whole = None, False
        if self._looked.missing:
            return
        began = 0
        if guard is not None:
            ended, began = self._value(guard[1]), self._value(guard[0])
            if (began - ended) % min(each.counter.turn for each in guard):
                return
        if number is not None:
            self._frame = self._value(number)
        for span, snapshot in zip(self._spans, self._snapshots, strict=True):
            there = self._reader.view(span.address, span.length)
            if there is not None:
                snapshot.look(there)
                continue
            for at in range(0, span.length, _PIECE):
                piece = self._piece[: min(_PIECE, span.length - at)]
                self._reader.read_into(span.address + at, piece)
                snapshot.look(piece, at)
        self._whole = guard is None or self._value(guard[0]) == began

    def take(self) -> list[tuple[Span, bytes]]:
        self._whole = False
        parts = self.owed()
        self.settle()
        return parts

    def owed(self) -> list[tuple[Span, bytes]]:
        """What :meth:`take` gives, which stays owed until :meth:`settle`."""
        return [
            (Span(span.address + offset, len(data)), reorder(data, self._order))
            for span, snapshot in zip(self._spans, self._snapshots, strict=True)
            for offset, data in snapshot.owed()
        ]

    def settle(self) -> None:
        """Nothing is owed any more."""
        for snapshot in self._snapshots:
            snapshot.settle()

    @property
    def owed_size(self) -> int:
        """Bytes that are owed, by whole lines."""
        return LINE_SIZE * sum(snapshot.owed_lines for snapshot in self._snapshots)

    def owe(self, spans: Sequence[Span]) -> None:
        for part in spans:
            for span, snapshot in zip(self._spans, self._snapshots, strict=True):
                first, last = max(span.address, part.address), min(span.end, part.end)
                if first < last:
                    snapshot.owe(first - span.address, last - first)

    def close(self) -> None:
        self._reader.close()

    def _value(self, placed: PlacedCounter) -> int:
        piece = self._piece[: placed.span.length]
        self._reader.read_into(placed.span.address, piece)
        word = reorder(bytes(piece), self._order)
        return placed.counter.value(word[placed.first : placed.first + placed.counter.size])


def without(spans: Sequence[Span], excluded: Sequence[Span]) -> list[Span]:
    """What is left of *spans*, which begin on lines; a line that is excluded in part is left."""
    left: list[Span] = []
    for span in spans:
        at = span.address
        for gone in sorted(excluded, key=lambda each: each.address):
            first = max(span.address, gone.address)
            first += -(first - span.address) % LINE_SIZE
            last = min(span.end, gone.end)
            if last < span.end:
                last -= (last - span.address) % LINE_SIZE
            if max(first, at) < last:
                if at < first:
                    left.append(Span(at, first - at))
                at = last
        if at < span.end:
            left.append(Span(at, span.end - at))
    return left
