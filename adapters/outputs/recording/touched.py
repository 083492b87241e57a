"""The lines that a frame's watches touched, and what they have changed since the frame before."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from bridge.memory.address_map import LINE_SHIFT, LINE_SIZE, MemoryMap, Span
from bridge.ports.memory_observer import TakenMemory

__all__ = ["LineReader", "TouchedLines"]

_Parts = list[tuple[Span, bytes]]


class LineReader:
    """Reads lines of a memory's images; where each of them lies is found once."""

    def __init__(self, memory: MemoryMap) -> None:
        self.memory = memory
        self._spans: dict[int, Span] = {}

    def lines_of(self, taken: TakenMemory) -> _Parts:
        """The bytes of a frame that are known to be its own, in guest order, a span a row."""
        image, spans = taken.image, self._spans
        parts: _Parts = []
        for line in sorted(taken.lines):
            span = spans.get(line)
            if span is None:
                span = spans[line] = self._span(line)
            begin = line << LINE_SHIFT
            data = bytes(image.bytes[begin : begin + span.length])
            if image.held[line]:
                parts.append((span, data))
                continue
            there = image.partial[line]
            at = 0
            while (at := there.find(1, at)) >= 0:
                end = there.find(0, at)
                end = span.length if end < 0 else end
                parts.append((Span(span.address + at, end - at), data[at:end]))
                at = end
        return parts

    def _span(self, line: int) -> Span:
        """A line is shorter at its region's end."""
        flat = line << LINE_SHIFT
        for region in self.memory.regions:
            at = flat - self.memory.flat_starts[region.name]
            if 0 <= at < region.size:
                return Span(region.start + at, min(LINE_SIZE, region.size - at))
        raise ValueError(f"line {line} is in no region")


@dataclass(slots=True)
class TouchedLines:
    """What was known of the frame before, by address: where only touched lines are recorded, the
    others are not known."""

    before: dict[Span, bytes]

    def changes(self, now: _Parts) -> tuple[_Parts, list[Span]]:
        """What is otherwise than before, and what is known no more."""
        known = dict(now)
        gone = _left(_ordered(span for span in self.before if span not in known), _ordered(known))
        changed = [(span, data) for span, data in now if self.before.get(span) != data]
        self.before = known
        return changed, gone


def _ordered(spans: Iterable[Span]) -> list[Span]:
    return sorted(spans, key=lambda span: span.address)


def _left(spans: Sequence[Span], covered: Sequence[Span]) -> list[Span]:
    """What is left of *spans* without what is *covered*; both are in order."""
    left: list[Span] = []
    first = 0
    for span in spans:
        at = span.address
        while first < len(covered) and covered[first].end <= at:
            first += 1
        for cover in covered[first:]:
            if cover.address >= span.end:
                break
            if at < cover.address:
                left.append(Span(at, cover.address - at))
            at = max(at, cover.end)
        if at < span.end:
            left.append(Span(at, span.end - at))
    return left
