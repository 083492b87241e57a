"""What a frame says of a plan that is followed: the next step, the first difference, a new plan."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

__all__ = ["Bar", "FollowedPlan", "NewPlan", "PlanStep"]

Bar = tuple[tuple[int, int, bool, str], ...]
"""Blocks by their addresses: payload, bytes, use, and what lives there."""


@dataclass(frozen=True, slots=True)
class PlanStep:
    """One action of a plan: what it takes in frames, and inputs that must be right to the frame."""

    action: str
    frames: int
    precise: int = 0
    doc: str = ""

    def as_json(self) -> dict[str, Any]:
        return {
            "action": self.action,
            "frames": self.frames,
            "precise": self.precise,
            "doc": self.doc,
        }


@dataclass(frozen=True, slots=True)
class NewPlan:
    """A plan from where the game stands, or why there is none (``reason``).

    ``proved`` says that none is cheaper, or that there is none.  ``first`` is an action that is
    under way and has to be over before the plan begins, empty where none is.
    """

    steps: tuple[PlanStep, ...] | None
    proved: bool
    frames: int | None = None
    first: str = ""
    reason: str = ""

    def as_json(self) -> dict[str, Any]:
        return {
            "found": self.steps is not None,
            "proved": self.proved,
            "frames": self.frames,
            "first": self.first or None,
            "steps": [step.as_json() for step in self.steps or ()],
            "reason": self.reason,
        }


@dataclass(frozen=True, slots=True)
class FollowedPlan:
    """How the game stands to a plan in a frame.

    ``stand`` is waits, on, under way, off or done; ``steps`` are all of the plan, of which ``done``
    are done and, of the next one's ``stages`` allocations and releases, ``stage``.  ``difference``
    is the first from what was to be, ``guess`` a question that names what may have been done;
    ``unseen`` are actions that were done without being seen, in ``missed`` frames or because they
    change nothing that is read.  ``back`` says that the plan began again further back.  ``reason``
    says why nothing of it is known in this frame, else empty.  ``now`` is the heap, ``wanted`` what
    it must be like after the next step.
    """

    name: str
    stand: str
    steps: tuple[PlanStep, ...]
    title: str = ""
    done: int = 0
    stage: int = 0
    stages: int = 0
    difference: str = ""
    guess: str = ""
    unseen: tuple[str, ...] = ()
    missed: int = 0
    back: bool = False
    reason: str = ""
    new: NewPlan | None = None
    now: Bar = ()
    wanted: Bar = ()

    @property
    def next(self) -> PlanStep | None:
        """The step that comes next, or is under way; None where all are done."""
        return self.steps[self.done] if self.done < len(self.steps) else None

    def as_json(self) -> dict[str, Any]:
        """The object that ``--json`` prints as a frame's ``plan``."""
        step = self.next
        return {
            "name": self.name,
            "title": self.title,
            "stand": self.stand,
            "done": self.done,
            "steps": len(self.steps),
            "next": None if step is None else step.as_json(),
            "stage": self.stage,
            "stages": self.stages,
            "difference": self.difference,
            "guess": self.guess,
            "unseen": list(self.unseen),
            "missed": self.missed,
            "back": self.back,
            "reason": self.reason,
            "new_plan": None if self.new is None else self.new.as_json(),
        }
