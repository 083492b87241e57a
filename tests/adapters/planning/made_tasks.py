"""Tasks at random, over all policies: heaps, actions and goals that engines are compared on."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace
from itertools import product

from bridge.planning.actions import Action, Alloc, Effect, Free, Hold, Interval, LetGo, Which
from bridge.planning.arena import HOLE, WALL, Arena, Cell
from bridge.planning.model import (
    Covered,
    Freed,
    GameModel,
    Goal,
    Placed,
    Start,
    Task,
    Uncovered,
)
from bridge.planning.policy import End, Fit, HoleOrder, Merge, Policy, WhenFull

BASE = 0x8010_0000
UNIT = 8
HEADER = 8
KINDS = ("crate", "gull", "lantern", "mist", "rope")
SIZES = {"crate": 0x58, "gull": 0x38, "lantern": 0x98, "mist": 0x18, "rope": 0x4C}


def policies() -> Iterator[Policy]:
    """All 280 that differ in fit, order, ends, merging and the last hole kept.

    Next fit goes through the holes by address, whatever their order is said to be.
    """
    for fit, order, tried, carved, merge, keeps in product(
        Fit, HoleOrder, End, End, Merge, (False, True)
    ):
        if not (fit is Fit.NEXT and order is HoleOrder.RECENT):
            yield Policy(fit, order, tried, carved, HEADER, UNIT, 24, merge, keeps)


def made_policy(policy: Policy, rng: random.Random) -> Policy:
    """The same, where now and then a request that finds no room does no harm."""
    return replace(policy, when_full=WhenFull.CARRY_ON) if rng.random() < 0.2 else policy


def made_arena(policy: Policy, rng: random.Random, most: int = 16) -> Arena:
    """A heap with some of each, some ages the same and some unknown."""
    cells: list[Cell] = []
    start = BASE
    for n in range(rng.randrange(4, most)):
        kind = rng.choice((HOLE, HOLE, *KINDS, WALL))
        if cells and kind == cells[-1].kind == HOLE and policy.merge is Merge.BOTH:
            kind = WALL
        stride = policy.stride(SIZES.get(kind, UNIT * rng.randrange(3, 60)))
        age = rng.choice((None, n, n, n, rng.randrange(20)))
        cells.append(Cell(start, stride, kind, None if kind == WALL else age))
        start += stride
    size = UNIT * rng.randrange(20, 80)
    merges = policy.merge is Merge.BOTH and cells[-1].kind == HOLE
    cells.append(Cell(start, size, WALL if merges else HOLE, None if merges else 30))
    low = policy.tried_from is End.LOW
    rover = (BASE if low else cells[-1].end) if policy.fit is Fit.NEXT else None
    return Arena(tuple(cells), rover)


def made_actions(rng: random.Random, count: int = 12, held: bool = True) -> tuple[Action, ...]:
    """Actions of one to three effects, each effect one of all that there are."""

    def kinds() -> tuple[str, ...]:
        return tuple(rng.sample(KINDS, rng.randrange(1, 4)))

    order = (Which.NEWEST, Which.OLDEST, Which.LOWEST, Which.HIGHEST)
    one = (*order, Which.HELD) if held else order

    def effect() -> Effect:
        which = rng.randrange(10)
        if which < 4 or (which > 7 and not held):
            return Alloc(rng.choice(KINDS), rng.randrange(1, 4), rng.choice((None, None, *End)))
        if which < 7:
            return Free(kinds(), rng.choice(one), rng.randrange(1, 3))
        if which < 8:
            return Free(kinds(), Which.ALL, order=rng.choice(order))
        return Hold(kinds(), rng.choice(one)) if which < 9 else LetGo()

    return tuple(
        Action(
            f"act_{n}",
            rng.randrange(1, 9),
            effects=tuple(effect() for _ in range(rng.randrange(1, 4))),
            needs={"room": (Interval(0, rng.randrange(3)),)} if rng.random() < 0.3 else {},
            sets={"room": rng.randrange(3)} if rng.random() < 0.4 else {},
            limit=rng.choice((None, None, 2)),
        )
        for n in range(count)
    )


def made_goal(arenas: dict[str, Arena], rng: random.Random) -> Goal:
    """A goal somewhere in the heaps, at one and the same offset of each."""
    low, high = next((arena.low, arena.high) for arena in arenas.values())
    at = rng.randrange(low, high, UNIT)
    kind = rng.choice((*KINDS, None))
    which = rng.randrange(6)
    offsets = {build: at - low + arena.low for build, arena in arenas.items()}
    if which < 3:
        wide = rng.choice((0, 0, 64))
        return Placed(
            kind, {build: (one + HEADER, one + HEADER + wide) for build, one in offsets.items()}
        )
    if which < 4:
        return Covered(kind, offsets)
    return Freed(offsets) if which < 5 else Uncovered(offsets)


def made_task(policy: Policy, rng: random.Random, builds: int = 1, actions: int = 5) -> Task:
    """A task on a small heap."""
    policy = made_policy(policy, rng)
    arenas = {f"build_{n}": made_arena(policy, rng, 10) for n in range(builds)}
    starts = tuple(Start(GameModel(build, policy, SIZES), arena) for build, arena in arenas.items())
    goals = tuple(made_goal(arenas, rng) for _ in range(rng.choice((1, 1, 2))))
    return Task(starts, {"room": 0}, made_actions(rng, actions), goals)
