"""The guest's heap in one frame: its blocks, in the order of the allocator's own list.

A heap is what the allocator's list says, up to the first block that cannot be right.  What came
before it stays usable; ``damaged`` says where and why the walk ended.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import NamedTuple, overload

__all__ = ["FREE", "UNKNOWN", "Age", "Block", "FurtherBlock", "Heap", "Row", "Rows"]

FREE = "free"
UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Block:
    """One block: ``size`` bytes of payload at the guest address ``start``.

    ``index`` counts from 0 in list order.  ``owner`` says what lives there: the name of its kind,
    ``free`` where it is not used, ``unknown`` or the kind's number where the schema has no name
    for it.  ``header`` is the guest address of the block's header, ``generation`` what the schema
    says changes each time the block is handed out, ``identity`` what it says each object has for
    itself; None where it names nothing, and for the identity where the block is not used.
    """

    start: int
    size: int
    used: bool
    index: int
    owner: str
    header: int
    generation: int | None = None
    identity: int | None = None

    @property
    def end(self) -> int:
        """The guest address behind the payload."""
        return self.start + self.size

    @property
    def heap(self) -> str:
        """The name of its heap, empty for ``[heap]`` itself."""
        return ""

    @property
    def handle(self) -> int | None:
        """The guest address of the pointer by which a block that can move is known."""
        return None

    @property
    def run(self) -> bool:
        """Whether it is used bytes of which nothing tells where one block ends."""
        return False


@dataclass(frozen=True, slots=True)
class FurtherBlock(Block):
    """A block of a heap that has a name, handles, or no bounds between used blocks.

    It is apart from the others for speed: making one takes longer with every field.
    """

    heap: str = ""
    handle: int | None = None
    run: bool = False


class Age(NamedTuple):
    """How long ago a block was handed out: the greater ``rank`` is the older block.

    Of two with the same rank nobody knows which is older, nor of two whose ``among`` differ: these
    are places in different lists of the game's.
    """

    rank: int
    among: int = 0


@dataclass(frozen=True)
class Heap:
    """The blocks in list order; ``damaged`` is None or a sentence that says where the list broke.

    Guest addresses are canonical: what is asked about must not be a mirror's address.
    ``header_size`` is in bytes.  ``empty`` says why there is no block, where that is no damage.
    ``awaited`` is true where the walk ended at bytes that the source has yet to send.
    ``ages`` is by where a block's payload starts, a free one's where the game lists these, too; a
    block that is not in it has no known age.
    ``ageless`` says why there is none, where the schema describes ages.

    ``name`` is empty for ``[heap]`` itself; ``extent`` is where its blocks can lie, the address of
    the first byte and that behind the last, where the schema tells.  ``others`` are the further
    heaps of the same frame: those of the first heap have none of their own.
    """

    blocks: Sequence[Block]
    damaged: str | None = None
    header_size: int = 0
    empty: str = ""
    awaited: bool = False
    ages: Mapping[int, Age] = field(default_factory=dict)
    ageless: str = ""
    name: str = ""
    extent: tuple[int, int] | None = None
    others: tuple[Heap, ...] = ()

    @property
    def all(self) -> tuple[Heap, ...]:
        """This heap and the others of its frame, in the schema's order."""
        return (self, *self.others)

    def named(self, name: str) -> Heap | None:
        """The heap of that name among all of the frame's; None where there is none."""
        return next((heap for heap in self.all if heap.name == name), None)

    def at(self, address: int) -> Block | None:
        """The block that holds a guest address in its payload or header: the innermost of all."""
        if not self.others:
            return self.own_at(address)
        found = (heap.own_at(address) for heap in reversed(self.all))
        return min((b for b in found if b is not None), key=lambda b: b.size, default=None)

    def own_at(self, address: int) -> Block | None:
        """The same of this heap alone."""
        return self.holding(address) or self.header_holding(address)

    @property
    def bounds(self) -> tuple[int, int] | None:
        """From the first payload's first byte to behind the last's; None where there is none."""
        starts, order = self._by_start
        return (starts[0], self.blocks[order[-1]].end) if starts else None

    def begins_in(self, low: int, high: int) -> bool:
        """Whether a payload begins from one guest address on and before the other."""
        starts = self._by_start[0]
        return bisect_left(starts, low) < bisect_left(starts, high)

    def holding(self, address: int) -> Block | None:
        """The block whose payload holds a guest address."""
        starts, order = self._by_start
        place = bisect_right(starts, address) - 1
        if place < 0:
            return None
        block = self.blocks[order[place]]
        return block if address < block.end else None

    def header_holding(self, address: int) -> Block | None:
        """The block whose header holds a guest address."""
        headers, order = self._by_header
        place = bisect_right(headers, address) - 1
        if place < 0 or address >= headers[place] + self.header_size:
            return None
        block = self.blocks[order[place]]
        return None if block.header == block.start else block

    @cached_property
    def _by_start(self) -> tuple[Sequence[int], Sequence[int]]:
        rows = self.blocks
        return _sorted(rows.starts if isinstance(rows, Rows) else [b.start for b in rows])

    @cached_property
    def _by_header(self) -> tuple[Sequence[int], Sequence[int]]:
        rows = self.blocks
        return _sorted(rows.headers if isinstance(rows, Rows) else [b.header for b in rows])


def _sorted(addresses: list[int]) -> tuple[Sequence[int], Sequence[int]]:
    """Addresses in rising order, and which block each is of: a list need not be in that order."""
    order = sorted(range(len(addresses)), key=addresses.__getitem__)
    return [addresses[index] for index in order], order


Row = tuple[int, int, int, bool, int | None, int | None, int | None, int | None]
"""Header, start, size, use, the number of the kind, generation, identity and handle of a block."""


class Rows(Sequence[Block]):
    """Blocks that are made when they are asked for: most of a large heap's never are.

    Those who go through them a second time have them made all at once, and the next find them.
    ``rows`` are what they are made of; *heap* is the heap's name, and where it has *runs*, what is
    used is no single block; where they are *movable*, each is known by its handle.
    """

    def __init__(
        self,
        rows: Sequence[Row],
        owner: Callable[[Row], str],
        heap: str = "",
        *,
        runs: bool = False,
        movable: bool = False,
    ) -> None:
        self.rows = rows
        self.movable = movable
        self._owner = owner
        self._heap, self._runs = heap, runs
        self._is_plain = not (heap or runs or movable)
        self._kept: list[Block] = []
        self._passes = 0

    @property
    def starts(self) -> list[int]:
        """The payloads' addresses, in the list's order."""
        return [row[1] for row in self.rows]

    @property
    def headers(self) -> list[int]:
        """The headers' addresses, in the list's order."""
        return [row[0] for row in self.rows]

    def __len__(self) -> int:
        return len(self.rows)

    @overload
    def __getitem__(self, index: int) -> Block: ...

    @overload
    def __getitem__(self, index: slice) -> list[Block]: ...

    def __getitem__(self, index: int | slice) -> Block | list[Block]:
        if isinstance(index, slice):
            return [self._made(number) for number in range(len(self))[index]]
        return self._made(range(len(self))[index])

    def __iter__(self) -> Iterator[Block]:
        if self._kept:
            return iter(self._kept)
        self._passes += 1
        if self._passes > 1:
            self._kept = list(self._making())
            return iter(self._kept)
        return self._making()

    def _making(self) -> Iterator[Block]:
        owner, heap, runs = self._owner, self._heap, self._runs
        if self._is_plain:
            for index, row in enumerate(self.rows):
                header, start, size, used, _, generation, identity, _ = row
                yield Block(start, size, used, index, owner(row), header, generation, identity)
            return
        for index, row in enumerate(self.rows):
            header, start, size, used, _, generation, identity, handle = row
            name = owner(row)
            run = runs and used
            yield FurtherBlock(
                start, size, used, index, name, header, generation, identity, heap, handle, run
            )

    def _made(self, index: int) -> Block:
        row = self.rows[index]
        header, start, size, used, _, generation, identity, handle = row
        name, heap, run = self._owner(row), self._heap, self._runs and used
        if self._is_plain:
            return Block(start, size, used, index, name, header, generation, identity)
        return FurtherBlock(
            start, size, used, index, name, header, generation, identity, heap, handle, run
        )
