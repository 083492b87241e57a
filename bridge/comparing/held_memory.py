"""All memory of one moment as numpy arrays, with a flag for each byte that is known."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from bridge.memory.address_map import MemoryMap, Span
from bridge.memory.fetched import Part, Partial

__all__ = ["Bytes", "Flags", "HeldMemory"]

Bytes = NDArray[np.uint8]
Flags = NDArray[np.bool_]


class HeldMemory:
    """Guest bytes by flat index: ``data``, and ``held``, which is true where a byte is known.

    ``whole`` is true where every byte is; then ``held`` need not be looked at.
    """

    def __init__(self, memory: MemoryMap, parts: Sequence[tuple[Span, Part]]) -> None:
        self.map = memory
        self._parts = parts
        flats = [memory.flat(span.address, span.length) for span, _ in parts]
        self.whole = all(isinstance(part, bytes) for _, part in parts) and memory.flat_size == sum(
            span.length for span, _ in parts
        )
        if self.whole and len(parts) == 1:
            self.data: Bytes = np.frombuffer(self._bytes(parts[0][1]), np.uint8)
            return
        self.data = np.zeros(memory.flat_size, np.uint8)
        for flat, (span, part) in zip(flats, parts, strict=True):
            if flat is not None and part is not None:
                self.data[flat : flat + span.length] = np.frombuffer(self._bytes(part), np.uint8)

    @cached_property
    def held(self) -> Flags:
        held: Flags = np.full(self.map.flat_size, self.whole, np.bool_)
        for span, part in () if self.whole else self._parts:
            flat = self.map.flat(span.address, span.length)
            if flat is not None and part is not None:
                there = np.frombuffer(part.held, np.bool_) if isinstance(part, Partial) else True
                held[flat : flat + span.length] = there
        return held

    def stored(self, address: int, length: int) -> bytes | None:
        """The bytes at a guest address; None where any of them is not known."""
        flat = self.map.flat(address, length)
        if flat is None or not (self.whole or self.held[flat : flat + length].all()):
            return None
        return self.data[flat : flat + length].tobytes()

    def flats(self, spans: Sequence[Span]) -> list[slice]:
        """Where the bytes of guest spans lie, those that are in a region; also through mirrors."""
        found = []
        for span in spans:
            for region in self.map.regions:
                for begin in (region.start, *region.mirrors):
                    first, last = max(span.address, begin), min(span.end, begin + region.size)
                    if first < last:
                        flat = self.map.flat_starts[region.name] - begin
                        found.append(slice(flat + first, flat + last))
        return found

    @staticmethod
    def _bytes(part: Part) -> bytes:
        return part.data if isinstance(part, Partial) else part or b""
