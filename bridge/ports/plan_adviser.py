"""Who is asked what went wrong and for a new plan, away from the frames."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from bridge.practice.followed_plan import NewPlan

__all__ = ["PlanAdvice", "PlanAdviser", "PlanQuestion"]


@dataclass(frozen=True, slots=True)
class PlanQuestion:
    """A game that is not on its plan: ``number`` tells questions apart.

    ``step`` is how many steps were done when it last was, None where it never was; ``heap`` and
    ``states`` are what stands there now: payload and kind of each used block, by address.
    ``arena`` is the planner's of that heap, and ``why`` the reason where it has none.
    """

    number: int
    build: str
    step: int | None
    heap: tuple[tuple[int, str], ...]
    states: Mapping[str, int]
    arena: object | None
    why: str


@dataclass(frozen=True, slots=True)
class PlanAdvice:
    """An answer: a question to the runner, and a new plan; ``last`` where no better one follows."""

    number: int
    guess: str
    new: NewPlan
    last: bool = True


class PlanAdviser(Protocol):
    """Answers while frames go on."""

    def ask(self, question: PlanQuestion) -> None:
        """Answer this, and nothing that was asked before."""

    def take(self) -> PlanAdvice | None:
        """An answer that has come, each once; None where none has.  It returns at once."""

    def close(self) -> None:
        """Nobody asks any more."""
