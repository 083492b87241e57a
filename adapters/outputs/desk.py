"""What the desk page's server is given of the rest of the program."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from bridge.output import Output
from bridge.plan import Plan
from bridge.questions import Questions
from schemas.compiler import BuildLayout, Schema

Read = Callable[[], dict[str, Any] | None]
"""Reads something slow, in a thread; None where there is nothing yet.  May raise LowhalfError."""


@dataclass(frozen=True, slots=True)
class Desk:
    """``plans`` are the builds that may be running, ``outputs`` all that the daemon runs.

    ``questions`` are those that the daemon answers.  ``history`` reads what ``lowhalf attempts
    --json`` prints and ``tallies`` what ``lowhalf tally --json`` prints; None without attempts, or
    without a tally.  ``notice`` gives what there is to know of how these are kept.
    """

    schema: Schema
    plans: Mapping[str, Plan]
    questions: Questions
    outputs: Sequence[Output]
    history: Read | None = None
    tallies: Read | None = None
    notice: Callable[[], str] = str

    def layout(self, build: str) -> BuildLayout:
        """The layout of the running build; of the first where none is known."""
        plan = self.plans.get(build) or next(iter(self.plans.values()))
        return plan.layout

    @property
    def describes_heap(self) -> bool:
        """Whether the schema says what the heap is."""
        return any(plan.program.heap is not None for plan in self.plans.values())
