"""A plan's file joined with a build of a schema, so that frames of that build can be followed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property

from bridge.expressions.program import Program
from bridge.heap.blocks import Block
from bridge.planning.course import HELD, Course, NotFollowable
from bridge.planning.described import Described, described
from bridge.planning.following import Place, follow
from bridge.planning.laid_blocks import arena_of
from bridge.planning.made_for import differs, made_for
from bridge.planning.model import Limits, Start, Task
from bridge.planning.plan_record import goals_of
from bridge.prepared import PreparedBuild
from schemas.compiler import BuildLayout
from schemas.errors import PlanningError
from schemas.plan_file import PlanFile
from schemas.toml_file import nearest

__all__ = ["Followable", "followable_plan"]


class Followable:
    """One plan on one build; ``why`` says why it cannot be followed there, else empty.

    ``limits`` are what the plan was asked with, as far as its file says.
    """

    def __init__(self, name: str, file: PlanFile, told: Described, why: str = "") -> None:
        self.name = name
        self.title = file.title
        self.why = why
        self.described = told
        self.limits = Limits(precise=file.most_precise)
        self.avoid = frozenset(file.avoid)
        self._file = file

    @cached_property
    def course(self) -> Course:
        """What the plan brings about here.  Raises PlanningError."""
        game, actions = self.described.game, self.described.actions
        start = self._file.start.builds[game.build]
        try:
            arena = arena_of(start.blocks, game.policy, start.arena, start.rover, start.held)
            task = Task(
                (Start(game, arena),), self._file.start.states, actions, goals_of(self._file.goals)
            )
            by_name = {action.name: action for action in actions}
            steps = [by_name[step.action] for step in self._file.steps]
            return Course(self.name, task, steps, sees_held=HELD in self.described.expressions)
        except (ValueError, NotFollowable) as fault:
            raise PlanningError(f"plan {self.name} cannot be followed: {fault}") from fault

    @property
    def expressions(self) -> Sequence[str]:
        """What ``follow`` needs of a frame beside the heap: the states, and what is held."""
        if self.why:
            return ()
        told = self.described
        names = [f"state.{name}" for name in told.states]
        return [told.expressions[name] for name in (*names, HELD) if name in told.expressions]

    @property
    def may_lack(self) -> bool:
        """Whether the last of ``expressions`` may have no value: what is held, where nothing is."""
        return HELD in self.described.expressions

    def number(self, blocks: Sequence[Block], complete: bool) -> int | None:
        """A number of a heap, for ``follow``; None where not all of it is known."""
        return 0 if self.why else self.course.number(blocks, complete)

    def follow(
        self, before: Place | None, heap: int, states: Sequence[int], frame: int, missed: int
    ) -> Place:
        """Where the game stands; *states* are what ``expressions`` gave."""
        course = self.course
        shape = course.numbered(heap)
        named = dict(zip(self.described.states, states, strict=False))
        if len(states) > len(named):
            named[HELD] = course.held(shape, states[-1])
        return follow(course, before, shape, named, frame, missed)

    def wanted(self, task: Task) -> Task:
        """A task without the actions that the plan was to avoid."""
        actions = tuple(action for action in task.actions if action.name not in self.avoid)
        return replace(task, actions=actions)


def followable_plan(name: str, layout: BuildLayout, file: PlanFile) -> Followable:
    """The plan on a build; one that was not made for that build says so by ``why``.

    Raises PlanningError where it was made for another schema, and SchemaError.
    """
    told = described(PreparedBuild(layout, Program((), {}), (), None, None))
    known = {action.name for action in told.actions}
    for number, step in enumerate(file.steps, 1):
        if step.action not in known:
            raise PlanningError(
                f"plan {name}, step {number}: the schema has no action {step.action}"
                f"{nearest(step.action, known)}"
            )
    build = layout.name
    if build not in file.made_for.builds:
        made = ", ".join(file.made_for.builds)
        return Followable(name, file, told, f"plan {name} was made for {made}, not for {build}")
    why = differs(file.made_for, made_for(told.actions, (told.game,)), build)
    if why:
        raise PlanningError(f"plan {name}: {why}; lowhalf plan makes it anew")
    found = Followable(name, file, told)
    _ = found.course
    return found
