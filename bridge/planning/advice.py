"""What a runner is told who left a plan: what may have been done, and a plan from there."""

from __future__ import annotations

from dataclasses import replace

from bridge.planning.arena import Arena
from bridge.planning.course import Course, Spot
from bridge.planning.engine import Engine
from bridge.planning.find import find
from bridge.planning.followable import Followable
from bridge.planning.outcome import Outcome, Verdict
from bridge.planning.searching import Tell
from bridge.planning.slips import guess_words, guesses, task_from
from bridge.ports.clock import Clock
from bridge.ports.plan_adviser import PlanAdvice, PlanQuestion
from bridge.practice.followed_plan import NewPlan, PlanStep
from schemas.errors import PlanningError

__all__ = ["SECONDS", "advise", "step_of"]

SECONDS = 5.0
"""What a new plan may take; nearly all take less than a tenth of a second."""


def step_of(course: Course, action: str) -> PlanStep:
    """An action as frames tell it."""
    found = next(each for each in course.task.actions if each.name == action)
    return PlanStep(found.name, found.frames, found.precise, found.doc)


def advise(
    plan: Followable, question: PlanQuestion, clock: Clock, engine: Engine | None, tell: Tell
) -> PlanAdvice:
    """The answer to a question; *tell* says whether it is still wanted."""
    course = plan.course
    spot = Spot(question.step or 0)
    arena = question.arena if isinstance(question.arena, Arena) else None
    found = guesses(course, spot, question.heap, question.states)
    words = "" if question.step is None else guess_words(course, spot, found)
    from_here = task_from(course, spot, found, arena, question.states)
    if from_here is None:
        return PlanAdvice(question.number, words, NewPlan(None, False, reason=question.why))
    task, first = from_here
    try:
        outcome = find(
            plan.wanted(task),
            replace(plan.limits, seconds=SECONDS, front=False),
            clock,
            engine,
            tell,
        )
    except PlanningError as fault:
        return PlanAdvice(question.number, words, NewPlan(None, False, reason=str(fault)))
    return PlanAdvice(question.number, words, _new(course, outcome, "".join(first)))


def _new(course: Course, outcome: Outcome, first: str) -> NewPlan:
    proved = outcome.verdict in (Verdict.CHEAPEST, Verdict.IMPOSSIBLE)
    if not outcome.plans:
        return NewPlan(None, proved, first=first, reason=outcome.reason)
    plan = outcome.plans[0]
    steps = tuple(step_of(course, step.action) for step in plan.steps)
    return NewPlan(steps, proved, plan.frames, first, outcome.reason)
