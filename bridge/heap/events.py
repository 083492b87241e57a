"""What became of the heap's blocks from one frame to the next: allocated, released, reused, moved.

A block is told by where its payload begins.  One that is used in both frames, and is of another
kind, size, generation or identity in the later one, was *reused*: between the two it was released,
and the same place handed out.  The list's order plays no part, nor do blocks that are free: to
split and to merge these is the allocator's own business.  A block that is known by a handle is told
by that: with another place for the same object it *moved*.  Of used bytes of which nothing tells
where one block ends, nothing can be told.

Each of several heaps is looked at by itself.  One whose list is damaged, or not there as a whole,
tells nothing of the blocks behind: the next whole one is held against the last whole one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from bridge.heap.blocks import Block, Heap, Rows

__all__ = ["Happened", "HeapEvent", "HeapEvents", "events_between"]


class Happened(StrEnum):
    """What became of a block."""

    ALLOCATED = "allocated"
    RELEASED = "released"
    REUSED = "reused"
    MOVED = "moved"


@dataclass(frozen=True, slots=True)
class HeapEvent:
    """Something that became of ``block``, seen in ``frame``.

    The block is as it was before where it was released, else as it is now; ``was`` is what was
    reused, or the block before it moved, None otherwise.  ``since`` is the frame in which the heap
    was seen before: it may have happened in any frame behind that.
    """

    frame: int
    since: int
    happened: Happened
    block: Block
    was: Block | None = None


class HeapEvents:
    """Goes along with the frames of a game."""

    def __init__(self) -> None:
        self._before: dict[str, tuple[int, Sequence[Block]]] = {}

    def take(self, frame: int, heap: Heap) -> list[HeapEvent]:
        """What has happened up to this frame; nothing where there is none to hold it against."""
        return [event for each in heap.all for event in self.take_one(frame, each)]

    def take_one(self, frame: int, heap: Heap) -> list[HeapEvent]:
        """The same of this heap alone."""
        if heap.damaged is not None or heap.awaited:
            return []
        before = self._before.get(heap.name)
        self._before[heap.name] = frame, heap.blocks
        return [] if before is None else _between(frame, *before, heap.blocks)

    def forget(self) -> None:
        """What comes next does not follow from what was."""
        self._before.clear()


def events_between(frame: int, since: int, before: Heap, after: Heap) -> list[HeapEvent]:
    """What has happened between two whole heaps: first what was released, each by address.

    Of further heaps of the same frames it is told behind that, each by itself.
    """
    earlier = {heap.name: heap.blocks for heap in before.all}
    return [
        event
        for heap in after.all
        if heap.name in earlier
        for event in _between(frame, since, earlier[heap.name], heap.blocks)
    ]


def _used(blocks: Sequence[Block], others: Sequence[Block]) -> dict[int, Block]:
    """The blocks in use by what they are told by; those in *others*, too, may be left out."""
    if not isinstance(blocks, Rows) or not isinstance(others, Rows):
        return {_place(block): block for block in blocks if block.used and not block.run}
    same = set(others.rows)
    changed = (blocks[index] for index, row in enumerate(blocks.rows) if row[3] and row not in same)
    return {_place(block): block for block in changed if not block.run}


def _place(block: Block) -> int:
    return block.start if block.handle is None else block.handle


def _between(
    frame: int, since: int, earlier: Sequence[Block], later: Sequence[Block]
) -> list[HeapEvent]:
    if isinstance(earlier, Rows) and isinstance(later, Rows) and earlier.rows == later.rows:
        return []  # as in most frames
    before, after = _used(earlier, later), _used(later, earlier)
    gone = sorted((before[place] for place in before.keys() - after.keys()), key=_start)
    found = [HeapEvent(frame, since, Happened.RELEASED, block) for block in gone]
    for block in sorted(after.values(), key=_start):
        was = before.get(_place(block))
        if was is None:
            found.append(HeapEvent(frame, since, Happened.ALLOCATED, block))
        elif _object(was) != _object(block):
            found.append(HeapEvent(frame, since, Happened.REUSED, block, was))
        elif was.start != block.start:
            found.append(HeapEvent(frame, since, Happened.MOVED, block, was))
    return found


def _start(block: Block) -> int:
    return block.start


def _object(block: Block) -> tuple[object, ...]:
    return block.owner, block.size, block.generation, block.identity
