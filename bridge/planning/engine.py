"""What looks through the states of a problem; ``find.py`` leads it and proves what it says."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from bridge.planning.problem import Problem

__all__ = ["BeyondBounds", "Bounds", "End", "Engine", "Progress", "Search"]


class BeyondBounds(Exception):
    """The engine cannot hold this problem, or a state that it came to; the plain one can."""


@dataclass(frozen=True, slots=True)
class Bounds:
    """Where one search begins and ends.

    Only plans of at most ``frames`` frames are looked for, and ``memory`` bytes are taken at most.
    All plans begin with ``prefix`` (numbers of moves, whose frames count); after it, the next move
    is none of ``not_next``, and no state is entered that the prefix passes through.
    """

    frames: int
    memory: int
    prefix: tuple[int, ...] = ()
    not_next: tuple[int, ...] = ()


class End(StrEnum):
    """Where a search stands."""

    GOING = "going"
    FOUND = "found"
    """``best`` is a cheapest plan."""
    EXHAUSTED = "exhausted"
    """There is no plan, of whatever cost."""
    BOUND = "bound"
    """There is no plan of at most ``Bounds.frames``; of longer ones nothing is known."""
    FULL = "full"
    """The memory is used up."""


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a search has come.

    No plan costs less than ``floor``.  ``best`` is the cheapest found so far, as numbers of moves
    (``Problem.moves``) with the prefix, and costs ``frames``.
    """

    end: End
    expanded: int
    generated: int
    floor: int
    memory: int
    best: tuple[int, ...] | None = None
    frames: int | None = None


class Search(Protocol):
    """One search, which goes on from slice to slice."""

    def wander(self, moves: int, seed: int) -> Progress:
        """Do about so many moves at random, each time from the start until the goal is reached.

        What it finds is ``best`` from then on, and only what is cheaper is still looked for.
        """

    def run(self, expansions: int) -> Progress:
        """Expand at most so many states more; GOING where there is more to do.

        BeyondBounds where it came to a state that it cannot hold.
        """

    def close(self) -> None:
        """Give back the memory."""


class Engine(Protocol):
    """Something that searches problems."""

    name: str
    slice: int
    """How many expansions take about 50 ms."""
    wandering: int
    """How many moves done at random take about 0.2 s."""

    def takes(self, problem: Problem) -> bool:
        """Whether it can search this problem; where not, the plain one does."""

    def begin(self, problem: Problem, bounds: Bounds) -> Search:
        """A search that has expanded nothing yet; BeyondBounds as ``run`` has it."""
