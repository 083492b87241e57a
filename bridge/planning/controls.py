"""All of a task's moments that does not lie in the heap, enumerated ahead: the controls.

A control is the values of the states that some action needs, how often each action with a limit was
done, and how many inputs that must be right to the frame there were, where these are bounded.
States that no action needs make no difference.  A counter that only grows is followed as far as the
greatest number that anything compares it with; one that only falls, to below the least.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from bridge.planning.actions import Action
from bridge.planning.model import Task
from schemas.errors import PlanningError
from schemas.toml_file import nearest

__all__ = ["MAX_CONTROLS", "NOWHERE", "Controls", "controls_of"]

MAX_CONTROLS = 1 << 16
NOWHERE = -1
"""In a table of controls: the action is not possible there."""

_Control = tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Controls:
    """``following[control][n]`` is where action ``actions[n]`` (of the task's) leads, or NOWHERE.

    Control 0 is the start; the actions are those that are possible somewhere.
    """

    actions: tuple[int, ...]
    following: tuple[tuple[int, ...], ...]


def controls_of(task: Task, precise: int | None, most: int = MAX_CONTROLS) -> Controls:
    """Every control that can be reached from the task's states; ``most`` of them at most."""
    start, performs = _performers(task, precise)
    numbers: dict[_Control, int] = {start: 0}
    order = [start]
    rows: list[list[int]] = []
    for control in order:
        row = []
        for perform in performs:
            after = perform(control)
            if after is None:
                row.append(NOWHERE)
                continue
            if after not in numbers:
                if len(order) >= most:
                    raise PlanningError(_too_many(task, order, most))
                numbers[after] = len(order)
                order.append(after)
            row.append(numbers[after])
        rows.append(row)
    possible = tuple(
        action for action in range(len(performs)) if any(row[action] != NOWHERE for row in rows)
    )
    return Controls(possible, tuple(tuple(row[action] for action in possible) for row in rows))


def _followed(task: Task) -> list[str]:
    """The states that some action needs."""
    names = sorted({name for action in task.actions for name in action.needs})
    for name in names:
        if name not in task.states:
            raise PlanningError(
                f"an action needs state {name}, which is not known{nearest(name, task.states)}"
            )
    return names


def _performers(
    task: Task, precise: int | None
) -> tuple[_Control, list[Callable[[_Control], _Control | None]]]:
    names = _followed(task)
    limited = [action.name for action in task.actions if action.limit is not None]
    counts = precise is not None and any(action.precise for action in task.actions)
    bounds = [_clamp(name, task.actions) for name in names]
    start = [bound(task.states[name]) for name, bound in zip(names, bounds, strict=True)]
    start += [0] * (len(limited) + counts)

    def performer(action: Action) -> Callable[[_Control], _Control | None]:
        needs = [(names.index(name), intervals) for name, intervals in action.needs.items()]
        sets = [(at, action.sets[name]) for at, name in enumerate(names) if name in action.sets]
        adds = [(at, action.adds[name]) for at, name in enumerate(names) if name in action.adds]
        use = len(names) + limited.index(action.name) if action.limit is not None else None

        def perform(control: _Control) -> _Control | None:
            for at, intervals in needs:
                if not any(control[at] in interval for interval in intervals):
                    return None
            after = list(control)
            for at, value in sets:
                after[at] = value
            for at, value in adds:
                after[at] += value
            for at, bound in enumerate(bounds):
                after[at] = bound(after[at])
            if use is not None:
                after[use] += 1
                if after[use] > (action.limit or 0):
                    return None
            if counts and precise is not None:
                after[-1] += action.precise
                if after[-1] > precise:
                    return None
            return tuple(after)

        return perform

    return tuple(start), [performer(action) for action in task.actions]


def _clamp(name: str, actions: Sequence[Action]) -> Callable[[int], int]:
    """What a state's value may be taken for, without any need telling the difference, ever."""
    compared = [
        edge
        for action in actions
        for interval in action.needs.get(name, ())
        for edge in (interval.low, interval.high)
        if edge is not None
    ]
    added = [action.adds[name] for action in actions if name in action.adds]
    low, high = (min(compared), max(compared)) if compared else (0, 0)
    if all(step >= 0 for step in added):
        return lambda value: min(value, high + 1)
    if all(step <= 0 for step in added):
        return lambda value: max(value, low - 1)
    return lambda value: value


def _too_many(task: Task, order: Sequence[_Control], most: int) -> str:
    names = _followed(task)
    names += [f"uses of {action.name}" for action in task.actions if action.limit is not None]
    names += ["inputs to the frame"] * (len(order[0]) - len(names))
    kinds = [len({control[at] for control in order}) for at in range(len(names))]
    widest = max(range(len(names)), key=kinds.__getitem__)
    return (
        f"the states take more than {most} values together, {names[widest]} alone "
        f"{kinds[widest]}; leave out of [actions] what the plan does not need, or set limits"
    )
