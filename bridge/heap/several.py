"""The heaps of one frame together: nested arenas, and those that cannot be where they are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from bridge.heap.blocks import Heap

__all__ = ["joined"]


def joined(heaps: Sequence[Heap]) -> Heap:
    """The first heap, with the others as its ``others``; in the schema's order.

    Two may only have bytes in common where one lies in a single block of the other.  Else the later
    one is damaged: one of the two descriptions is wrong, or its memory is no heap any more.
    """
    if len(heaps) == 1:
        return heaps[0]
    found: list[Heap] = []
    for heap in heaps:
        wrong = next(filter(None, (_overlap(heap, other) for other in found)), None)
        if wrong is not None and heap.damaged is None:
            heap = replace(heap, damaged=wrong)
        found.append(heap)
    return replace(found[0], others=tuple(found[1:]))


def _overlap(heap: Heap, other: Heap) -> str | None:
    mine, theirs = _span(heap), _span(other)
    if mine is None or theirs is None or mine[1] <= theirs[0] or theirs[1] <= mine[0]:
        return None
    if _in_one_block(mine, other) or _in_one_block(theirs, heap):
        return None
    name = f"the heap {other.name}" if other.name else "[heap]"
    return (
        f"its blocks lie in 0x{mine[0]:08X} to 0x{mine[1]:08X}, which overlaps 0x{theirs[0]:08X} "
        f"to 0x{theirs[1]:08X} of {name}; a heap inside another must lie in one block of it"
    )


def _span(heap: Heap) -> tuple[int, int] | None:
    """From the first byte of a heap to the last: its extent, or that of its payloads."""
    return heap.extent or heap.bounds


def _in_one_block(span: tuple[int, int], heap: Heap) -> bool:
    """Whether it lies in one payload, or where a heap that has no extent has no block at all."""
    block = heap.holding(span[0])
    if block is not None:
        return span[1] <= block.end
    return heap.extent is None and not heap.begins_in(*span)
