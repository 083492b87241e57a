"""Placing of a dump: where its segments lie in the guest's regions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from adapters.dumps.segment import Segment
from bridge.memory.address_map import MemoryMap, Region
from bridge.memory.held_bytes import HeldBytes
from schemas.errors import SourceUnusable

__all__ = ["Placed", "chosen_region", "place"]

_SIGN_EXTENDED = 0xFFFF_FFFF_8000_0000
"""A 64-bit MIPS writes its 32-bit kernel addresses sign-extended from here on."""


@dataclass(frozen=True)
class Placed:
    """What a dump holds of each region, by the region's name, and what it holds besides."""

    regions: dict[str, HeldBytes]
    notes: list[str] = field(default_factory=list)


def place(segments: Sequence[Segment], memory: MemoryMap) -> Placed:
    """Put segments with addresses into the regions, through mirrors too; later bytes win.

    What lies outside every region is left out, with one note for all of it.
    """
    parts: list[tuple[Region, int, bytes | memoryview]] = []
    outside: list[tuple[int, int, int]] = []
    for segment in segments:
        if segment.address is None:
            raise ValueError("a segment without an address cannot be placed by address")
        address, data = segment.address, segment.data
        if address >= _SIGN_EXTENDED:
            address &= 0xFFFF_FFFF
        inside = 0
        for region in memory.regions:
            for start in (region.start, *region.mirrors):
                low = max(address, start)
                high = min(address + len(data), start + region.size)
                if low < high:
                    inside += high - low
                    parts.append((region, low - start, data[low - address : high - address]))
        if inside < len(data):
            outside.append((len(data) - inside, len(data), address))
    sizes: dict[str, int] = {}
    for region, offset, data in parts:
        sizes[region.name] = max(sizes.get(region.name, 0), offset + len(data))
    regions = {name: HeldBytes(size) for name, size in sizes.items()}
    for region, offset, data in parts:
        regions[region.name].write(offset, data)
    return Placed(regions, [_left_out(outside)] if outside else [])


def _left_out(outside: Sequence[tuple[int, int, int]]) -> str:
    """What is outside every region: of each segment the bytes that are, its size and its address.

    One sentence, since a dump may hold any number of segments.
    """
    lost, size, address = outside[0]
    if len(outside) == 1:
        found = f"{lost} of the {size} bytes at 0x{address:08X}"
    else:
        lost = sum(lost for lost, _, _ in outside)
        found = f"{lost} bytes of {len(outside)} segments, the first at 0x{address:08X},"
    return f"{found} are outside every region and left out"


def chosen_region(memory: MemoryMap, name: str, source: str = "") -> Region:
    """The region of that name, the first one for "".

    Raises SourceUnusable, as *source*, where there is no such region.
    """
    for region in memory.regions:
        if name in ("", region.name):
            return region
    known = ", ".join(region.name for region in memory.regions)
    raise SourceUnusable(f'expected one of the regions {known}, found "{name}"', source=source)
