"""What a player can do that allocates or releases blocks, as the schema's ``[actions]`` says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from bridge.planning.policy import End

__all__ = ["Action", "Alloc", "Effect", "Free", "Hold", "Interval", "LetGo", "Which"]


class Which(StrEnum):
    """Which of the blocks of some kinds is meant.

    Newest and oldest go by when a block was handed out; held is the one that a ``Hold`` took.
    """

    NEWEST = "newest"
    OLDEST = "oldest"
    LOWEST = "lowest"
    HIGHEST = "highest"
    ALL = "all"
    HELD = "held"


@dataclass(frozen=True, slots=True)
class Alloc:
    """So many blocks of a kind, one after another; ``end`` is the end of the arena asked for."""

    kind: str
    count: int = 1
    end: End | None = None


@dataclass(frozen=True, slots=True)
class Free:
    """Blocks of some kinds are released: ``count`` of them, one after another, or all.

    ``order`` is the order in which all are released.  Where there are fewer than ``count``, or none
    is held, the action is not possible; all of none is possible.
    """

    kinds: tuple[str, ...]
    which: Which
    count: int = 1
    order: Which = Which.LOWEST


@dataclass(frozen=True, slots=True)
class Hold:
    """A block of some kinds is held from now on, in place of the one that was.

    ``which`` is one of a single block.  A block that is released is held no more.
    """

    kinds: tuple[str, ...]
    which: Which


@dataclass(frozen=True, slots=True)
class LetGo:
    """Nothing is held any more; the block stays.  Not possible where none is held."""


Effect = Alloc | Free | Hold | LetGo


@dataclass(frozen=True, slots=True)
class Interval:
    """Whole numbers from ``low`` to ``high``, both included; None is no limit."""

    low: int | None = None
    high: int | None = None

    def __contains__(self, value: int) -> bool:
        return (self.low is None or value >= self.low) and (self.high is None or value <= self.high)


@dataclass(frozen=True, slots=True)
class Action:
    """One action.  Its effects happen in their order, all of them or none.

    ``frames`` is what it takes, ``precise`` how many of its inputs must be right to the frame.
    ``needs`` is what must hold before: of each state named, one of the intervals.  ``sets`` and
    ``adds`` are what it makes of states.  ``limit`` is how often a plan may have it.
    """

    name: str
    frames: int
    precise: int = 0
    needs: Mapping[str, tuple[Interval, ...]] = field(default_factory=dict)
    sets: Mapping[str, int] = field(default_factory=dict)
    adds: Mapping[str, int] = field(default_factory=dict)
    limit: int | None = None
    effects: tuple[Effect, ...] = ()
    doc: str = ""
