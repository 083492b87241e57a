"""The compiled core hands out and takes back as the plain reference does, under every policy.

The reference is ``bridge/planning/simulation.py``, a second program that knows no units, masks or
ranks and goes through all cells at every step.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace

import pytest

from adapters.planning.compiled_engine import CompiledEngine
from bridge.planning.actions import Alloc, Effect, Hold, LetGo, Which
from bridge.planning.arena import HOLE, WALL, Arena, Cell
from bridge.planning.engine import Bounds
from bridge.planning.model import GameModel, Start, Task
from bridge.planning.policy import End, Fit, HoleOrder, Policy
from bridge.planning.problem import NEVER, Build, Code, Heap, Move, Operation, Problem, Whose
from bridge.planning.simulation import Moment, NotPossible, begin, order_matters, perform
from tests.adapters.planning.made_tasks import (
    BASE,
    KINDS,
    SIZES,
    UNIT,
    made_actions,
    made_arena,
    made_policy,
    policies,
)


def problem_of(task: Task) -> Problem:
    """A task in whole numbers, with nothing in it left out that never matters."""
    (start,) = task.starts
    policy = start.game.policy
    names = (HOLE, WALL, *KINDS)

    def mask(kinds: tuple[str, ...]) -> int:
        return sum(1 << names.index(kind) for kind in kinds)

    def operations(effect: Effect) -> Iterator[Operation]:
        if isinstance(effect, Alloc):
            end = -1 if effect.end is None else list(End).index(effect.end)
            for _ in range(effect.count):
                yield Operation(Code.ALLOC, names.index(effect.kind), end)
        elif isinstance(effect, LetGo):
            yield Operation(Code.LET_GO)
        elif isinstance(effect, Hold):
            yield Operation(Code.HOLD, mask(effect.kinds), Whose[effect.which.name])
        elif effect.which is Which.ALL:
            yield Operation(Code.FREE, mask(effect.kinds), Whose[effect.order.name], 0)
        else:
            how = Whose[effect.which.name]
            yield Operation(Code.FREE, mask(effect.kinds), how, effect.count)

    moves = tuple(
        Move(
            n,
            action.frames,
            tuple(each for effect in action.effects for each in operations(effect)),
        )
        for n, action in enumerate(task.actions)
    )
    recent = policy.order is HoleOrder.RECENT
    arena = start.arena
    strides = (0, 0, *(policy.stride(start.game.sizes[kind]) // UNIT for kind in KINDS))
    build = Build(
        names=(start.game.build,),
        policy=policy,
        base=BASE,
        unit=UNIT,
        units=(arena.high - arena.low) // UNIT,
        strides=strides,
        least_rest=max(1, -(-policy.least_rest // UNIT)),
        least=0,
        recent=recent,
        in_order=order_matters(policy),
        keeps=(),
        start=heap_of(arena, recent, policy.fit is Fit.NEXT),
        tests=(),
    )
    groups = (-1, -1, *(0 for _ in KINDS))
    return Problem(names, groups, 0, True, moves, 1, 0, (0,) * len(moves), (0,), (NEVER,), (build,))


def heap_of(arena: Arena, recent: bool, roves: bool) -> Heap:
    """An arena in units, with ages told anew: what two states that are the same share."""
    names = (HOLE, WALL, *KINDS)

    def age(cell: Cell) -> int:
        if cell.kind == WALL or (cell.kind == HOLE and not recent):
            return 0
        ages = {
            -1 if other.age is None else other.age
            for other in arena.cells
            if other.kind != WALL and (other.kind == HOLE) == (cell.kind == HOLE)
        }
        return sorted(ages).index(-1 if cell.age is None else cell.age)

    cells: list[tuple[int, int, int]] = []
    rover, held = (
        -1 if at is None else (at - BASE) // UNIT
        for at in (arena.rover if roves else None, arena.held)
    )
    for cell in arena.cells:
        size = cell.stride // UNIT
        if cell.kind == WALL and cells and cells[-1][1] == 1:
            size += cells.pop()[0]
        start = sum(cell[0] for cell in cells)
        if cell.kind == WALL and start < rover < start + size:
            rover = start + 1
        cells.append((size, names.index(cell.kind), age(cell)))
    return Heap(tuple(cells), rover, held)


def compared(engine: CompiledEngine, policy: Policy, seed: int, steps: int) -> int:
    """How many of so many actions at random were possible, the heaps after each being equal."""
    rng = random.Random(f"{policy} {seed}")
    policy = made_policy(policy, rng)
    start = Start(GameModel("disk", policy, SIZES), made_arena(policy, rng))
    actions = (replace(each, needs={}, sets={}, limit=None) for each in made_actions(rng))
    task = Task((start,), {}, tuple(actions), ())
    search = engine.begin(problem_of(task), Bounds(1 << 10, 1 << 22))
    moment = begin(task)
    search.stand()
    done = 0
    for _ in range(steps):
        number = rng.randrange(len(task.actions))
        after = performed(task, number, moment)
        state = search.perform(number)
        if after is None:
            assert state is None, (policy, seed, number)
            continue
        assert state is not None, (policy, seed, number)
        (heap,) = state[1]
        roves = policy.fit is Fit.NEXT
        expected = heap_of(after.arenas["disk"], policy.order is HoleOrder.RECENT, roves)
        assert heap == expected, (policy, seed, task.actions[number])
        moment = after
        done += 1
    search.close()
    return done


def performed(task: Task, number: int, moment: Moment) -> Moment | None:
    try:
        return perform(task.actions[number], moment, task)
    except NotPossible:
        return None


def test_every_policy() -> None:
    engine = CompiledEngine()
    every = list(policies())
    assert len(every) == len(set(every)) == 280
    done = [compared(engine, policy, 1, 12) for policy in every]
    assert sum(done) > 3 * len(every)


@pytest.mark.full
def test_every_policy_at_length() -> None:
    engine = CompiledEngine()
    for seed in range(2, 12):
        assert sum(compared(engine, policy, seed, 60) for policy in policies()) > 3_000
