"""Whether a goal holds on a build's heap: the plain definition that every engine is held to."""

from __future__ import annotations

from bridge.planning.arena import HOLE, WALL, Arena, Cell
from bridge.planning.model import Covered, Freed, Goal, LaidOut, Placed, Start, Task
from bridge.planning.simulation import Moment

__all__ = ["all_hold", "asked_of", "holds"]


def holds(goal: Goal, start: Start, arena: Arena) -> bool:
    """Whether ``arena``, a heap of the build of ``start``, is as the goal wants it."""
    policy, build = start.game.policy, start.game.build
    if isinstance(goal, LaidOut):
        return goal.patterns[build].matches(arena, policy)
    if isinstance(goal, Placed):
        low, high = goal.spans[build]
        return any(
            low <= block.start + policy.header <= high for block in _blocks(arena, goal.kind)
        )
    address = goal.addresses[build]
    if isinstance(goal, Covered):
        return any(
            block.start + policy.header <= address < block.end
            for block in _blocks(arena, goal.kind)
        )
    if isinstance(goal, Freed):
        return any(not cell.used and cell.start <= address < cell.end for cell in arena.cells)
    return not any(block.start <= address < block.end for block in _blocks(arena, None))


def all_hold(task: Task, moment: Moment) -> bool:
    """Whether every goal holds on every build."""
    return all(
        holds(goal, start, moment.arenas[start.game.build])
        for goal in task.goals
        for start in task.starts
    )


def asked_of(goal: Goal) -> frozenset[str]:
    """The builds that the goal says something of."""
    if isinstance(goal, LaidOut):
        return frozenset(goal.patterns)
    return frozenset(goal.spans if isinstance(goal, Placed) else goal.addresses)


def _blocks(arena: Arena, kind: str | None) -> list[Cell]:
    """Blocks of a kind, or of any: neither holes nor what was never a block."""
    return [
        cell
        for cell in arena.cells
        if cell.kind not in (HOLE, WALL) and (kind is None or cell.kind == kind)
    ]
