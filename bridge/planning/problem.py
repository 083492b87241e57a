"""A task in whole numbers: what every engine that looks for plans is given.

*Units.*  All sizes and addresses are in units, of which each build has its own; addresses count
from the arena's first byte.  A block of kind k takes ``strides[k]`` units, its header with it.

*Kinds.*  0 is a hole, 1 is wall, which never changes, the others are kinds of blocks.  A set of
kinds is a mask: bit k is kind k.  Kinds that nothing tells apart have one number.

*State.*  A control (a number: all that does not lie in the heap) and a heap for each build: its
cells in the order of their addresses, ``rover`` and ``held``, which are addresses, or -1 where the
build does not follow them.  Two states are the same where all these numbers are.

*An action* takes a state to ``next_control[control * len(actions) + action]`` (-1: not possible
here) and each heap through its operations in turn, by the rules of ``policy.py``.  Where one
operation fails on one build, the action is not possible in this state.  Then, on each build:

1. a used block whose kind is in ``permanent`` becomes wall, where it does not pass any of the
   build's tests;
2. touching walls join; a hole between walls (or the arena's ends) that is less than ``least``
   becomes wall as well and joins, unless an address of ``keeps`` lies in it (a build with a
   pattern goes without 1, 2 and 3);
3. a rover inside a wall, neither at its start nor at its end, stands one unit behind its start;
4. ages are told anew: of the used blocks with kinds of one age group, 0 for the oldest, 1 for the
   next and so on; equal ages stay equal.  The same, by itself, for holes where the build's
   ``recent`` is true.  Every other age is 0.

*Ages.*  A block handed out is newer than all of its group, a hole made by a release newer than all
holes.  Of the candidates in the order of newest or oldest, where ``count`` are taken, the operation
fails if the last that is taken and the first that is not have one age; where the build's
``in_order`` is true, also if any two neighbours among those that are taken do.  With ``recent``, an
allocation fails if another hole that is enough has the age of the one that would be taken (for best
and worst fit: and its size).  A block that is released is held no more.

*Search.*  A plan's cost is the sum of its actions' frames.  The goal is reached where all tests of
all builds pass and so do the patterns.  Else no plan from a state is cheaper than the lesser of two
bounds: the greatest that the tests of all builds say (see ``Test``), which is so for plans without
a sweep, and ``sweeps[control]``, for plans with one.  NEVER means that there is no plan.  A sweep
is a move that first releases all blocks there are, so that it always leaves the same heap.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum

from bridge.planning.arena import Arena
from bridge.planning.policy import Policy

__all__ = [
    "BEYOND",
    "HOLE_KIND",
    "NEVER",
    "WALL_KIND",
    "Build",
    "Code",
    "Heap",
    "Move",
    "Operation",
    "Problem",
    "Side",
    "Test",
    "Whose",
]

HOLE_KIND = 0
WALL_KIND = 1
NEVER = 1 << 30
"""More frames than any plan has."""
BEYOND = 255
"""In a test's ``chain``: from this boundary it cannot be reached."""


class Code(IntEnum):
    """What an operation does."""

    ALLOC = 0
    """A block of kind ``what`` is handed out; ``how`` is the end asked for (0 low, 1 high) or -1.

    Where nothing is large enough: with when_full carry on nothing happens, else it fails.  Where
    the fit is next and the rover -1, it fails.
    """
    FREE = 1
    """``count`` blocks of the kinds in mask ``what`` are released, which and in which order by
    ``how``; with count 0 all.  Fails where there are fewer."""
    HOLD = 2
    """One block of the kinds in mask ``what`` is held from now on, which one by ``how``."""
    LET_GO = 3
    """Nothing is held; fails where nothing was."""


class Whose(IntEnum):
    """Which of several blocks, as ``Which`` says it."""

    NEWEST = 0
    OLDEST = 1
    LOWEST = 2
    HIGHEST = 3
    HELD = 4
    """The block held; fails where none is, or one of another kind."""


@dataclass(frozen=True, slots=True)
class Operation:
    """One thing that an action does to a heap."""

    code: Code
    what: int = 0
    how: int = 0
    count: int = 1


@dataclass(frozen=True, slots=True)
class Move:
    """An action: its place among the task's actions, frames, and operations."""

    action: int
    frames: int
    operations: tuple[Operation, ...]


class Side(IntEnum):
    """From where holes must be filled before a block can be handed out at a test's address."""

    NONE = 0
    LOW = 1
    HIGH = 2


@dataclass(frozen=True, slots=True)
class Test:
    """One goal on one build, and how far it is at least without a sweep.

    With a ``kinds`` mask it passes where a used block of one of these kinds starts in ``low`` …
    ``high`` and ends at ``end`` or behind; with mask 0, where a hole covers the unit at ``low``.

    While it does not pass, no plan has fewer frames than the greatest of these:

    - ``clear[kind * controls + control]`` for each cell that is no hole and shares a unit with
      ``clear_low`` … ``clear_high`` - 1: it must be gone first;
    - ``fill[n * controls + control]``, where n is counted over all holes and at most
      ``len(fill) // controls - 1``.  With ``side`` LOW a hole's part below ``fill_at`` counts
      once for each whole ``fill_by`` units in it, with HIGH the part from ``fill_at`` on; with
      NONE n is 0;
    - where ``chain`` is not empty, ``links[n * controls + control]``, where n is the least
      ``chain[b]`` of all boundaries b of cells, both ends of the arena with them (so many blocks
      must be handed out first before one ends, or begins, where that of the goal does), and at
      most ``len(links) // controls - 1``; NEVER where n is BEYOND.  Boundaries below the end of
      the last wall that ends at or below ``chain_low`` do not count, nor those above the start of
      the first wall that starts at or above ``chain_high``; those two do;
    - where ``prices`` is not empty, the least over the same boundaries b of ``prices[b]`` and
      ``releases[kind]`` of each cell at b or above that is no hole and either starts below
      ``chain_low`` or is one that ``clear`` counts: a chain from b cannot leave it where it is.
      Both tables are by reach: those of a control are row ``Problem.reaches[control]``, each as
      long as ``units`` + 1 and as there are kinds.
    """

    goal: int
    kinds: int
    low: int
    high: int
    end: int
    clear_low: int
    clear_high: int
    clear: tuple[int, ...]
    side: Side
    fill_at: int
    fill_by: int
    fill: tuple[int, ...]
    chain: bytes
    chain_low: int
    chain_high: int
    links: tuple[int, ...]
    prices: tuple[int, ...]
    releases: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Heap:
    """A heap: cells of (units, kind, age) in the order of their addresses."""

    cells: tuple[tuple[int, int, int], ...]
    rover: int = -1
    held: int = -1


@dataclass(frozen=True, slots=True)
class Build:
    """One build, or several that differ in their base alone.

    An address a of the game is unit (a - ``base``) / ``unit``; the arena has ``units`` of them.  Of
    ``policy`` go by fit, order, ends, merging, the last hole kept, and what happens when it is
    full; sizes are in ``strides`` and ``least_rest`` (at least 1).  ``held`` is followed where the
    problem's ``follows_held`` is true, ``rover`` where the fit is next.  ``pattern`` is asked in
    addition where all tests pass, with the true cells; not every engine takes one.
    """

    names: tuple[str, ...]
    policy: Policy
    base: int
    unit: int
    units: int
    strides: tuple[int, ...]
    least_rest: int
    least: int
    recent: bool
    in_order: bool
    keeps: tuple[int, ...]
    start: Heap
    tests: tuple[Test, ...]
    pattern: Callable[[Arena, Policy], bool] | None = None


@dataclass(frozen=True, slots=True)
class Problem:
    """Everything: see the module's text.

    ``names`` are kinds' names, for words; ``groups`` is each kind's age group, -1 where its age
    never matters; ``permanent`` is a mask of kinds that nothing releases.  Controls of one of
    ``reaches`` (0, 1, 2 …) are those from which the same moves can come without a sweep.
    """

    names: tuple[str, ...]
    groups: tuple[int, ...]
    permanent: int
    follows_held: bool
    moves: tuple[Move, ...]
    controls: int
    control: int
    next_control: tuple[int, ...]
    reaches: tuple[int, ...]
    sweeps: tuple[int, ...]
    builds: tuple[Build, ...]
