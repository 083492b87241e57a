"""How an allocator hands out blocks and takes them back, as the schema's ``[allocator]`` says.

The arena is tiled by cells that lie one behind the other: used blocks, with their headers, and
holes.  A request of some kind needs a stride: its payload with the header, rounded up to the
alignment.  Every engine and every test of one follows these rules:

*Which hole.*  Those count whose stride is enough.  They are gone through by address, or with
``order`` recent by when they were made, the newest first; ``tried_from`` high turns either round.
First fit takes the first, best fit the smallest and worst fit the largest, of equals the first in
order.  Next fit goes through them by address from the one on that starts at the rover
or behind it (with ``tried_from`` high: or before it, downwards), and then round once.  With
``keeps_last`` the hole that touches the end of the arena that is tried last is taken only where no
other is enough.

*Which part of it.*  What is left of the hole becomes a hole of its own where it is ``least_rest``
bytes or more; else the block gets all of it.  ``carved_from`` says at which end of the hole the
block lies.  The rest has the hole's place in the order of recent holes.

*The rover* is, after each allocation, the address behind the block, or with ``tried_from`` high the
block's own.  Where a merged hole swallows the address that it stands at, it stands at that hole's
start.  It begins at the end of the arena that is tried first.

*Merging.*  A released block becomes a hole, the newest.  ``both`` joins it with the holes that
touch it, ``next`` with the one behind alone, ``previous`` with the one before alone; what they make
is the newest hole.  With ``when full`` nothing is joined until a request finds no hole: then all
holes that touch are joined, each run in the place of its newest, and the request is tried once
more.

An allocation's own ``end`` stands for ``tried_from`` and ``carved_from`` both.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["End", "Fit", "HoleOrder", "Merge", "Policy", "WhenFull"]


class Fit(StrEnum):
    """Which of the holes that are large enough is taken."""

    FIRST = "first"
    BEST = "best"
    WORST = "worst"
    NEXT = "next"


class HoleOrder(StrEnum):
    """The order in which holes are gone through."""

    ADDRESS = "address"
    RECENT = "recent"


class End(StrEnum):
    """An end of the arena, or of a hole."""

    LOW = "low"
    HIGH = "high"


class Merge(StrEnum):
    """Which holes a released block is joined with."""

    BOTH = "both"
    NEXT = "next"
    PREVIOUS = "previous"
    WHEN_FULL = "when full"
    NEVER = "never"


class WhenFull(StrEnum):
    """What becomes of an action that asks for more than there is."""

    IMPOSSIBLE = "impossible"
    CARRY_ON = "carry on"


@dataclass(frozen=True, slots=True)
class Policy:
    """An allocator's rules; sizes are in bytes.

    ``header`` is what a block has before its payload, ``alignment`` what strides are multiples of.
    """

    fit: Fit = Fit.FIRST
    order: HoleOrder = HoleOrder.ADDRESS
    tried_from: End = End.LOW
    carved_from: End = End.LOW
    header: int = 0
    alignment: int = 1
    least_rest: int = 1
    merge: Merge = Merge.BOTH
    keeps_last: bool = False
    when_full: WhenFull = WhenFull.IMPOSSIBLE

    def stride(self, size: int) -> int:
        """Bytes that a block of so many bytes of payload takes, its header with it."""
        return -(-(self.header + size) // self.alignment) * self.alignment
