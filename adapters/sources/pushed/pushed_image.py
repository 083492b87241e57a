"""Image of what a producer has sent, region by region, in two layers.

The *arriving* layer takes every whole frame at once when it comes in.  The *shown* layer is what
is read, and it changes only when :meth:`PushedImage.show` is called: a frame that comes in while
another is being evaluated does not mix with it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from bridge.memory.address_map import LINE_SHIFT, LINE_SIZE, MemoryMap, Region, Span
from bridge.memory.fetched import Part
from bridge.memory.held_bytes import HeldBytes

__all__ = ["PushedImage"]


@dataclass(frozen=True, slots=True)
class _Window:
    """A stretch of the producer's RAM that is a stretch of a region.

    ``address`` is the producer's, ``offset`` the region's.
    """

    region: Region
    address: int
    offset: int
    length: int


class PushedImage:
    """A producer's RAM of *size* bytes at guest address *base*, as the regions see it.

    *base* may be a region's start, a mirror of it, or an address inside either.
    """

    def __init__(self, memory: MemoryMap, base: int, size: int) -> None:
        self._windows = tuple(_windows(memory, base, size))
        self._arriving: dict[str, HeldBytes] = {}
        self._shown: dict[str, HeldBytes] = {}
        self._changed: dict[str, bytearray] = {}
        self._starts: dict[str, int] = {}
        self._sent: list[Span] = []
        for window in self._windows:
            name = window.region.name
            self._starts[name] = window.region.start
            held = window.offset + window.length
            if name not in self._arriving or self._arriving[name].size < held:
                self._arriving[name] = HeldBytes(held)
                self._shown[name] = HeldBytes(held)
                self._changed[name] = bytearray(-(-held // LINE_SIZE))

    @property
    def sizes(self) -> dict[str, int]:
        """How many bytes of each region there can be, by the region's name."""
        return {name: held.size for name, held in self._arriving.items()}

    def apply(self, changes: Iterable[tuple[int, bytes]]) -> None:
        """A whole frame's bytes at the producer's addresses; those in no region are left out."""
        for address, data in changes:
            for window in self._windows:
                low = max(address, window.address)
                high = min(address + len(data), window.address + window.length)
                if low >= high:
                    continue
                offset = window.offset + low - window.address
                part = memoryview(data)[low - address : high - address]
                name = window.region.name
                self._arriving[name].write(offset, part)
                first, last = offset >> LINE_SHIFT, (offset + len(part) - 1 >> LINE_SHIFT) + 1
                self._changed[name][first:last] = b"\1" * (last - first)

    def show(self) -> None:
        """Make what has arrived the frame that is read."""
        self._sent = []
        for name, changed in list(self._changed.items()):
            arriving, shown = self._arriving[name], self._shown[name]
            for first, last in _runs(changed):
                start, end = first << LINE_SHIFT, min(last << LINE_SHIFT, arriving.size)
                self._sent.append(Span(self._starts[name] + start, end - start))
                if 0 in arriving.whole[first:last]:
                    there = bytearray().join(arriving.there(line) for line in range(first, last))
                    parts = list(_runs(there))
                else:
                    parts = [(0, min(last << LINE_SHIFT, arriving.size) - (first << LINE_SHIFT))]
                for low, high in parts:
                    start, end = (first << LINE_SHIFT) + low, (first << LINE_SHIFT) + high
                    shown.write(start, memoryview(arriving.data)[start:end])
            self._changed[name] = bytearray(len(changed))

    @property
    def sent(self) -> list[Span]:
        """The lines of which something came with the frame that is read, neighbours joined."""
        return self._sent

    def read(self, region: Region, span: Span) -> Part:
        """The shown bytes of a span in *region*, or those of them that were ever sent."""
        shown = self._shown.get(region.name)
        return None if shown is None else shown.read(span.address - region.start, span.length)

    def ranges(self, spans: Sequence[Span]) -> list[tuple[int, int]]:
        """Canonical spans as (address, length) pairs in the producer's addresses."""
        pairs = []
        for span in spans:
            for window in self._windows:
                offset = span.address - window.region.start
                if not 0 <= offset < window.region.size:
                    continue
                low = max(offset, window.offset)
                high = min(offset + span.length, window.offset + window.length)
                if low < high:
                    pairs.append((window.address + low - window.offset, high - low))
                    break
        return pairs


def _windows(memory: MemoryMap, base: int, size: int) -> Iterable[_Window]:
    for region in memory.regions:
        for start in (region.start, *region.mirrors):
            low, high = max(base, start), min(base + size, start + region.size)
            if low < high:
                yield _Window(region, low, low - start, high - low)


def _runs(lines: bytearray) -> Iterator[tuple[int, int]]:
    """Neighbouring flags that are set, as (first, one behind the last)."""
    first = lines.find(1)
    while first >= 0:
        last = lines.find(0, first)
        last = len(lines) if last < 0 else last
        yield first, last
        first = lines.find(1, last)
