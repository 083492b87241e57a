"""A guest's memory in one frame as far as it is known, both as an image and as an array.

An evaluator reads the image; evaluation over many frames reads the same bytes through numpy.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from bridge.memory.address_map import LINE_SHIFT, LINE_SIZE, MemoryMap, Span
from bridge.memory.image import Image
from bridge.querying.stretch import Spans

__all__ = ["KnownMemory"]


class KnownMemory:
    """All of *memory*, of which nothing is known at first.

    ``data`` are its flat bytes and ``known`` has a 1 for each that is known.  ``image`` has the
    same bytes; after :meth:`begin` it says of each line whether it is there.
    """

    def __init__(self, memory: MemoryMap) -> None:
        self.memory = memory
        self.image = Image(memory)
        self.data = np.frombuffer(self.image.bytes, np.uint8)
        self.known = np.zeros(memory.flat_size, np.uint8)
        for region in memory.regions:
            # what fills up the last line is asked for by nobody
            end = memory.flat_starts[region.name] + region.size
            self.known[end : -(-end // LINE_SIZE) * LINE_SIZE] = 1
        self.complete = False
        """Whether every byte is known."""

    def write(self, span: Span, data: bytes | memoryview) -> None:
        """Bytes that are known, before :meth:`begin`; what is outside the map is passed over."""
        for region in self.memory.regions:
            first, last = max(span.address, region.start), min(span.end, region.end)
            if first < last:
                flat = self.memory.flat_starts[region.name] + first - region.start
                part = memoryview(data)[first - span.address : last - span.address]
                self.data[flat : flat + len(part)] = np.frombuffer(part, np.uint8)
                self.known[flat : flat + len(part)] = 1

    def look_only_at(self, lines: Iterable[int]) -> None:
        """Nobody reads other lines than these, so that they count as known."""
        others = np.ones(len(self.image.held), np.bool_)
        others[list(lines)] = False
        self.known.reshape(-1, LINE_SIZE)[others] = 1

    def begin(self) -> None:
        """All that is known from before has been written."""
        self.complete = bool(self.known.all())
        self.image.whole = self.complete
        lines = self.known.reshape(-1, LINE_SIZE)
        whole = lines.all(axis=1)
        self.image.held[:] = whole.astype(np.uint8).tobytes()
        self.image.absent.clear()
        self.image.partial.clear()
        if not self.complete:
            some = lines.any(axis=1)
            self.image.absent.update(np.flatnonzero(~some).tolist())
            self._judge(np.flatnonzero(some & ~whole).tolist())

    def change(self, parts: Spans, gone: Spans, data: NDArray[np.uint8]) -> None:
        """One frame more: *parts*, whose bytes are in *data*, and what is *gone*, by flat index."""
        mine, theirs = memoryview(self.image.bytes), memoryview(data)  # type: ignore[arg-type]
        at, length, offset = parts.at.tolist(), parts.length.tolist(), parts.data.tolist()
        for flat, size, first in zip(at, length, offset, strict=True):
            mine[flat : flat + size] = theirs[first : first + size]
        if not self.complete:
            self._mark(parts, 1)
        if len(gone):
            self.complete = self.image.whole = False
            self._mark(gone, 0)

    def _mark(self, spans: Spans, known: int) -> None:
        lines: set[int] = set()
        for flat, size in zip(spans.at.tolist(), spans.length.tolist(), strict=True):
            self.known[flat : flat + size] = known
            lines.update(range(flat >> LINE_SHIFT, (flat + size - 1 >> LINE_SHIFT) + 1))
        self._judge(lines)

    def _judge(self, lines: Iterable[int]) -> None:
        """Tell the image anew which bytes of some lines are there."""
        image = self.image
        for line in lines:
            there = self.known[line << LINE_SHIFT : (line + 1) << LINE_SHIFT].tobytes()
            image.drop((line,))
            if 0 not in there:
                image.held[line] = 1
            elif 1 in there:
                image.partial[line] = there
            else:
                image.absent.add(line)
