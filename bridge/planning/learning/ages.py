"""Which of two blocks is the newer one, as far as anybody can tell.

The schema may say it.  Else it is what was watched: a block that came later is newer, and one that
came in while it was watched is newer than all that were there before.  Of two that came within one
frame it is known where what made them is.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from bridge.heap.blocks import Age, Block
from bridge.planning.learning.observed import Play, allocations

__all__ = ["Ages", "Known"]

Known = tuple[int, int, int, int]
"""Numbers of play and change, and the starts of an earlier and a later block that came in it."""


@dataclass(slots=True)
class Ages:
    """Ages within recorded play.  ``within`` are pairs that came in one frame, in their order."""

    plays: Sequence[Play]
    within: set[Known] = field(default_factory=set)
    _births: dict[int, list[dict[int, int]]] = field(default_factory=dict)

    def births(self, play: int, change: int) -> dict[int, int]:
        """By where a payload starts, the number of the change in which a block that is there right
        before a change came, or in the end; those that were there from the first are not in it."""
        known = self._births.get(play)
        if known is None:
            known, now = [], dict[int, int]()
            for number, each in enumerate(self.plays[play].changes):
                known.append(dict(now))
                there = {block.start for block in each.after.blocks if block.used}
                now = {start: born for start, born in now.items() if start in there}
                now |= {block.start: number for block in allocations(each)}
            known.append(now)
            self._births[play] = known
        return known[change]

    def newer(self, play: int, change: int, one: Block, other: Block) -> bool | None:
        """Whether *one* is newer than *other*, both there right before a change; None where nobody
        knows."""
        changes, last = self.plays[play].changes, self.plays[play].last
        heap = changes[change].before if change < len(changes) else last
        told = heap.ages if heap is not None else {}
        a, b = told.get(one.start), told.get(other.start)
        if a is not None and b is not None and (known := _told(a, b)) is not None:
            return known
        births = self.births(play, change)
        first, second = births.get(one.start), births.get(other.start)
        if first == second:
            if first is None:
                return None
            if (play, first, other.start, one.start) in self.within:
                return True
            return False if (play, first, one.start, other.start) in self.within else None
        return second is None or (first is not None and first > second)

    def learn(self, pairs: Iterable[Known]) -> None:
        """The order of blocks that came within one frame."""
        self.within |= set(pairs)

    def further(self, pairs: Iterable[Known]) -> Ages:
        """The same ages with the order of further blocks."""
        return Ages(self.plays, self.within | set(pairs), self._births)


def _told(one: Age, other: Age) -> bool | None:
    if one.among != other.among or one.rank == other.rank:
        return None
    return one.rank < other.rank
