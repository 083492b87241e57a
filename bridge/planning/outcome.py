"""What looking for a plan came to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from bridge.planning.arena import Arena

__all__ = ["Outcome", "Plan", "PlannedStep", "Sought", "Verdict"]


class Verdict(StrEnum):
    """How sure the answer is."""

    CHEAPEST = "cheapest"
    """No sequence is cheaper: every one that might be was looked at, or cannot reach the goal."""
    IMPOSSIBLE = "impossible"
    """No sequence at all reaches the goal."""
    NONE_WITHIN = "none within the bound"
    """None that takes no more frames than the bound; longer ones were not looked at."""
    CUT_SHORT = "cut short"
    """Time or memory was over, or somebody stopped it: the best so far, and what it must cost."""


@dataclass(frozen=True, slots=True)
class PlannedStep:
    """One action of a plan, and the heap of each build after it."""

    action: str
    frames: int
    precise: int
    after: Mapping[str, Arena]
    states: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Plan:
    """A sequence of actions after which every goal holds; ``frames`` and ``precise`` are sums."""

    steps: tuple[PlannedStep, ...]
    frames: int
    precise: int


@dataclass(frozen=True, slots=True)
class Sought:
    """How far it has come: asked for every slice of the search, and in the end."""

    expanded: int
    generated: int
    floor: int
    best: int | None
    seconds: float
    memory: int


@dataclass(frozen=True, slots=True)
class Outcome:
    """The answer.

    ``plans`` is the cheapest found and the next ones that were asked for, in order of cost;
    ``front`` for each number of inputs that must be right to the frame the cheapest, where one with
    more is cheaper.  No plan costs less than ``floor`` frames (None where there is none at all);
    ``reason`` says in words why there is none, or why looking ended.
    """

    verdict: Verdict
    plans: tuple[Plan, ...] = ()
    front: tuple[Plan, ...] = ()
    floor: int | None = None
    reason: str = ""
    sought: Sought | None = None
