"""What practice is judged by: the rules of the bridge file, and what a frame gave for them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Protocol

from bridge.practice.steps import Step
from bridge.practice.windows import Window
from bridge.values.value_type import Value
from schemas.bridge_file import BridgeFile, StepTable

__all__ = ["Conditions", "Rules"]


@dataclass(frozen=True, slots=True)
class Rules:
    """What the bridge file asks for."""

    steps: tuple[Step, ...] = ()
    attempts: bool = False
    succeeds: bool = False
    keep: tuple[str, ...] = ()

    @classmethod
    def of(cls, file: BridgeFile) -> Rules:
        table = file.attempts
        begins = "" if table is None else table.begins
        steps = tuple(_step(step, begins) for step in file.steps)
        if table is None:
            return cls(steps)
        return cls(steps, True, bool(table.succeeds), table.keep)


def _step(table: StepTable, begins: str) -> Step:
    step = Step(table.name, table.hint, bool(table.begin), table.show)
    if table.window is None:
        return step
    from_begin = table.window.after.strip() == begins.strip()
    return replace(step, window=Window(*table.window.frames), from_begin=from_begin)


class Conditions(Protocol):
    """What the expressions of steps, attempts and tallies gave in a frame that was taken.

    They are called as in the bridge file, with the numbers of steps: ``steps.0.done``,
    ``attempts.begins``.  ``build`` is the running build's name and ``frame`` the frame's number.
    """

    @property
    def build(self) -> str: ...

    @property
    def frame(self) -> int: ...

    def true(self, name: str) -> bool:
        """Whether an expression is true; one that has no value, or is not there, is not.

        One that became true in missed frames, as a counter tells, counts as true behind them.
        """

    def rises(self, name: str) -> int:
        """How often an expression became true in missed frames, by a counter; 0 without one."""

    def doubtful(self, name: str) -> bool:
        """Whether an expression might be otherwise, had earlier frames all been seen."""

    def reasons(self, names: Iterable[str]) -> str:
        """Why those of *names* that have no value have none; empty where all have one."""

    def moments(self) -> Iterable[tuple[str, Value | None]]:
        """What each tally counted in the frame: its text and the value."""

    def moments_apart(self) -> Iterable[tuple[str, Value | None]]:
        """The same of what came in missed frames before it."""
