"""Plans beside the cheapest: the front of frames against precise inputs, and the next ones.

*Different.*  Two plans are different where one action is, in kind or in place.  A plan that comes
back to a state in which it had been already (all that makes a difference to any goal is as it was),
or that goes on after the goal, is none of its own.
"""

from __future__ import annotations

from bridge.planning.compiling import compiled
from bridge.planning.engine import Bounds, End
from bridge.planning.outcome import Plan
from bridge.planning.problem import Problem
from bridge.planning.searching import Searching

__all__ = ["front", "next_plans"]


def front(searching: Searching, cheapest: Plan) -> tuple[tuple[Plan, ...], str]:
    """For each number of precise inputs the cheapest, where it is cheaper than with fewer.

    In the order of precise inputs; the last has the frames of the cheapest of all.  The second is
    why it ends early, in words: then those with fewer precise inputs are missing.
    """
    found = [cheapest]
    while found[-1].precise:
        problem = compiled(searching.task, found[-1].precise - 1)
        limits = searching.limits
        searched = searching.search(problem, Bounds(limits.frames, limits.memory))
        if searched.why:
            return tuple(reversed(found)), searched.why
        if searched.plan is None:
            break
        if searched.plan.frames == found[-1].frames:
            found.pop()
        found.append(searched.plan)
    return tuple(reversed(found)), ""


def next_plans(
    searching: Searching, problem: Problem, cheapest: Plan
) -> tuple[tuple[Plan, ...], str]:
    """The ``others`` next cheapest different plans, and why there are fewer, in words.

    Every other plan leaves those that are known somewhere: it begins as one of them does, up to
    some action, and then takes another than they do.  The cheapest of each such kind are compared.
    """
    limits = searching.limits
    numbers = {
        searching.task.actions[move.action].name: at for at, move in enumerate(problem.moves)
    }
    newest = tuple(numbers[step.action] for step in cheapest.steps)
    known = {newest: cheapest}
    waiting: dict[tuple[int, ...], Plan] = {}
    left: set[tuple[tuple[int, ...], frozenset[int]]] = set()
    while len(known) <= limits.others:
        for at in range(len(newest)):
            prefix = newest[:at]
            taken = frozenset(
                moves[at] for moves in known if moves[:at] == prefix and len(moves) > at
            )
            if (prefix, taken) in left:
                continue
            left.add((prefix, taken))
            frames = _worth(waiting, limits.others + 1 - len(known), limits.frames)
            bounds = Bounds(frames, limits.memory, prefix, tuple(sorted(taken)))
            searched = searching.search(problem, bounds)
            if searched.why:
                return _in_order(known), searched.why
            if searched.end is End.FOUND and searched.moves is not None:
                assert searched.plan is not None
                waiting[searched.moves] = searched.plan
        if not waiting:
            return _in_order(known), "there are no more within the bound"
        newest = min(waiting, key=lambda moves: (waiting[moves].frames, len(moves), moves))
        known[newest] = waiting.pop(newest)
    return _in_order(known), ""


def _worth(waiting: dict[tuple[int, ...], Plan], wanted: int, most: int) -> int:
    """Frames that a plan must not pass to be among those that are still wanted."""
    frames = sorted(plan.frames for plan in waiting.values())
    return min(most, frames[wanted - 1]) if len(frames) >= wanted else most


def _in_order(known: dict[tuple[int, ...], Plan]) -> tuple[Plan, ...]:
    """All but the first, which they are counted beside."""
    return tuple(list(known.values())[1:])
