"""The guest's RAM in one frame, in guest byte order.

An image is one flat buffer for all regions (``bridge.memory.address_map``).  A *whole* image holds
every byte.  A *sparse* one holds the lines that were fetched: ``held`` has one byte a line, 1 where
the line is there, and ``touched`` one byte a line, 1 where an evaluation looked.  What is not held
is never read as zero: the evaluation asks for the line instead.  A line in ``absent`` was asked
for, and the source does not hold it; one in ``partial`` is there in part, with a 1 for each byte
that is.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from bridge.memory.address_map import LINE_SHIFT, LINE_SIZE, MemoryMap, Span
from bridge.memory.fetched import Part, Partial

__all__ = ["Image"]


class Image:
    """A frame's bytes.  ``whole`` says whether every line is there."""

    def __init__(
        self, memory: MemoryMap, *, whole: bool = False, data: bytearray | None = None
    ) -> None:
        self.memory = memory
        self.whole = whole
        self.bytes = bytearray(memory.flat_size) if data is None else data
        lines = -(-memory.flat_size // LINE_SIZE)
        self.held = bytearray((b"\1" if whole else b"\0") * lines)
        self.touched = bytearray(lines)
        self.absent: set[int] = set()
        self.partial: dict[int, bytes] = {}

    @classmethod
    def of(cls, memory: MemoryMap, parts: Sequence[bytes]) -> Image:
        """A whole image from the bytes of each region, in the map's order."""
        if len(parts) == 1 and len(parts[0]) == memory.flat_size:
            return cls(memory, whole=True, data=bytearray(parts[0]))
        image = cls(memory, whole=True)
        for region, data in zip(memory.regions, parts, strict=True):
            if len(data) != region.size:
                raise ValueError(f"{region.name}: expected {region.size} bytes, found {len(data)}")
            start = memory.flat_starts[region.name]
            image.bytes[start : start + region.size] = data
        return image

    def clear(self) -> None:
        """Forget every line: a new frame begins."""
        self.held = bytearray(len(self.held))
        self.touched = bytearray(len(self.touched))
        self.absent.clear()
        self.partial.clear()

    def put(self, span: Span, data: Part) -> None:
        """The lines of a span have come, or some of their bytes, or the source holds none."""
        flat = self.memory.flat(span.address, span.length)
        if flat is None:
            raise ValueError(f"0x{span.address:08X} is outside every region")
        first, last = flat >> LINE_SHIFT, (flat + span.length - 1) >> LINE_SHIFT
        if data is None:
            self.absent.update(range(first, last + 1))
            return
        if isinstance(data, Partial):
            self.bytes[flat : flat + span.length] = data.data
            for line in range(first, last + 1):
                start = max(0, (line << LINE_SHIFT) - flat)
                there = data.held[start : ((line + 1) << LINE_SHIFT) - flat]
                if 0 not in there:
                    self.held[line] = 1
                elif 1 in there:
                    self.partial[line] = there
                else:
                    self.absent.add(line)
            return
        self.bytes[flat : flat + span.length] = data
        self.held[first : last + 1] = b"\1" * (last + 1 - first)

    def drop(self, lines: Iterable[int]) -> None:
        """Forget these lines: what came cannot be relied on."""
        for line in lines:
            self.held[line] = 0
            self.absent.discard(line)
            self.partial.pop(line, None)

    def touched_lines(self) -> Iterator[int]:
        """Numbers of the lines that evaluations looked at."""
        line = self.touched.find(1)
        while line >= 0:
            yield line
            line = self.touched.find(1, line + 1)

    def read(self, address: int, length: int) -> bytes | None:
        """Bytes at a guest address; None where any of them is outside or not held."""
        flat = self.memory.flat(address, length)
        if flat is None:
            return None
        lines = range(flat >> LINE_SHIFT, (flat + length - 1 >> LINE_SHIFT) + 1)
        if not all(self.held[line] or self.has(line, flat, length) for line in lines):
            return None
        return bytes(self.bytes[flat : flat + length])

    def has(self, line: int, flat: int, length: int) -> bool:
        """Whether a line that is there in part has all its bytes of an access."""
        there = self.partial.get(line)
        if there is None:
            return False
        start = line << LINE_SHIFT
        return 0 not in there[max(0, flat - start) : max(0, flat + length - start)]
