"""Find the cheapest plan, and prove that there is no cheaper one, or none at all."""

from __future__ import annotations

from dataclasses import replace

from bridge.planning.compiling import check, compiled
from bridge.planning.engine import Bounds, End, Engine
from bridge.planning.further_plans import front, next_plans
from bridge.planning.goals import all_hold
from bridge.planning.model import Limits, Task
from bridge.planning.outcome import Outcome, Plan, Verdict
from bridge.planning.problem import Problem
from bridge.planning.proofs import impossible_because
from bridge.planning.searching import Disagreement, Searched, Searching, Tell
from bridge.planning.simulation import begin
from bridge.ports.clock import Clock

__all__ = ["Disagreement", "find"]


def find(
    task: Task,
    limits: Limits,
    clock: Clock,
    engine: Engine | None = None,
    tell: Tell = lambda sought: True,
) -> Outcome:
    """The cheapest plan for the task, or why there is none.

    ``tell`` is asked after every slice of about 50 ms; where it says False, the search ends with
    what it has.  Without an ``engine``, or where that does not take the task, the plain one looks.
    Raises PlanningError where the task cannot be planned at all.
    """
    searching = Searching(task, limits, clock, engine, tell)
    outcome = _outcome(searching, task, limits)
    return replace(outcome, sought=searching.sought())


def _outcome(searching: Searching, task: Task, limits: Limits) -> Outcome:
    check(task)
    if all_hold(task, begin(task)):
        nothing = Plan((), 0, 0)
        return Outcome(Verdict.CHEAPEST, (nothing,), (nothing,), 0, "it is so already")
    reason = impossible_because(task, compiled(task, whole=True))
    if reason:
        return Outcome(Verdict.IMPOSSIBLE, reason=reason)
    within = ""
    if limits.precise is not None and any(action.precise for action in task.actions):
        within = f" with at most {limits.precise} inputs right to the frame"
        reason = impossible_because(task, compiled(task, limits.precise, whole=True))
        if reason:
            return Outcome(Verdict.NONE_WITHIN, reason=f"{reason}{within}")
    problem = compiled(task, limits.precise)
    searched = searching.search(problem, Bounds(limits.frames, limits.memory), main=True)
    if searched.why:
        return _cut_short(searched)
    if searched.end is End.EXHAUSTED:
        seen = f"all {searching.sought().generated} ways to go on were looked at"
        if not within:
            return Outcome(Verdict.IMPOSSIBLE, reason=f"no action leads there: {seen}")
        return Outcome(Verdict.NONE_WITHIN, reason=f"there is no plan{within}: {seen}")
    if searched.end is End.BOUND:
        return Outcome(
            Verdict.NONE_WITHIN,
            floor=limits.frames + 1,
            reason=f"there is no plan of at most {limits.frames} frames{within}",
        )
    return _with_further(searching, problem, searched, limits)


def _cut_short(searched: Searched) -> Outcome:
    plan = searched.plan
    if plan is None:
        words = f"a plan takes at least {searched.floor} frames, and none was found"
    else:
        words = f"the cheapest takes between {searched.floor} and {plan.frames} frames"
    plans = () if plan is None else (plan,)
    reason = f"{searched.why}: {words}"
    return Outcome(Verdict.CUT_SHORT, plans, (), searched.floor, reason)


def _with_further(
    searching: Searching, problem: Problem, searched: Searched, limits: Limits
) -> Outcome:
    assert searched.plan is not None
    reasons = []
    best_by_precise: tuple[Plan, ...] = (searched.plan,)
    why = ""
    if limits.front:
        best_by_precise, why = front(searching, searched.plan)
    if why:
        reasons.append(f"of plans with fewer precise inputs not all are known: {why}")
    cheapest = searched.plan if why else best_by_precise[-1]
    plans: tuple[Plan, ...] = (cheapest,)
    if limits.others:
        others, why = next_plans(searching, problem, cheapest)
        plans += others
        if why:
            reasons.append(f"{len(others)} of {limits.others} others: {why}")
    return Outcome(Verdict.CHEAPEST, plans, best_by_precise, cheapest.frames, "; ".join(reasons))
