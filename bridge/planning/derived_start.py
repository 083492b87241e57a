"""The heap of another build in the same moment, worked out from that of one.

The same blocks stand in the same order, each with the other build's size.  The hole that the others
leave over keeps what is left.  Any other hole was blocks once: its bytes are a sum of sizes, and
where all such sums have the same bytes on the other build, that is what it has there.  Otherwise
the other build's heap cannot be known from this one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import gcd

from bridge.planning.arena import HOLE, WALL, Arena, Cell
from bridge.planning.model import GameModel, Start
from bridge.planning.policy import End

__all__ = ["DerivedStart", "NotDerivable", "derive"]

_MAX_UNITS = 1 << 16
"""The longest hole, in units of what all sizes are multiples of, that is taken for a sum."""


class NotDerivable(Exception):
    """Why the other build's heap, or an address in it, cannot be worked out from this one."""


@dataclass(frozen=True, slots=True)
class DerivedStart:
    """Another build's start, and where addresses of this build's are in it.

    ``assumed`` are sentences on what need not be so: a hole that is as long as whole blocks would
    leave it may as well be what was left of a longer one.
    """

    of: Start
    start: Start
    assumed: tuple[str, ...]
    _sums: _Sums
    _rest: int
    """The cell that keeps what is left; -1 for none."""

    def carried(self, address: int) -> int:
        """The other build's address of what *address* is here.  Raises NotDerivable."""
        cells = self.of.arena.cells
        if not self.of.arena.low <= address < self.of.arena.high:
            raise NotDerivable(f"0x{address:08X} is outside the heap of {self.of.game.build}")
        number = next(n for n, cell in enumerate(cells) if address < cell.end)
        mine, others = cells[number], self.start.arena.cells[number]
        headers = self.of.game.policy.header, self.start.game.policy.header
        offset = address - mine.start - headers[0]
        if mine.used or offset <= 0:
            if offset > others.stride - headers[1]:
                raise NotDerivable(
                    f"0x{address:08X} is 0x{offset:X} bytes into a {mine.kind}, which is smaller "
                    f"on {self.start.game.build}"
                )
            return others.start + headers[1] + offset
        from_end = number == self._rest and self.of.game.policy.carved_from is End.HIGH
        length = mine.stride - offset if from_end else offset
        found = self._sums.of(length)
        if len(found) != 1:
            raise NotDerivable(
                f"0x{address:08X} lies 0x{offset:X} bytes into a free block, and what was there "
                f"on {self.start.game.build} cannot be told"
            )
        (other,) = found
        return others.start + headers[1] + (others.stride - other if from_end else other)


def derive(of: Start, game: GameModel, bounds: tuple[int, int]) -> DerivedStart:
    """The start of *game*'s build, whose arena is *bounds*.  Raises NotDerivable."""
    sums = _Sums(of.game, game)
    rest = _rest(of)
    strides = [
        0 if number == rest else _stride(cell, of.game, game, sums)
        for number, cell in enumerate(of.arena.cells)
    ]
    low, high = bounds
    left = high - low - sum(strides)
    if left < game.policy.least_rest if rest >= 0 else left:
        raise NotDerivable(
            f"the blocks of {of.game.build} take 0x{sum(strides):X} bytes on {game.build}, whose "
            f"arena has 0x{high - low:X}"
        )
    if rest >= 0:
        strides[rest] = left
    cells: list[Cell] = []
    at = low
    for cell, stride in zip(of.arena.cells, strides, strict=True):
        cells.append(replace(cell, start=at, stride=stride))
        at += stride
    arena = of.arena
    held = None if arena.held is None else _moved(of, cells, arena.held)
    rover = None if arena.rover is None else _moved(of, cells, arena.rover)
    start = Start(game, Arena(tuple(cells), rover, held))
    assumed = () if sums.same else tuple(_assumed(of, cells, rest, game))
    return DerivedStart(of, start, assumed, sums, rest)


def _assumed(of: Start, cells: Sequence[Cell], rest: int, game: GameModel) -> Iterator[str]:
    for number, (mine, cell) in enumerate(zip(of.arena.cells, cells, strict=True)):
        if mine.kind == HOLE and number != rest:
            yield (
                f"the free block at 0x{mine.start + of.game.policy.header:08X} is taken for whole "
                f"blocks that were released, so that it has 0x{cell.stride:X} bytes with its "
                f"header on {game.build}: a dump of that tells for sure"
            )


def _moved(of: Start, cells: Sequence[Cell], boundary: int) -> int:
    """Where a cell's start, or the arena's end, is on the other build."""
    starts = {mine.start: cell.start for mine, cell in zip(of.arena.cells, cells, strict=True)}
    starts[of.arena.high] = cells[-1].end
    if boundary not in starts:
        raise NotDerivable(f"the rover stands at 0x{boundary:08X}, inside a block")
    return starts[boundary]


def _rest(of: Start) -> int:
    """Which hole is what the blocks leave over: at the end that is carved last, or the largest."""
    cells = of.arena.cells
    end = 0 if of.game.policy.carved_from is End.HIGH else len(cells) - 1
    if cells[end].kind == HOLE:
        return end
    holes = [number for number, cell in enumerate(cells) if cell.kind == HOLE]
    return max(holes, key=lambda number: cells[number].stride, default=-1)


def _stride(cell: Cell, mine: GameModel, other: GameModel, sums: _Sums) -> int:
    if cell.kind == WALL:
        return cell.stride
    if cell.kind == HOLE:
        return sums.only(cell)
    for game in (mine, other):
        if cell.kind not in game.sizes:
            raise NotDerivable(
                f"the block at 0x{cell.start + mine.policy.header:08X} is a {cell.kind}, whose "
                f"size on {game.build} is not known"
            )
    own = mine.policy.stride(mine.sizes[cell.kind])
    stride = other.policy.stride(other.sizes[cell.kind])
    if cell.stride == own:
        return stride
    # it got a whole hole, of which too little would have been left
    whole = sums.only(cell)
    if not 0 <= whole - stride < other.policy.least_rest:
        raise NotDerivable(
            f"the {cell.kind} at 0x{cell.start + mine.policy.header:08X} has 0x{cell.stride:X} "
            f"bytes where its kind takes 0x{own:X}; on {other.build} it would not have got as many"
        )
    return whole


class _Sums:
    """Which bytes a run of blocks, known by its bytes on one build, may have on another."""

    def __init__(self, mine: GameModel, other: GameModel) -> None:
        self._build = other.build
        self._header = mine.policy.header
        self._pairs = _pairs(mine, other)
        self.same = all(own == others for own, others in self._pairs)
        self._unit = gcd(*(own for own, _ in self._pairs)) or 1
        self._known: list[frozenset[int]] = [frozenset([0])]

    def of(self, length: int) -> frozenset[int]:
        """All that is possible, or two of those: more are as little known."""
        if self.same:
            return frozenset([length])
        units, off = divmod(length, self._unit)
        if off or units > _MAX_UNITS:
            return frozenset()
        for n in range(len(self._known), units + 1):
            found: set[int] = set()
            for own, others in self._pairs:
                before = n - own // self._unit
                if before >= 0 and len(found) < 2:
                    found |= {others + each for each in self._known[before]}
            self._known.append(frozenset(sorted(found)[:2]))
        return self._known[units]

    def only(self, cell: Cell) -> int:
        """The bytes of a cell that was blocks once.  Raises NotDerivable where they are not one."""
        found = self.of(cell.stride)
        if len(found) == 1:
            return next(iter(found))
        what = (
            "may have been blocks of several sizes" if found else "is no sum of the sizes of blocks"
        )
        raise NotDerivable(
            f"the free block at 0x{cell.start + self._header:08X} of 0x{cell.stride:X} bytes "
            f"{what}, so its size on {self._build} cannot be told"
        )


def _pairs(mine: GameModel, other: GameModel) -> list[tuple[int, int]]:
    both: Mapping[str, int] = {k: s for k, s in mine.sizes.items() if k in other.sizes}
    strides = {
        (mine.policy.stride(size), other.policy.stride(other.sizes[kind]))
        for kind, size in both.items()
    }
    return sorted(strides)
