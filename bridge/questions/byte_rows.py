"""The bytes around a stored value, in rows of sixteen, for people who want to see them."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.memory.address_map import LINE_SHIFT
from bridge.memory.image import Image

__all__ = ["MAX_ROWS", "ROW", "ByteRows", "Stretch", "strip_around"]

ROW = 16
MAX_ROWS = 2


@dataclass(frozen=True, slots=True)
class ByteRows:
    """One or two rows of 16 bytes: those that a value touches.

    ``address`` is the guest address of the first byte, a multiple of 16.  ``data`` are the bytes in
    guest order, None for each that is not there: outside its region, or not fetched.  The value has
    ``value_size`` bytes from ``value_offset`` on and the part of it that is meant (a half, a byte)
    ``part_size`` from ``part_offset`` on, both counted within ``data``; of a value that is longer
    than two rows they have what the rows show.  ``type`` is the value's type.
    """

    address: int
    data: tuple[int | None, ...]
    value_offset: int
    value_size: int
    part_offset: int | None
    part_size: int | None
    big_endian: bool
    type: str


@dataclass(frozen=True, slots=True)
class Stretch:
    """``size`` bytes at a guest address."""

    address: int
    size: int


def strip_around(
    image: Image, value: Stretch, part: Stretch | None, *, big_endian: bool, type: str
) -> ByteRows | None:
    """The rows of *value* in an image; None where its first byte is outside every region."""
    memory = image.memory
    flat, region = memory.flat(value.address), memory.region_at(value.address)
    if flat is None or region is None:
        return None
    start = value.address // ROW * ROW
    rows = min(MAX_ROWS, (value.address + value.size - 1 - start) // ROW + 1)
    length = rows * ROW
    first = flat - (value.address - start)
    begins = memory.flat_starts[region.name]
    data = tuple(
        image.bytes[at]
        if begins <= at < begins + region.size
        and (image.held[at >> LINE_SHIFT] or image.has(at >> LINE_SHIFT, at, 1))
        else None
        for at in range(first, first + length)
    )

    def shown(stretch: Stretch) -> tuple[int, int]:
        offset = min(stretch.address - start, length)
        return offset, min(stretch.size, length - offset)

    part_offset, part_size = shown(part) if part is not None else (None, None)
    return ByteRows(start, data, *shown(value), part_offset, part_size, big_endian, type)
