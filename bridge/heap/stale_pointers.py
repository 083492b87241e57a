"""Pointers into the heap: whether what they lead to is what they were aimed at.

A pointer that the game does not write any more goes on holding an address whose block may be
released, merged with its neighbours, split, and handed out to something else, or leave the heap
altogether, as when its base moves.  So for each pointer that is followed by a path of its own, the
block that it led to when its value last changed is kept.  Where the address is free now, or in no
block any more, the pointer is *freed*; where a block that is used holds it and is not the one that
was aimed at, *changed*, until the pointer is written again.  A block that was seen free, as
something else or nowhere does not come back: what is there later is not what was aimed at, however
alike it looks.  A pointer that is seen for the first time counts as just written, and one that was
never aimed at a block is none of the heap's business.

A pointer that is written to the value that it has looks like one that is not written.  And of a
heap that is damaged, or not there as a whole, nobody knows which blocks have left it.

As with functions over frames, a frame may be judged several times before it is taken: only
``commit`` moves on.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from bridge.heap.blocks import FREE, Block, Heap
from bridge.values.status import Status

__all__ = ["Caution", "HeapPointer", "PointerHistory"]

_PRIORITY = (
    Status.CHANGED,
    Status.FREED,
    Status.HEADER,
    Status.BETWEEN,
    Status.DAMAGED,
)


@dataclass(frozen=True, slots=True)
class HeapPointer:
    """A pointer that is followed, by its path.

    ``at_start`` where it should lead to the start of a payload; ``over_frames`` where the path has
    one value a frame, so that it can be told when the pointer was written.
    """

    path: str
    at_start: bool
    over_frames: bool


@dataclass(frozen=True, slots=True)
class Caution:
    """A status that has a value, and the sentence that goes with it."""

    status: Status
    reason: str

    def outweighs(self, other: Caution | None) -> bool:
        """Whether this one is told where there is also another."""
        if other is None:
            return True
        return _PRIORITY.index(self.status) < _PRIORITY.index(other.status)


@dataclass(frozen=True, slots=True)
class _Aim:
    """A pointer's value when it was last written, and the block that held that address then.

    ``gone`` is true once that block was seen free, or as something else, or nowhere: whatever is
    there later, even if it looks the same, is not what the pointer was aimed at.  ``left`` is true
    once it was seen nowhere: no block held the address.
    """

    address: int
    block: Block | None
    gone: bool = False
    left: bool = False


_UNSEEN = _Aim(-1, None)


class PointerHistory:
    """What every pointer was aimed at.  Addresses are canonical."""

    def __init__(self) -> None:
        self._state: dict[str, _Aim] = {}
        self._next: dict[str, _Aim] = {}
        self.judged: dict[str, Caution | None] = {}
        """What was said in this sample of pointers with a path of their own, by path."""

    def begin(self) -> None:
        """A sample is judged: nothing of one that was not taken stays."""
        self._next = {}
        self.judged = {}

    def commit(self) -> None:
        """The sample was taken."""
        self._state |= self._next
        self._next = {}

    def clear(self) -> None:
        """The guest was reset."""
        self._state.clear()
        self.begin()

    def begin_as(self, other: PointerHistory) -> None:
        """Go on from what another has committed; what it commits later is its own."""
        self._state |= other._state

    def null(self, pointer: HeapPointer) -> None:
        """The pointer leads nowhere in this frame."""
        self._next[pointer.path] = _Aim(0, None)
        self._forget_behind(pointer.path)

    def judge(self, pointer: HeapPointer, address: int, heap: Heap) -> Caution | None:
        """What to say of a pointer that holds a canonical address."""
        path = pointer.path
        if not pointer.over_frames:
            return _judged(pointer, address, heap, None)
        aim = self._next.get(path) or self._state.get(path)
        if aim is None or aim.address != address:
            if aim is not None:
                self._forget_behind(path)
            aim = _Aim(address, heap.at(address))
        elif aim.block is None:
            aim = replace(aim, block=heap.at(address))
        else:
            aim = _followed(aim, aim.block, _heap_of(aim.block, heap))
        self._next[path] = aim
        caution = self.judged[path] = _judged(pointer, address, heap, aim)
        return caution

    def _forget_behind(self, path: str) -> None:
        """What is behind a pointer is another place now, or none."""
        behind = f"{path}.", f"{path}["
        for other in self._state:
            if other.startswith(behind):
                self._next[other] = _UNSEEN


def _judged(pointer: HeapPointer, address: int, heap: Heap, aim: _Aim | None) -> Caution | None:
    path, here = pointer.path, heap.at(address)
    aimed = aim.block if aim is not None else None
    if aimed is not None and heap.others:
        own, other = _heap_of(aimed, heap), here
        here = own.own_at(address)
        if here is None and own.damaged is not None and other is not None and not other.used:
            here = other  # the arena that its heap was in is free
    if here is None:
        own = heap if aimed is None else _heap_of(aimed, heap)
        return None if aim is None else _led_astray(path, own, aim)
    block = here if here.start <= address < here.end else None
    if aim is not None and aimed is not None and here.used and not _still(aim, aimed, here):
        return _changed(path, aim, aimed, here, header=block is None)
    if block is None:
        where = f"{_number(here)} ({here.owner})"
        return Caution(Status.HEADER, f"{path} points into the header of {where}")
    if not block.used:
        was = f", was {aimed.owner}" if aimed is not None and aimed.used else ""
        return Caution(Status.FREED, f"{path} points into a free block ({_number(block)}{was})")
    if pointer.at_start and address != block.start:
        where = f"{_number(block)} ({block.owner})"
        way = f"0x{address - block.start:X} bytes into {where}, not at its start"
        return Caution(Status.BETWEEN, f"{path} points {way}")
    return None


def _followed(aim: _Aim, aimed: Block, own: Heap) -> _Aim:
    """The aim after a frame in which the pointer was not written."""
    here = own.own_at(aim.address)
    if here is not None:
        gone = aimed.used and not (here.used and _same(aimed, here))
        return replace(aim, gone=aim.gone or gone)
    return replace(aim, gone=True, left=True) if own.damaged is None else aim


def _heap_of(block: Block, heap: Heap) -> Heap:
    """The heap of this frame that a block of another was in."""
    return heap.named(block.heap) or heap


def _number(block: Block) -> str:
    """For example ``block 3``, or ``block 3 of pool``."""
    return f"block {block.index}" + (f" of {block.heap}" if block.heap else "")


def _led_astray(path: str, heap: Heap, aim: _Aim) -> Caution | None:
    """What to say where no block holds the address."""
    if aim.block is None:
        return None
    if heap.damaged is None:
        nowhere = f"the heap has none: {heap.empty}" if heap.empty else "none is there now"
        what = f"which left the heap; {nowhere}"
    elif aim.gone:
        what = "which is gone; none is seen there now, and the heap is damaged"
    else:
        return None
    return Caution(Status.FREED, f"{_aimed_at(path, aim.block)}, {what}")


def _changed(path: str, aim: _Aim, aimed: Block, here: Block, *, header: bool) -> Caution:
    """What to say where another block holds the address, in its payload or in its header."""
    block = f"{_number(here)} ({here.owner})"
    if aim.left:
        now = f"the header of {block} is there now" if header else f"{block} came there later"
        now = f", which left the heap; {now}"
    elif header:
        now = f" and the header of {block} is there now"
    else:
        other = "another " if aimed.owner == here.owner else ""
        # blocks are counted anew in each frame: another number is not yet another block
        alike = (aimed.heap, aimed.index) == (here.heap, here.index)
        the = "the block" if alike else _number(here)
        now = f" and {the} now holds {other}{here.owner}"
    return Caution(Status.CHANGED, f"{_aimed_at(path, aimed)}{now}")


def _aimed_at(path: str, block: Block) -> str:
    was = "a free block" if block.owner == FREE else block.owner
    return f"{path} was aimed at {was} ({_number(block)})"


def _still(aim: _Aim, aimed: Block, here: Block) -> bool:
    return not aim.gone and _same(aimed, here)


def _same(one: Block, other: Block) -> bool:
    """Whether two blocks of different frames are the same thing."""
    if one.run and other.run:
        return True  # where a block begins in a run, nobody knows
    mine = one.start, one.owner, one.generation, one.identity
    return mine == (other.start, other.owner, other.generation, other.identity)
