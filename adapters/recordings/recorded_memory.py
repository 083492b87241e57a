"""The memory of one moment of a recording, put together from what was written at several."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace

from adapters.recordings.frame_message import RecordedFrame
from bridge.memory.address_map import LINE_SHIFT, Region, Span
from bridge.memory.fetched import Part
from bridge.memory.held_bytes import HeldBytes

__all__ = ["BLOCK_SIZE", "Block", "RecordedMemory", "blocks"]

BLOCK_SIZE = 256 << 10
"""Bytes of memory that a message of a key image holds at most: what is unpacked at a time."""

_MOST_LATER = 4096
"""Of what is kept for a packed block; it is unpacked where there would be more."""

Block = Callable[[], Sequence[tuple[Span, bytes | memoryview]]]
"""Unpacks a part of a key image."""


def blocks(regions: Iterable[Region]) -> list[Span]:
    """What each message of a whole key image holds, in order."""
    return [
        Span(region.start + at, min(BLOCK_SIZE, region.size - at))
        for region in regions
        for at in range(0, region.size, BLOCK_SIZE)
    ]


class RecordedMemory:
    """What is known of *regions*; nothing at first.

    A key image may be given as blocks that are unpacked only once something in them is read: most
    watches need a few lines of many megabytes.
    """

    def __init__(self, regions: Sequence[Region]) -> None:
        self.regions = tuple(regions)
        self._held = [(region, HeldBytes(region.size)) for region in regions]
        self._packed: dict[int, Block] = {}
        self._later: dict[int, dict[Span, bytes | memoryview]] = {}
        """By packed block, what is to be laid over it, the newest last."""
        self._touched = False

    def set_key(self, packed: Iterable[tuple[Span, Block]]) -> None:
        """All that is known is now in *packed*: blocks as :func:`blocks` gives them."""
        if self._touched:
            self._held = [(region, HeldBytes(region.size)) for region in self.regions]
        self._packed = {span.address: block for span, block in packed}
        self._later = {address: {} for address in self._packed}
        self._touched = True

    def apply(self, frame: RecordedFrame) -> None:
        """Lay a message over what is known.  Bytes outside the regions are passed over."""
        for span, data in frame.parts:
            self.write(span, data)
        for span in frame.gone:
            for part, held, offset in self._places(span):
                self._unpack(part)
                held.drop(offset, part.length)

    def apply_all(self, frames: Iterable[RecordedFrame]) -> None:
        """The same with one message after the other; what is written again is written once."""
        newest: dict[Span, bytes | memoryview] = {}
        for frame in frames:
            for span, data in frame.parts:
                # what is written last comes last, since spans may overlap
                newest.pop(span, None)
                newest[span] = data
            if frame.gone:
                self._write_all(newest)
                newest.clear()
                self.apply(replace(frame, parts=()))
        self._write_all(newest)

    def _write_all(self, parts: Mapping[Span, bytes | memoryview]) -> None:
        for span, data in parts.items():
            self.write(span, data)

    def write(self, span: Span, data: bytes | memoryview) -> None:
        """Bytes that are known from now on."""
        self._touched = True
        for part, held, offset in self._places(span):
            first = part.address - span.address
            bytes_of_part = data
            if part is not span:
                bytes_of_part = memoryview(data)[first : first + part.length]
            if not self._packed or not self._put_off(part, offset, bytes_of_part):
                held.write(offset, bytes_of_part)

    def read(self, span: Span) -> Part:
        """The bytes of a span inside one region, those that are known; None where none is.

        Raises what unpacking a block raises.
        """
        for part, held, offset in self._places(span):
            self._unpack(part)
            return held.read(offset, part.length)
        return None

    def packed(self, span: Span) -> bool:
        """Whether reading a span has to unpack something first."""
        return bool(self._packed) and any(
            address in self._packed
            for part, _, offset in self._places(span)
            for address in range(part.address - offset % BLOCK_SIZE, part.end, BLOCK_SIZE)
        )

    def known(self, span: Span) -> list[tuple[Span, memoryview]]:
        """What is known of a span inside one region, as runs of bytes."""
        found: list[tuple[Span, memoryview]] = []
        for part, held, offset in self._places(span):
            self._unpack(part)
            whole = memoryview(held.data)
            for begin, end in _runs(held, offset, offset + part.length):
                address = part.address + begin - offset
                found.append((Span(address, end - begin), whole[begin:end]))
        return found

    def _places(self, span: Span) -> Sequence[tuple[Span, HeldBytes, int]]:
        begin, end = span.address, span.address + span.length
        found = []
        for region, held in self._held:
            start = region.start
            if start <= begin < end <= start + region.size:
                return ((span, held, begin - start),)
            first, last = max(begin, start), min(end, start + region.size)
            if first < last:
                found.append((Span(first, last - first), held, first - start))
        return found

    def _region(self, address: int) -> tuple[Region, HeldBytes]:
        return next((r, h) for r, h in self._held if r.start <= address < r.end)

    def _put_off(self, part: Span, offset: int, data: bytes | memoryview) -> bool:
        """Keep what goes into one packed block until that is unpacked; false where it does not."""
        start = part.address - offset % BLOCK_SIZE
        later = self._later.get(start)
        if later is None or part.end > start + BLOCK_SIZE or len(later) >= _MOST_LATER:
            self._unpack(part)
            return False
        later.pop(part, None)
        # the frames that it stands in need not stay for it
        later[part] = bytes(data)
        return True

    def _unpack(self, part: Span) -> None:
        """Make sure that nothing of a part is packed."""
        if not self._packed:
            return
        region, held = self._region(part.address)
        first = part.address - (part.address - region.start) % BLOCK_SIZE
        for address in range(first, part.end, BLOCK_SIZE):
            block = self._packed.pop(address, None)
            if block is None:
                continue
            for span, data in (*block(), *self._later.pop(address).items()):
                held.write(span.address - region.start, data)


def _runs(held: HeldBytes, begin: int, end: int) -> Iterable[tuple[int, int]]:
    """Where bytes are there, from offset *begin* to *end*."""
    first, last = begin >> LINE_SHIFT, -(-end >> LINE_SHIFT)
    if held.whole.find(0, first, last) < 0:
        yield begin, end
        return
    there = b"".join(held.there(line) for line in range(first, last))
    there = there[begin - (first << LINE_SHIFT) :][: end - begin]
    at = 0
    while (at := there.find(1, at)) >= 0:
        stop = there.find(0, at)
        stop = len(there) if stop < 0 else stop
        yield begin + at, begin + stop
        at = stop
