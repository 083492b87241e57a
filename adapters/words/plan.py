"""What a plan that is followed comes to in words: the next step, what differs, a new plan."""

from __future__ import annotations

from bridge.practice.followed_plan import FollowedPlan, NewPlan

__all__ = ["new_words", "plan_words", "slip_words", "unseen_words", "where_words"]


def plan_words(plan: FollowedPlan) -> str:
    """All of it in one line."""
    parts = (where_words(plan), slip_words(plan), new_words(plan.new), unseen_words(plan))
    return "  ".join(filter(None, parts))


def where_words(plan: FollowedPlan) -> str:
    """Which step comes next, or is under way."""
    count, step = len(plan.steps), plan.next
    if plan.reason:
        return f"nothing is known of the plan: {plan.reason}"
    if plan.stand == "done" or step is None:
        return f"all {count} steps done" if count != 1 else "the one step is done"
    where = f"step {plan.done + 1} of {count}"
    if plan.stand == "off":
        return f"off the plan at {where}, {step.action}"
    if plan.stand == "waits":
        return "the plan has not begun: the heap is nowhere as in it"
    if plan.stand == "under way":
        return f"{where}: {step.action}, {plan.stage} of {plan.stages} effects"
    precise = f", {step.precise} to the frame" if step.precise else ""
    return f"{where}: {step.action} ({_frames(step.frames)}{precise})"


def slip_words(plan: FollowedPlan) -> str:
    """The first difference, and the question that names what may have been done."""
    if plan.reason:
        return ""
    return ": ".join(filter(None, (plan.difference, plan.guess)))


def new_words(new: NewPlan | None) -> str:
    """A new plan from where the game stands; empty while there is none."""
    if new is None:
        return ""
    first = f"when {new.first} is over, " if new.first else ""
    if new.steps is None:
        return f"no new plan: {new.reason}"
    if not new.steps:
        return f"{first}what the plan is for is so already"
    names = ", ".join(step.action for step in new.steps)
    about = "" if new.proved else ", perhaps not the cheapest"
    return f"new plan: {first}{names} ({_frames(new.frames or 0)}{about})"


def unseen_words(plan: FollowedPlan) -> str:
    """Which steps were done without being seen."""
    if not plan.unseen or plan.reason:
        return ""
    missed = f", {_frames(plan.missed)} were missed" if plan.missed else ""
    return f"not seen by itself: {', '.join(plan.unseen)}{missed}"


def _frames(count: int) -> str:
    return f"{count} frame{'s' * (count != 1)}"
