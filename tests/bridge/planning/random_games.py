"""Small random games: heaps, policies, actions and goals for comparing planners."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace

from bridge.planning.actions import Action, Alloc, Effect, Free, Hold, Interval, LetGo, Which
from bridge.planning.arena import HOLE, WALL, Arena, Cell
from bridge.planning.goals import all_hold
from bridge.planning.model import (
    Covered,
    Freed,
    GameModel,
    Goal,
    LaidOut,
    Placed,
    Start,
    Task,
    Uncovered,
)
from bridge.planning.policy import End, Fit, HoleOrder, Merge, Policy, WhenFull
from bridge.planning.simulation import NotPossible, begin, perform

KINDS = ("crate", "gull", "lantern", "mist")
SINGLE = (Which.NEWEST, Which.OLDEST, Which.LOWEST, Which.HIGHEST)


def a_task(chance: random.Random, goals: int | None = None) -> Task:
    """A game with its heap after some of its own actions, and what is wanted of it."""
    kinds = KINDS[: chance.randint(2, 4)]
    actions = tuple(_action(chance, number, kinds) for number in range(chance.randint(2, 5)))
    starts = []
    for build in ("first", "second")[: 1 + (chance.random() < 0.25)]:
        starts.append(_start(chance, build, kinds))
    if len(starts) == 2 and chance.random() < 0.4:
        starts[1] = _elsewhere(starts[0], "second", 0x400)
    if chance.random() < 0.3:
        actions, starts = _with_doors(chance, actions, starts, kinds)
    task = Task(tuple(starts), {"room": 0, "shots": 0}, actions, ())
    task = _later(chance, task)
    wanted = [_goal(chance, task) for _ in range(goals or 1 + (chance.random() < 0.25))]
    while len(wanted) < 12 and all_hold(replace(task, goals=tuple(wanted)), begin(task)):
        wanted.append(_goal(chance, task))
    return replace(task, goals=tuple(wanted))


def a_policy(chance: random.Random) -> Policy:
    return Policy(
        fit=chance.choice(list(Fit)),
        order=chance.choice([HoleOrder.ADDRESS, HoleOrder.ADDRESS, HoleOrder.RECENT]),
        tried_from=chance.choice(list(End)),
        carved_from=chance.choice(list(End)),
        header=chance.choice([0, 4, 8]),
        alignment=chance.choice([4, 8]),
        least_rest=chance.choice([0, 1, 8, 12]),
        merge=chance.choice([Merge.BOTH, *Merge]),
        keeps_last=chance.random() < 0.2,
        when_full=chance.choice([WhenFull.IMPOSSIBLE, WhenFull.CARRY_ON]),
    )


def _with_doors(
    chance: random.Random, actions: tuple[Action, ...], starts: list[Start], kinds: Sequence[str]
) -> tuple[tuple[Action, ...], list[Start]]:
    """Some actions release all first, in a heap where that leaves nothing of what was."""
    everything = Free((*kinds, "courier"), Which.ALL, 1, chance.choice(SINGLE))
    doors = tuple(
        replace(action, effects=(everything, *action.effects)) if chance.random() < 0.5 else action
        for action in actions
    )
    plain = [
        replace(
            start,
            game=replace(
                start.game,
                policy=replace(
                    start.game.policy,
                    merge=Merge.BOTH,
                    order=HoleOrder.ADDRESS,
                    fit=chance.choice([Fit.FIRST, Fit.BEST, Fit.WORST]),
                ),
            ),
            arena=replace(start.arena, rover=None),
        )
        for start in starts
    ]
    return doors, plain


def _elsewhere(start: Start, build: str, by: int) -> Start:
    """The same heap in another build, at another address."""
    arena = start.arena
    cells = tuple(replace(cell, start=cell.start + by) for cell in arena.cells)
    rover = None if arena.rover is None else arena.rover + by
    game = replace(start.game, build=build)
    return Start(game, replace(arena, cells=cells, rover=rover))


def _start(chance: random.Random, build: str, kinds: Sequence[str]) -> Start:
    """One build's heap, empty but for walls and blocks that nothing may ever release."""
    policy = a_policy(chance)
    sizes = {kind: chance.randint(1, 24) for kind in (*kinds, "courier")}
    low = at = chance.choice([0x1000, 0x1004, 0x2010])
    cells: list[Cell] = []
    for number in range(chance.randint(1, 3)):
        if number or chance.random() < 0.3:
            kind = chance.choice([WALL, "courier", *kinds])
            stride = policy.stride(sizes.get(kind, 4)) + (4 if kind == WALL else 0)
            cells.append(Cell(at, stride, kind, None))
            at += stride
        stride = chance.randint(2, 14) * policy.alignment
        cells.append(Cell(at, stride, HOLE, number))
        at += stride
    ages = iter(chance.sample(range(3, 9), 6))
    cells = [
        cell if not cell.used or chance.random() < 0.2 else replace(cell, age=next(ages))
        for cell in cells
    ]
    rover = None
    if policy.fit is Fit.NEXT and chance.random() < 0.9:
        rover = low if policy.tried_from is End.LOW else at
    return Start(GameModel(build, policy, sizes), Arena(tuple(cells), rover))


def _later(chance: random.Random, task: Task) -> Task:
    """The task from where some actions have led; what is used up is used again."""
    moment = begin(task)
    for _ in range(chance.randint(0, 6)):
        try:
            moment = perform(chance.choice(task.actions), moment, task)
        except NotPossible:
            continue
    starts = []
    for start in task.starts:
        arena = moment.arenas[start.game.build]
        if chance.random() < 0.1:
            cells = tuple(
                replace(cell, age=None) if cell.used and chance.random() < 0.3 else cell
                for cell in arena.cells
            )
            arena = replace(arena, cells=cells)
        starts.append(replace(start, arena=arena))
    return replace(task, starts=tuple(starts), states=moment.states)


def _action(chance: random.Random, number: int, kinds: Sequence[str]) -> Action:
    needs: dict[str, tuple[Interval, ...]] = {}
    if chance.random() < 0.4:
        needs["room"] = (Interval(chance.randint(0, 1), chance.choice([1, 2, None])),)
    if chance.random() < 0.15:
        low = chance.randint(0, 2)
        needs["shots"] = (Interval(None, low), Interval(low + 2, None))
    effects = [_effect(chance, kinds) for _ in range(chance.randint(0, 3))]
    if number < len(kinds) and chance.random() < 0.7:
        effects.append(Alloc(kinds[number]))
    return Action(
        name=f"action_{number}",
        frames=chance.choice([0, 1, 1, 2, 3, 5]),
        precise=chance.choice([0, 0, 0, 1, 2]),
        needs=needs,
        sets={"room": chance.randint(0, 2)} if chance.random() < 0.4 else {},
        adds={"shots": 1} if chance.random() < 0.2 else {},
        limit=chance.choice([None, None, None, 1, 2]),
        effects=tuple(effects),
    )


def _effect(chance: random.Random, kinds: Sequence[str]) -> Effect:
    some = tuple(chance.sample(kinds, chance.randint(1, len(kinds))))
    drawn = chance.random()
    if drawn < 0.5:
        end = chance.choice([None, None, None, End.LOW, End.HIGH])
        return Alloc(chance.choice(kinds), chance.choice([1, 1, 2]), end)
    if drawn < 0.75:
        return Free(some, chance.choice(SINGLE), chance.choice([1, 1, 2]))
    if drawn < 0.86:
        return Free(some, Which.ALL, 1, chance.choice(SINGLE))
    if drawn < 0.92:
        return Hold(some, chance.choice(SINGLE))
    if drawn < 0.96:
        return Free(some, Which.HELD)
    return LetGo()


def _goal(chance: random.Random, task: Task) -> Goal:
    """What is so after some actions more often than not, or anything."""
    moment = begin(task)
    for _ in range(chance.randint(2, 12)):
        try:
            moment = perform(chance.choice(task.actions), moment, task)
        except NotPossible:
            continue
    there = sorted({cell.kind for arena in moment.arenas.values() for cell in arena.cells})
    there = [kind for kind in there if kind in KINDS] * 6
    kind = chance.choice([None, *KINDS, *there])
    near = chance.random() < 0.8
    drawn = chance.random()
    addresses = {}
    spans = {}
    for start in task.starts:
        build, header = start.game.build, start.game.policy.header
        arena = moment.arenas[build]
        blocks = [cell for cell in arena.cells if cell.kind == kind or (kind is None and cell.used)]
        holes = [cell for cell in arena.cells if not cell.used]
        meant = blocks if drawn < 0.65 else holes
        cell = chance.choice(meant if meant and near else arena.cells)
        addresses[build] = chance.randrange(cell.start - (not near), cell.end)
        spans[build] = (cell.start + header, cell.start + header + chance.choice([0, 0, 0, 4, 9]))
    if drawn < 0.5:
        return Placed(kind, spans)
    if drawn < 0.65:
        return Covered(kind, addresses)
    if drawn < 0.78:
        return Freed(addresses)
    if drawn < 0.9:
        return Uncovered(addresses)
    return LaidOut({start.game.build: HolesAtLeast(chance.randint(1, 4)) for start in task.starts})


class HolesAtLeast:
    """A pattern: so many holes or more, and the first cell is a block."""

    def __init__(self, holes: int) -> None:
        self._holes = holes

    def matches(self, arena: Arena, policy: Policy) -> bool:
        holes = sum(not cell.used for cell in arena.cells)
        return holes >= self._holes and arena.cells[0].used
