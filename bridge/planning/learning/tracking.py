"""One model of the allocator held against recorded play, change by change.

Several blocks may come and go within a frame, in an order that nobody saw: a change is explained
where there is any order after which the heap is as it was seen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum, auto

from bridge.planning.arena import Cell
from bridge.planning.learning.hidden import Hidden, placed, released, unknown
from bridge.planning.learning.observed import Change, allocations, cells_of, releases
from bridge.planning.policy import End, Policy

__all__ = ["MAX_HIDDEN", "MAX_TRIED", "Explained", "Operations", "Tracker", "ends_of", "operations"]

MAX_HIDDEN = 8
"""Ways in which what is not shown may stand that are kept; with more of them it is unknown."""
MAX_TRIED = 300
"""Allocations and releases that are tried to explain one change."""


class Explained(Enum):
    """What a change says of a model."""

    YES = auto()
    NO = auto()
    TOO_MUCH = auto()
    """More orders than are tried: it says nothing."""


@dataclass(frozen=True, slots=True)
class Operations:
    """What a change is made of: starts of cells that are released, and blocks that are new.

    ``needs`` is for each of ``blocks`` its stride where the allocator does not give more than is
    asked for; ``after`` is the heap behind it all.
    """

    released: tuple[int, ...]
    blocks: tuple[Cell, ...]
    needs: tuple[int, ...]
    before: tuple[Cell, ...]
    after: tuple[Cell, ...]

    @property
    def count(self) -> int:
        """How many they are."""
        return len(self.released) + len(self.blocks)


def operations(change: Change, strides: Mapping[str, int]) -> Operations:
    """A change's operations; ``strides`` is by kind, without those whose blocks differ."""
    after = cells_of(change.after)
    at = {cell.start: cell for cell in after}
    blocks = tuple(at[min(block.header, block.start)] for block in allocations(change))
    return Operations(
        tuple(min(block.header, block.start) for block in releases(change)),
        blocks,
        tuple(min(strides.get(cell.kind, cell.stride), cell.stride) for cell in blocks),
        cells_of(change.before),
        after,
    )


def ends_of(policy: Policy, *, both: bool) -> Sequence[End | None]:
    """The ends that an allocation may ask for: the policy's own, or *both* of the arena's."""
    if not both:
        return (None,)
    return (None, End.HIGH if policy.carved_from is End.LOW else End.LOW)


class Tracker:
    """Follows one model.  ``policy`` has neither header nor alignment, and no least rest."""

    def __init__(self, policy: Policy, *, both_ends: bool = False) -> None:
        self.policy = policy
        self.ends = ends_of(policy, both=both_ends)
        self.hidden: set[Hidden] = set()

    def forget(self, cells: tuple[Cell, ...]) -> None:
        """A recording begins, or something was not seen: what is not shown is not known."""
        self.hidden = unknown(cells, self.hidden)

    def step(self, asked: Operations, limit: int = MAX_TRIED) -> Explained:
        """Follow one change.  After one that is not explained, what is hidden is unknown."""
        found: set[Hidden] = set()
        tried = 0
        for each in self.hidden:
            ways, used = _ways(each, self.policy, asked, self.ends, limit - tried)
            found |= ways
            tried += used
            if tried >= limit or len(found) > MAX_HIDDEN:
                # of ways that were not all gone to the end nothing is kept
                self.forget(asked.after)
                return Explained.YES if found else Explained.TOO_MUCH
        if not found:
            self.forget(asked.after)
            return Explained.NO
        self.hidden = found
        return Explained.YES


def _ways(
    start: Hidden, policy: Policy, asked: Operations, ends: Sequence[End | None], limit: int
) -> tuple[set[Hidden], int]:
    """What may stand after a change, and how many operations were tried."""
    tried = 0
    found: set[Hidden] = set()
    everything = (1 << len(asked.released)) - 1, (1 << len(asked.blocks)) - 1
    pending = [(start, *everything)]
    seen = set(pending)
    shape = _shape(asked.after)
    while pending and tried < limit and len(found) <= MAX_HIDDEN:
        hidden, to_release, to_place = pending.pop()
        if not to_release and not to_place:
            if _shape(hidden.arena.cells) == shape:
                found.add(hidden)
            continue
        following: list[tuple[Hidden, int, int]] = []
        for number, (block, needed) in enumerate(zip(asked.blocks, asked.needs, strict=True)):
            if to_place >> number & 1:
                tried += 1
                for after in placed(hidden, policy, block, needed, ends):
                    following.append((after, to_release, to_place & ~(1 << number)))
        # what is released is tried first: most games clear a room before they fill the next
        for number, address in enumerate(asked.released):
            if to_release >> number & 1:
                tried += 1
                after = released(hidden, policy, address)
                following.append((after, to_release & ~(1 << number), to_place))
        for each in following:
            if each not in seen:
                seen.add(each)
                pending.append(each)
    return found, tried


def _shape(cells: Sequence[Cell]) -> list[tuple[int, int, str]]:
    return [(cell.start, cell.stride, cell.kind) for cell in cells]
