"""Which blocks each wildcard of a layout takes, where a heap is as the layout has it.

A layout is a row of *singles*, which take one block each, and of gaps before, between and behind
them, where runs may stand.  The set of singles that blocks so far may have brought us to is one
whole number, a bit a place, and the next block makes the next set of it by a few operations: those
whose single the block fits go on by one, those in a gap may stay as well.  (So an automaton is run
without backtracking; Thompson, "Regular expression search algorithm", Communications of the ACM
11 (6), 1968.)  Thus n blocks against m singles take n × m bits of work, whatever stands there.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence

from bridge.heap.laid import Laid

__all__ = ["Blocks", "Wildcards"]

Blocks = Sequence[tuple[str, int, bool, int]]
"""Owner, size, use and place behind the first block's payload, of each block of a heap."""


class Wildcards:
    """The singles and gaps of a layout.

    ``singles`` are the positions of the blocks that take one, ``runs`` by gap (0 is the one before
    the first single) those of the runs in it.  With ``ignore_sizes`` sizes and places do not count.
    """

    def __init__(self, laid: Sequence[Laid], *, ignore_sizes: bool = False) -> None:
        self.laid = laid
        self.ignore_sizes = ignore_sizes
        self.singles = [n for n, one in enumerate(laid) if not one.run]
        self.runs: dict[int, list[int]] = {}
        passed = 0
        for number, one in enumerate(laid):
            if one.run:
                self.runs.setdefault(passed, []).append(number)
            else:
                passed += 1
        self._gaps = sum(1 << gap for gap in self.runs)
        self._end = 1 << len(self.singles)
        self._owners: dict[str, int] = {}
        self._sizes: dict[int, int] = {}
        self._uses = {True: 0, False: 0}
        self._places: dict[int, int] = {}
        self._any_owner = self._any_size = self._any_place = 0
        for place, number in enumerate(self.singles):
            one, bit = laid[number], 1 << place
            if one.wildcard is not None:
                self._any_owner |= bit
            else:
                self._owners[one.owner] = self._owners.get(one.owner, 0) | bit
            if one.size is None or ignore_sizes:
                self._any_size |= bit
            else:
                self._sizes[one.size] = self._sizes.get(one.size, 0) | bit
            for use in (True, False) if one.used is None else (one.used,):
                self._uses[use] |= bit
            if one.at is None or ignore_sizes:
                self._any_place |= bit
            else:
                self._places[one.at] = self._places.get(one.at, 0) | bit
        self._fitting: dict[tuple[str, int, bool], int] = {}

    def first_difference(self, blocks: Blocks) -> int | None:
        """How many blocks at the beginning can be the beginning of a match; None where all match.

        It is the index of the first block that cannot be as the layout has it, or the count of the
        blocks where the heap ends too soon.
        """
        reached = 1
        for number, block in enumerate(blocks):
            reached = (reached & self._fit(block)) << 1 | reached & self._gaps
            if not reached:
                return number
        return None if reached & self._end else len(blocks)

    def taken(self, blocks: Blocks) -> list[tuple[int, int | None]] | None:
        """Position in the layout and index of the block that it takes, in order; None: no match.

        Each run takes as little as will do, the first of all the least; one that takes nothing is
        told once, with None.
        """
        back = self._end  # the places from which the blocks behind here lead to the end
        leads = [back]
        for block in reversed(blocks):
            back = back >> 1 & self._fit(block) | back & self._gaps
            leads.append(back)
        if not back & 1:
            return None
        leads.reverse()
        pairs: list[tuple[int, int | None]] = []
        place, began = 0, 0
        for number, block in enumerate(blocks):
            if leads[number + 1] >> place + 1 & self._fit(block) >> place & 1:
                pairs += self.run(place, range(began, number))
                pairs.append((self.singles[place], number))
                place, began = place + 1, number + 1
        return pairs + self.run(place, range(began, len(blocks)))

    def run(self, gap: int, blocks: range) -> list[tuple[int, int | None]]:
        """What the runs in a gap take of the blocks there: all the last one.  None: nothing."""
        runs = self.runs.get(gap, [])
        nothing: list[tuple[int, int | None]] = [(run, None) for run in runs]
        return nothing[:-1] + [(runs[-1], number) for number in blocks] if blocks else nothing

    def _fit(self, block: tuple[str, int, bool, int]) -> int:
        """The singles that a block fits, a bit each."""
        *_, place = block
        fitting = self.fit_shape(block[:3])
        return fitting & (self._any_place | self._places.get(place, 0))

    def fit_shape(self, shape: tuple[str, int, bool]) -> int:
        """The same, wherever the block lies."""
        found = self._fitting.get(shape)
        if found is None:
            owner, size, used = shape
            found = self._fitting[shape] = (
                (self._any_owner | self._owners.get(owner, 0))
                & (self._any_size | self._sizes.get(size, 0))
                & self._uses[used]
            )
        return found

    def fits(self, position: int, shape: tuple[str, int, bool]) -> bool:
        """Whether a block is what stands at a position of the layout, wherever it lies."""
        return bool(self.fit_shape(shape) >> bisect_left(self.singles, position) & 1)
