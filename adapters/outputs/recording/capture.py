"""All of a guest's memory in one frame, read beside the sampler and held against the frame before.

It takes some milliseconds, in which the game may begin another frame.  So the counters that tell
are read before and after, as the sampler does with its lines; a capture that was not whole is
thrown away, and what has changed is found again with the next one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from adapters.recordings.changed_lines import BLOCK, Snapshot
from bridge.builds.evidence import aligned_span
from bridge.memory.address_map import LINE_SIZE, MemoryMap, Span
from bridge.memory.byte_order import ByteOrder, reorder
from bridge.memory.counter import Counter
from bridge.ports.bulk_reader import BulkReader
from bridge.ports.memory_observer import FrameCounters

__all__ = ["Captured", "WholeCapture", "without"]

_PIECE = BLOCK


@dataclass(frozen=True, slots=True)
class Captured:
    """What a look found: lines that differ, in the source's order, by span and offset in it.

    ``number`` is what the counter of frames read, None where there is none.
    """

    number: int | None
    differing: Sequence[Sequence[tuple[int, bytes]]]


class WholeCapture:
    """Looks at *spans* of a source that holds them in byte order *order*.

    With a guard in *counters*, only whole frames are given.  For one thread.
    """

    def __init__(
        self,
        reader: BulkReader,
        memory: MemoryMap,
        spans: Sequence[Span],
        counters: FrameCounters,
        order: ByteOrder,
    ) -> None:
        self._reader = reader
        self._memory = memory
        self.spans = tuple(spans)
        self.order = order
        self._guard = counters.guard
        self._counted = counters.number
        self._snapshots = [Snapshot(span.length) for span in spans]
        self._piece = memoryview(bytearray(_PIECE))
        self._first = True

    @property
    def turn(self) -> int | None:
        """How many numbers a captured frame can have; None without a counter."""
        return None if self._counted is None else self._counted.turn

    def look(self) -> Captured | None:
        """What differs now; None where no frame stood still for as long.  Raises SourceLost."""
        guard = self._guard
        began = None
        if guard is not None:
            ended, began = self._counter(guard[1]), self._counter(guard[0])
            if began is None or ended is None or (began - ended) % min(g.turn for g in guard):
                return None
        number = None if self._counted is None else self._counter(self._counted)
        both = zip(self.spans, self._snapshots, strict=True)
        differing = [self._differing(*each) for each in both]
        if guard is not None and self._counter(guard[0]) != began:
            return None
        return Captured(number, differing)

    def take(self, captured: Captured) -> list[tuple[Span, bytes]]:
        """The lines in guest order; they are what the next look is held against."""
        parts: list[tuple[Span, bytes]] = []
        for span, snapshot, found in zip(
            self.spans, self._snapshots, captured.differing, strict=True
        ):
            snapshot.take(found)
            for offset, data in found:
                address = span.address + offset
                parts.append((Span(address, len(data)), reorder(data, self.order)))
        if self._first:
            # what is zero does not differ from a snapshot that nobody has taken
            self._first = False
            return [(span, self._whole(span)) for span in self.spans]
        return parts

    def take_lines(self, parts: Sequence[tuple[Span, bytes]]) -> None:
        """Lines that are known by other means, in guest order, are held from now on."""
        for part, data in parts:
            for span, snapshot in zip(self.spans, self._snapshots, strict=True):
                if span.address <= part.address and part.end <= span.end:
                    snapshot.take([(part.address - span.address, reorder(data, self.order))])

    def close(self) -> None:
        """Let go of the reader."""
        self._reader.close()

    def _whole(self, span: Span) -> bytes:
        snapshot = self._snapshots[self.spans.index(span)]
        return reorder(snapshot.held(), self.order)

    def _differing(self, span: Span, snapshot: Snapshot) -> list[tuple[int, bytes]]:
        found: list[tuple[int, bytes]] = []
        for at in range(0, span.length, _PIECE):
            piece = self._piece[: min(_PIECE, span.length - at)]
            self._reader.read_into(span.address + at, piece)
            found += snapshot.differing(piece, at)
        return found

    def _counter(self, counter: Counter) -> int | None:
        span = aligned_span(self._memory, counter.address, counter.size)
        if span is None:
            return None
        piece = self._piece[: span.length]
        self._reader.read_into(span.address, piece)
        flat = self._memory.flat(counter.address)
        assert flat is not None  # inside, since the span is
        first = self._memory.address(flat) - span.address
        word = reorder(bytes(piece), self.order)[first : first + counter.size]
        return counter.value(word)


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
