"""A second planner to hold the first against: Dijkstra on whole moments of the plain simulation.

E. W. Dijkstra, "A note on two problems in connexion with graphs", Numerische Mathematik 1 (1959).
Nothing is compiled, joined or left out: of ages only their order counts, since rules ask for no
more, and of how often an action was done only what has a limit.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, replace
from itertools import count

from bridge.planning.arena import Arena
from bridge.planning.goals import all_hold
from bridge.planning.model import Task
from bridge.planning.simulation import Moment, NotPossible, begin, perform


@dataclass(frozen=True)
class Answer:
    """``frames`` of the cheapest plan, None where there is none; ``exhausted``: at no cost."""

    frames: int | None
    exhausted: bool
    seen: int


def cheapest(task: Task, frames: int, most: int, precise: int | None = None) -> Answer | None:
    """The least frames of a plan of at most ``frames``; None where ``most`` moments are passed."""
    start = begin(task)
    ticket = count()
    queue = [(0, next(ticket), start, 0)]
    least = {_key(task, start, 0, precise): 0}
    exhausted = True
    while queue:
        cost, _, moment, spent = heapq.heappop(queue)
        if least[_key(task, moment, spent, precise)] < cost:
            continue
        if all_hold(task, moment):
            return Answer(cost, False, len(least))
        for action in task.actions:
            try:
                after = perform(action, moment, task)
            except NotPossible:
                continue
            inputs = spent + action.precise
            if precise is not None and inputs > precise:
                continue
            total = cost + action.frames
            if total > frames:
                exhausted = False
                continue
            after = _ranked(after)
            key = _key(task, after, inputs, precise)
            if least.get(key, total + 1) > total:
                least[key] = total
                heapq.heappush(queue, (total, next(ticket), after, inputs))
        if len(least) > most:
            return None
    return Answer(None, exhausted, len(least))


def _ranked(moment: Moment) -> Moment:
    return replace(
        moment, arenas={build: _in_order(arena) for build, arena in moment.arenas.items()}
    )


def _in_order(arena: Arena) -> Arena:
    ages = sorted({cell.age for cell in arena.cells if cell.age is not None})
    return replace(
        arena,
        cells=tuple(
            cell if cell.age is None else replace(cell, age=ages.index(cell.age))
            for cell in arena.cells
        ),
    )


def _key(task: Task, moment: Moment, spent: int, precise: int | None) -> object:
    return (
        tuple(moment.arenas.values()),
        tuple(moment.states.values()),
        tuple(moment.uses[action.name] for action in task.actions if action.limit is not None),
        spent if precise is not None else 0,
    )
