"""All of a guest's memory in one frame, read beside the sampler and held against the frame before.

It takes some milliseconds, in which the game may begin another frame.  So the counters that tell
are read before and after, as the sampler does with its lines.  What a look found that was not whole
is owed until one is.
"""

from __future__ import annotations

import abc
from collections.abc import Sequence

from adapters.recordings.changed_lines import Snapshot
from adapters.recordings.recorder import Parts
from bridge.builds.evidence import aligned_span
from bridge.memory.address_map import LINE_SIZE, MemoryMap, Span
from bridge.memory.byte_order import ByteOrder, reorder
from bridge.memory.counter import Counter
from bridge.ports.bulk_reader import BulkReader
from bridge.ports.memory_observer import FrameCounters

__all__ = ["Capture", "WholeCapture", "without"]

_PIECE = 256 << 10
"""Bytes that are read at a time: few calls, and less than caches hold."""


class Capture(abc.ABC):
    """Looks at memory; for one thread.

    With a guard in *counters* it is known whether a look was of a whole frame.
    """

    def __init__(self, counters: FrameCounters) -> None:
        self._number = counters.number
        self._frame: int | None = None
        self._whole = False

    def saw(self, frame: int) -> bool:
        """Whether the last look was of that frame, and whole."""
        if self._number is None or self._frame is None:
            return self._whole
        return self._whole and (self._frame - frame) % self._number.turn == 0

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
    """Looks at *spans* of a source that holds them in byte order *order*, in this process."""

    def __init__(
        self,
        reader: BulkReader,
        memory: MemoryMap,
        spans: Sequence[Span],
        counters: FrameCounters,
        order: ByteOrder,
    ) -> None:
        super().__init__(counters)
        self._reader = reader
        self._memory = memory
        self._spans = tuple(spans)
        self._order = order
        self._guard = counters.guard
        self._snapshots = [Snapshot(span.length) for span in spans]
        self._piece = memoryview(bytearray(_PIECE))

    @property
    def seen(self) -> tuple[int | None, bool]:
        """Which frame the last look was of, where that is known, and whether it was whole."""
        return self._frame, self._whole

    def look(self) -> None:
        guard = self._guard
        self._frame, self._whole = None, False
        began = None
        if guard is not None:
            ended, began = self._value(guard[1]), self._value(guard[0])
            if began is None or ended is None or (began - ended) % min(g.turn for g in guard):
                return
        if self._number is not None:
            self._frame = self._value(self._number)
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
        parts: list[tuple[Span, bytes]] = []
        for span, snapshot in zip(self._spans, self._snapshots, strict=True):
            for offset, data in snapshot.owed():
                place = Span(span.address + offset, len(data))
                parts.append((place, reorder(data, self._order)))
            snapshot.settle()
        return parts

    def owe(self, spans: Sequence[Span]) -> None:
        for part in spans:
            for span, snapshot in zip(self._spans, self._snapshots, strict=True):
                first, last = max(span.address, part.address), min(span.end, part.end)
                if first < last:
                    snapshot.owe(first - span.address, last - first)

    def close(self) -> None:
        self._reader.close()

    def _value(self, counter: Counter) -> int | None:
        span = aligned_span(self._memory, counter.address, counter.size)
        if span is None:
            return None
        flat = self._memory.flat(counter.address)
        assert flat is not None  # inside, since the span is
        first = self._memory.address(flat) - span.address
        piece = self._piece[: span.length]
        self._reader.read_into(span.address, piece)
        word = reorder(bytes(piece), self._order)
        return counter.value(word[first : first + counter.size])


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
