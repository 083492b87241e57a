"""What planning is given: a game's kinds, actions and states, a heap for each build, and goals."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from bridge.planning.actions import Action
from bridge.planning.arena import Arena
from bridge.planning.policy import Policy

__all__ = [
    "Covered",
    "Freed",
    "GameModel",
    "Goal",
    "LaidOut",
    "Limits",
    "Pattern",
    "Placed",
    "Settling",
    "Start",
    "Task",
    "Uncovered",
]


@dataclass(frozen=True, slots=True)
class GameModel:
    """How one build of a game allocates: its policy, and bytes of payload by kind."""

    build: str
    policy: Policy
    sizes: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Start:
    """One build's game and its heap."""

    game: GameModel
    arena: Arena


@dataclass(frozen=True, slots=True)
class Placed:
    """A block of a kind starts so that its payload's address is in an interval, by build.

    ``kind`` None is any.  ``spans`` is build → lowest and highest address of the payload.
    """

    kind: str | None
    spans: Mapping[str, tuple[int, int]]


@dataclass(frozen=True, slots=True)
class Covered:
    """The payload of a block of a kind, or of any (None), holds an address, by build."""

    kind: str | None
    addresses: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Freed:
    """A hole covers an address, by build."""

    addresses: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Uncovered:
    """No used block covers an address, its header with it, by build."""

    addresses: Mapping[str, int]


class Pattern(Protocol):
    """Whether cells are as wanted; what a layout file with wildcards compiles to."""

    def matches(self, arena: Arena, policy: Policy) -> bool: ...


@runtime_checkable
class Settling(Pattern, Protocol):
    """A pattern that knows of some blocks and holes where they must be for it to match.

    That is what a search for it can be led by.
    """

    def settled(self, arena: Arena, policy: Policy) -> Sequence[tuple[str, int]]:
        """Kind (or HOLE) and address of the header of each; ``arena`` has the build's walls."""


@dataclass(frozen=True, slots=True)
class LaidOut:
    """The heap is as a layout with wildcards has it; ``matches`` is a pure function of cells.

    It is by build, since sizes differ.
    """

    patterns: Mapping[str, Pattern]


Goal = Placed | Covered | Freed | Uncovered | LaidOut


@dataclass(frozen=True, slots=True)
class Task:
    """What a plan is asked for: every goal holds on every build after one sequence of actions."""

    starts: tuple[Start, ...]
    states: Mapping[str, int]
    actions: tuple[Action, ...]
    goals: tuple[Goal, ...]


@dataclass(frozen=True, slots=True)
class Limits:
    """How far to look.

    ``frames`` is the bound of a plan's cost, ``precise`` that of inputs that must be right to the
    frame, ``seconds`` and ``memory`` (bytes) what looking may take.  ``others`` is how many further
    plans are wanted beside the cheapest; ``front`` whether the cheapest for each smaller number of
    precise inputs is, which takes a search each.
    """

    frames: int = 1 << 20
    precise: int | None = None
    seconds: float = 10.0
    memory: int = 1 << 30
    others: int = 0
    front: bool = True
