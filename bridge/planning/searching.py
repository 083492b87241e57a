"""Lead an engine through searches, slice by slice, while time and memory last.

What an engine says is never taken on its word: every plan is done again, action by action, by the
plain simulation, and a difference is a fault of the program, raised as such.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from bridge.planning.engine import BeyondBounds, Bounds, End, Engine, Progress
from bridge.planning.goals import all_hold
from bridge.planning.model import LaidOut, Limits, Task
from bridge.planning.outcome import Plan, PlannedStep, Sought
from bridge.planning.plain_engine import PlainEngine
from bridge.planning.problem import Problem
from bridge.planning.simulation import NotPossible, begin, perform
from bridge.ports.clock import Clock

__all__ = ["Disagreement", "Searched", "Searching", "Tell"]

Tell = Callable[[Sought], bool]
_SEED = 1
_WANDERING_SECONDS = 0.2
"""What moves done at random take at most; half of the time at most, where there is less."""


class Disagreement(Exception):
    """An engine and the plain simulation differ: a fault of lowhalf, not of a task."""


class _NotAsWanted(Disagreement):
    """A plan that was looked for without a layout does not lead to that."""


@dataclass(frozen=True, slots=True)
class Searched:
    """What one search came to.

    ``why`` says in words what cut it short; empty where nothing did.
    """

    end: End
    floor: int
    moves: tuple[int, ...] | None
    plan: Plan | None
    why: str = ""


class Searching:
    """All searches of one look for plans: they share its time, and are counted together."""

    def __init__(
        self, task: Task, limits: Limits, clock: Clock, engine: Engine | None, tell: Tell
    ) -> None:
        self.task = task
        self.limits = limits
        self._clock = clock
        self._plain = PlainEngine()
        self._engine = engine or self._plain
        self._tell = tell
        self._began = clock.now()
        self._wandering = min(1.0, limits.seconds / 2 / _WANDERING_SECONDS)
        self._expanded = self._generated = self._memory = self._floor = 0
        self._best: int | None = None

    def search(self, problem: Problem, bounds: Bounds, main: bool = False) -> Searched:
        """Look for the cheapest plan of a problem; ``main`` is the search that is told of."""
        if self._engine.takes(problem):
            try:
                return self._search(self._engine, problem, bounds, main)
            except BeyondBounds:
                pass
        elif not bounds.prefix:
            searched = self._search_loosely(problem, bounds, main)
            if searched is not None:
                return searched
        return self._search(self._plain, problem, bounds, main)

    def _search_loosely(self, problem: Problem, bounds: Bounds, main: bool) -> Searched | None:
        """Without the patterns, which may not be asked: the cheapest may be as they have it.

        Then it is the cheapest with them too; and where there is none without, there is none.
        """
        loose = replace(
            problem, builds=tuple(replace(build, pattern=None) for build in problem.builds)
        )
        if not self._engine.takes(loose):
            return None
        try:
            searched = self._search(self._engine, loose, bounds, main)
        except (BeyondBounds, _NotAsWanted):
            return None
        return searched

    def _search(self, engine: Engine, problem: Problem, bounds: Bounds, main: bool) -> Searched:
        before = (self._expanded, self._generated)
        search = engine.begin(problem, bounds)
        why = ""
        try:
            progress = search.run(engine.slice)
            if progress.end is End.GOING and main:
                self._count(before, progress, main)
                progress = search.wander(round(engine.wandering * self._wandering), _SEED)
            while progress.end is End.GOING:
                self._count(before, progress, main)
                why = self._over()
                if why:
                    break
                progress = search.run(engine.slice)
        finally:
            search.close()
        self._count(before, progress, main)
        if progress.end is End.FULL:
            why = f"{self.limits.memory / (1 << 20):.0f} MiB of memory were used up"
        plan = None
        if progress.best is not None:
            plan = self._performed(problem, progress.best)
            if plan.frames != progress.frames or plan.frames > bounds.frames:
                raise Disagreement(
                    f"{engine.name}: a plan of {progress.frames} frames takes {plan.frames}"
                )
        return Searched(progress.end, progress.floor, progress.best, plan, why)

    def sought(self) -> Sought:
        """How far it has come."""
        seconds = self._clock.now() - self._began
        return Sought(
            self._expanded, self._generated, self._floor, self._best, seconds, self._memory
        )

    def _over(self) -> str:
        """Why it must end now, in words."""
        if self._clock.now() - self._began >= self.limits.seconds:
            return f"{self.limits.seconds:g} s were over"
        return "" if self._tell(self.sought()) else "it was stopped"

    def _count(self, before: tuple[int, int], progress: Progress, main: bool) -> None:
        self._expanded = before[0] + progress.expanded
        self._generated = before[1] + progress.generated
        self._memory = max(self._memory, progress.memory)
        if main:
            self._floor, self._best = progress.floor, progress.frames

    def _performed(self, problem: Problem, moves: Sequence[int]) -> Plan:
        """The plan as the plain simulation does it; every goal must hold after it."""
        moment = begin(self.task)
        steps: list[PlannedStep] = []
        for move in moves:
            action = self.task.actions[problem.moves[move].action]
            try:
                moment = perform(action, moment, self.task)
            except NotPossible as fault:
                raise Disagreement(f"step {len(steps) + 1}, {action.name}: {fault}") from fault
            steps.append(
                PlannedStep(
                    action.name, action.frames, action.precise, moment.arenas, moment.states
                )
            )
        if not all_hold(self.task, moment):
            words = f"after {[step.action for step in steps]} no goal is reached"
            if any(isinstance(goal, LaidOut) for goal in self.task.goals):
                raise _NotAsWanted(words)
            raise Disagreement(words)
        return Plan(
            tuple(steps),
            sum(step.frames for step in steps),
            sum(step.precise for step in steps),
        )
