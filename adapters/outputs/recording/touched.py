"""The lines that a frame's watches touched, and what they have changed since the frame before."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.memory.address_map import LINE_SHIFT, LINE_SIZE, Region, Span
from bridge.memory.image import Image
from bridge.ports.memory_observer import TakenMemory

__all__ = ["TouchedLines", "lines_of"]

_Parts = list[tuple[Span, bytes]]


def lines_of(taken: TakenMemory) -> _Parts:
    """The bytes of a frame that are known to be its own, in guest order, a span a row of them."""
    image = taken.image
    parts: _Parts = []
    for line in sorted(taken.lines):
        address, length = _place(image, line)
        data = bytes(image.bytes[line << LINE_SHIFT : (line << LINE_SHIFT) + length])
        if image.held[line]:
            parts.append((Span(address, length), data))
            continue
        there = image.partial[line]
        at = 0
        while (at := there.find(1, at)) >= 0:
            end = there.find(0, at)
            end = length if end < 0 else end
            parts.append((Span(address + at, end - at), data[at:end]))
            at = end
    return parts


def _place(image: Image, line: int) -> tuple[int, int]:
    """Canonical address and length of a line, which is shorter at its region's end."""
    flat = line << LINE_SHIFT
    region = next(r for r in image.memory.regions if _holds(image, r, flat))
    start = image.memory.flat_starts[region.name]
    return region.start + flat - start, min(LINE_SIZE, region.size - (flat - start))


def _holds(image: Image, region: Region, flat: int) -> bool:
    start = image.memory.flat_starts[region.name]
    return start <= flat < start + region.size


@dataclass(slots=True)
class TouchedLines:
    """What was known of the frame before, by address: where only touched lines are recorded, the
    others are not known."""

    before: dict[Span, bytes]

    def changes(self, now: _Parts) -> tuple[_Parts, list[Span]]:
        """What is otherwise than before, and what is known no more."""
        known = dict(now)
        gone = [span for span in self.before if span not in known]
        changed = [(span, data) for span, data in now if self.before.get(span) != data]
        self.before = known
        return changed, gone
