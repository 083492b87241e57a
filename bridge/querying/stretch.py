"""Some frames in a row, as arrays: what each of them changed, for evaluation over all of them.

A recording's messages name spans of guest addresses and their bytes.  Here those of many frames
stand one behind the other, so that they can be sorted, cut and looked up at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.memory.address_map import MemoryMap

__all__ = ["Ints", "Spans", "Stretch", "flat_spans", "joined"]

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Spans:
    """Pieces of memory in the order of their frames.

    ``frame`` counts from 0 within the stretch, ``at`` is a guest address (or a flat index, as said
    where they are used), ``length`` in bytes, and ``data`` the offset of the first of them in the
    stretch's bytes.
    """

    frame: Ints
    at: Ints
    length: Ints
    data: Ints

    def __len__(self) -> int:
        return len(self.frame)

    @classmethod
    def none(cls) -> Spans:
        """No piece."""
        empty = np.empty(0, np.int64)
        return cls(empty, empty, empty, empty)

    def where(self, chosen: NDArray[np.bool_] | Ints | slice) -> Spans:
        """Those that a mask or a list of indices names."""
        return Spans(*(each[chosen] for each in (self.frame, self.at, self.length, self.data)))


@dataclass(frozen=True, slots=True)
class Stretch:
    """Frames in a row.

    ``numbers`` are the game's own, ``times`` in nanoseconds since the Unix epoch, ``in_part``
    whether bytes that a frame did not change may be older than it.  ``parts`` have bytes, in
    ``data``; ``gone`` are not known any more, from that frame on, and have none.
    """

    numbers: Sequence[int]
    times: Ints
    in_part: NDArray[np.bool_]
    parts: Spans
    gone: Spans
    data: NDArray[np.uint8]

    def __len__(self) -> int:
        return len(self.numbers)


def joined(stretches: Sequence[Stretch]) -> Stretch:
    """Several stretches, one behind the other, as one."""
    if len(stretches) == 1:
        return stretches[0]
    frames = np.cumsum([0, *(len(each) for each in stretches)])
    sizes = np.cumsum([0, *(len(each.data) for each in stretches)])

    def spans(each: Sequence[Spans]) -> Spans:
        return Spans(
            np.concatenate([s.frame + n for s, n in zip(each, frames, strict=False)]),
            np.concatenate([s.at for s in each]),
            np.concatenate([s.length for s in each]),
            np.concatenate([s.data + n for s, n in zip(each, sizes, strict=False)]),
        )

    return Stretch(
        [number for each in stretches for number in each.numbers],
        np.concatenate([each.times for each in stretches]),
        np.concatenate([each.in_part for each in stretches]),
        spans([each.parts for each in stretches]),
        spans([each.gone for each in stretches]),
        np.concatenate([each.data for each in stretches]),
    )


def flat_spans(spans: Spans, memory: MemoryMap) -> Spans:
    """The same by flat index, cut to the map's regions; what lies outside is left out."""
    found: list[Spans] = []
    for region in memory.regions:
        # addresses of 64 bits are in two's complement here
        start = (region.start + (1 << 63)) % (1 << 64) - (1 << 63)
        first = np.maximum(spans.at, start)
        last = np.minimum(spans.at + spans.length, start + region.size)
        inside = np.flatnonzero(first < last)
        if not len(inside):
            continue
        cut = first - spans.at
        flat = first - start + memory.flat_starts[region.name]
        whole = Spans(spans.frame, flat, last - first, spans.data + cut)
        found.append(whole if len(inside) == len(spans) else whole.where(inside))
    if len(found) < 2:
        return found[0] if found else Spans.none()
    together = Spans(
        *(
            np.concatenate(each)
            for each in zip(*((s.frame, s.at, s.length, s.data) for s in found), strict=True)
        )
    )
    return together.where(np.argsort(together.frame, kind="stable"))
