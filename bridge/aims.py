"""Pointers into the heap: whether what they lead to is what they were aimed at.

A pointer that the game does not write any more goes on holding an address whose block may be
released, merged with its neighbours, split, and handed out to something else.  So for each pointer
that is followed by a path of its own, the block that it led to when its value last changed is kept.
Where the address is free now, the pointer is *freed*; where a block that is used holds it and is
not the one that was aimed at, *changed*, until the pointer is written again.  A pointer that is
seen for the first time counts as just written.

As with functions over frames, a frame may be judged several times before it is taken: only
``commit`` moves on.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from bridge.heap import FREE, Block, Heap
from bridge.readings import Status

_PRIORITY = (
    Status.CHANGED,
    Status.FREED,
    Status.HEADER,
    Status.BETWEEN,
    Status.DAMAGED,
)


@dataclass(frozen=True, slots=True)
class Pointer:
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
        if other is None:
            return True
        return _PRIORITY.index(self.status) < _PRIORITY.index(other.status)


@dataclass(frozen=True, slots=True)
class _Aim:
    """A pointer's value when it was last written, and the block that held that address then.

    ``gone`` is true once that block was seen free, or as something else: whatever is there later,
    even if it looks the same, is not what the pointer was aimed at.
    """

    address: int
    block: Block | None
    gone: bool = False


class Aims:
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

    def begin_as(self, other: Aims) -> None:
        """Go on from what another has committed; what it commits later is its own."""
        self._state = dict(other._state)

    def null(self, pointer: Pointer) -> None:
        """The pointer leads nowhere in this frame."""
        self._next[pointer.path] = _Aim(0, None)

    def judge(self, pointer: Pointer, address: int, heap: Heap) -> Caution | None:
        """What to say of a pointer that holds a canonical address."""
        if not pointer.over_frames:
            return _judged(pointer, address, heap, None)
        here = heap.holding(address) or heap.header_holding(address)
        aim = self._state.get(pointer.path)
        if aim is None or aim.address != address or (aim.block is None and here is not None):
            aim = _Aim(address, here)
        elif not aim.gone and aim.block is not None and here is not None:
            gone = aim.block.used and not (here.used and _same(aim.block, here))
            aim = replace(aim, gone=gone)
        self._next[pointer.path] = aim
        caution = self.judged[pointer.path] = _judged(pointer, address, heap, aim)
        return caution


def _judged(pointer: Pointer, address: int, heap: Heap, aim: _Aim | None) -> Caution | None:
    path, block = pointer.path, heap.holding(address)
    aimed, gone = (aim.block, aim.gone) if aim is not None else (None, False)
    here = block or heap.header_holding(address)
    if here is None:
        return None
    if aimed is not None and here.used and (gone or not _same(aimed, here)):
        if block is None:
            now = f"the header of block {here.index} ({here.owner}) is there now"
        else:
            other = "another " if aimed.owner == here.owner else ""
            now = f"the block now holds {other}{here.owner}"
        was = "a free block" if aimed.owner == FREE else aimed.owner
        reason = f"{path} was aimed at {was} (block {here.index}) and {now}"
        return Caution(Status.CHANGED, reason)
    if block is None:
        where = f"block {here.index} ({here.owner})"
        return Caution(Status.HEADER, f"{path} points into the header of {where}")
    if not block.used:
        was = f", was {aimed.owner}" if aimed is not None and aimed.used else ""
        return Caution(Status.FREED, f"{path} points into a free block (block {block.index}{was})")
    if pointer.at_start and address != block.start:
        where = f"block {block.index} ({block.owner})"
        way = f"0x{address - block.start:X} bytes into {where}, not at its start"
        return Caution(Status.BETWEEN, f"{path} points {way}")
    return None


def _same(one: Block, other: Block) -> bool:
    """Whether two blocks of different frames are the same thing."""
    mine = one.start, one.owner, one.generation
    return mine == (other.start, other.owner, other.generation)
