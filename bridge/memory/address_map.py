"""The guest's address space: regions, their mirrors, and the flat buffer that holds them.

A guest sees its RAM at one or more address ranges.  Each region has one canonical range and any
number of mirrors of the same size.  An image keeps all regions in one flat buffer, one behind the
other, each beginning on a line; ``flat`` always means an index into that buffer.  A *line* is 256
bytes of it: the unit that is fetched and cached.  No line belongs to two regions.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

__all__ = ["LINE_SHIFT", "LINE_SIZE", "MemoryMap", "Region", "Span"]

LINE_SHIFT = 8
LINE_SIZE = 1 << LINE_SHIFT


@dataclass(frozen=True, slots=True)
class Span:
    """``length`` bytes from the canonical guest address ``address``, inside one region."""

    address: int
    length: int

    @property
    def end(self) -> int:
        return self.address + self.length


@dataclass(frozen=True, slots=True)
class Region:
    """``size`` bytes of guest memory at ``start``, seen again at each of ``mirrors``."""

    name: str
    start: int
    size: int
    mirrors: tuple[int, ...] = ()

    @property
    def end(self) -> int:
        return self.start + self.size


@dataclass(frozen=True, slots=True)
class _Range:
    start: int
    end: int
    flat: int
    region: Region


class MemoryMap:
    """All regions of a guest, and where each lies in the flat buffer."""

    def __init__(self, regions: Sequence[Region]) -> None:
        self.regions = tuple(regions)
        self.flat_starts: dict[str, int] = {}
        ranges: list[_Range] = []
        flat = 0
        for region in self.regions:
            self.flat_starts[region.name] = flat
            for start in (region.start, *region.mirrors):
                ranges.append(_Range(start, start + region.size, flat, region))
            flat += -(-region.size // LINE_SIZE) * LINE_SIZE
        self.flat_size = flat
        self._ranges = tuple(ranges)

    def flat(self, address: int, length: int = 1) -> int | None:
        """Flat index of ``length`` bytes at a guest address; None where any byte is outside."""
        for part in self._ranges:
            if part.start <= address and address + length <= part.end:
                return part.flat + address - part.start
        return None

    def region_at(self, address: int) -> Region | None:
        """The region that holds a guest address, also through a mirror."""
        for part in self._ranges:
            if part.start <= address < part.end:
                return part.region
        return None

    def address(self, flat: int) -> int:
        """Canonical guest address of a flat index."""
        for region in self.regions:
            start = self.flat_starts[region.name]
            if start <= flat < start + region.size:
                return region.start + flat - start
        raise ValueError(f"flat index {flat} is outside every region")

    def spans(self, lines: Iterable[int]) -> list[Span]:
        """The fewest spans that cover the lines with these numbers: neighbours are joined."""
        spans: list[Span] = []
        ordered = sorted(set(lines))
        for region in self.regions:
            flat = self.flat_starts[region.name]
            first, last = flat >> LINE_SHIFT, (flat + region.size - 1) >> LINE_SHIFT
            for line in ordered:
                if not first <= line <= last:
                    continue
                offset = (line << LINE_SHIFT) - flat
                start = region.start + offset
                length = min(LINE_SIZE, region.size - offset)
                if spans and spans[-1].end == start and start != region.start:
                    spans[-1] = Span(spans[-1].address, spans[-1].length + length)
                else:
                    spans.append(Span(start, length))
        return spans

    def whole(self) -> list[Span]:
        """One span a region."""
        return [Span(region.start, region.size) for region in self.regions]

    def truncated(self, sizes: dict[str, int]) -> MemoryMap:
        """The same map with regions cut to what a source holds of them (0 drops a region)."""
        return MemoryMap(
            [
                Region(r.name, r.start, size, r.mirrors)
                for r in self.regions
                if (size := min(r.size, sizes.get(r.name, 0))) > 0
            ]
        )
