"""What a runner is told who left a plan: what may have been done, and a plan from there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from bridge.planning.arena import Arena
from bridge.planning.course import Course, Spot
from bridge.planning.engine import Engine
from bridge.planning.find import find
from bridge.planning.followable import Followable
from bridge.planning.outcome import Outcome, Sought, Verdict
from bridge.planning.searching import Tell
from bridge.planning.slips import guess_words, guesses, task_from
from bridge.ports.clock import Clock
from bridge.ports.plan_adviser import PlanAdvice, PlanQuestion
from bridge.practice.followed_plan import NewPlan, PlanStep
from schemas.errors import PlanningError

__all__ = ["AT_ONCE_SECONDS", "SECONDS", "advise", "step_of"]

AT_ONCE_SECONDS = 0.05
"""What the first new plan may take, but for a slice: it is there in a tenth of a second."""
SECONDS = 5.0
"""What a plan may take that none is cheaper than, where the first is not known to be that."""


def step_of(course: Course, action: str) -> PlanStep:
    """An action as frames tell it."""
    found = next(each for each in course.task.actions if each.name == action)
    return PlanStep(found.name, found.frames, found.precise, found.doc)


def advise(
    plan: Followable, question: PlanQuestion, clock: Clock, engine: Engine | None, tell: Tell
) -> Iterator[PlanAdvice]:
    """The answers to a question, the last of which stands; *tell* says whether one is still wanted.

    Where it takes longer to prove that no plan is cheaper, the best of what was found at once comes
    before.
    """
    course = plan.course
    spot = Spot(question.step or 0)
    arena = question.arena if isinstance(question.arena, Arena) else None
    found = guesses(course, spot, question.heap, question.states)
    words = "" if question.step is None else guess_words(course, spot, found)
    from_here = task_from(course, spot, found, arena, question.states)
    if from_here is None:
        yield PlanAdvice(question.number, words, NewPlan(None, False, reason=question.why))
        return
    task, first = from_here
    wanted, still = plan.wanted(task), True

    def tell_on(sought: Sought) -> bool:
        nonlocal still
        still = tell(sought)
        return still

    for seconds in (AT_ONCE_SECONDS, SECONDS):
        limits = replace(plan.limits, seconds=seconds, front=False)
        try:
            outcome = find(wanted, limits, clock, engine, tell_on)
        except PlanningError as fault:
            yield PlanAdvice(question.number, words, NewPlan(None, False, reason=str(fault)))
            return
        last = outcome.verdict is not Verdict.CUT_SHORT or not still or seconds == SECONDS
        if last or outcome.plans:
            new = _new(course, outcome, "".join(first))
            yield PlanAdvice(question.number, words, new, last)
        if last:
            return


def _new(course: Course, outcome: Outcome, first: str) -> NewPlan:
    proved = outcome.verdict in (Verdict.CHEAPEST, Verdict.IMPOSSIBLE)
    if not outcome.plans:
        return NewPlan(None, proved, first=first, reason=outcome.reason)
    plan = outcome.plans[0]
    steps = tuple(step_of(course, step.action) for step in plan.steps)
    return NewPlan(steps, proved, plan.frames, first, outcome.reason)
