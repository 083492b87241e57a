"""The plain reference against ``unit_map.py``, an allocator that was written apart from it.

Every policy that can be said, random actions on arenas with walls in them: all cells, the order of
holes and blocks, the rover, what is held and what is not possible are the same after each action.
"""

from __future__ import annotations

import random
from itertools import product

import pytest

from bridge.heap.blocks import Block, Heap
from bridge.planning.actions import Action, Alloc, Effect, Free, Hold, LetGo, Which
from bridge.planning.arena import HOLE, WALL, Arena, Cell
from bridge.planning.arena_of_heap import contradictions
from bridge.planning.model import GameModel, Start, Task
from bridge.planning.policy import End, Fit, HoleOrder, Merge, Policy, WhenFull
from bridge.planning.simulation import Moment, NotPossible, begin, perform
from tests.bridge.planning.unit_map import WALL_NAME, CannotBeDone, UnitMap

BASE = 0x8020_0000
SIZES = {"crate": 0x34, "gull": 0x18, "lantern": 0x60, "puff": 0x04}
POLICIES = [
    Policy(fit, order, tried, carved, 8, 16, rest, merge, keeps, full)
    for (fit, order), tried, carved, (merge, full), (keeps, rest) in product(
        [*product((Fit.FIRST, Fit.BEST, Fit.WORST), HoleOrder), (Fit.NEXT, HoleOrder.ADDRESS)],
        End,
        End,
        zip(Merge, [*WhenFull, *WhenFull, WhenFull.IMPOSSIBLE], strict=True),
        [(False, 32), (True, 17)],
    )
]
"""Each has one of two least rests and one of two ways to be full."""
ACTIONS = 60


def effects(rng: random.Random) -> tuple[Effect, ...]:
    one = (rng.choice([*SIZES]),)
    some = tuple(rng.sample([*SIZES], rng.randint(1, 3)))
    single = rng.choice([Which.NEWEST, Which.OLDEST, Which.LOWEST, Which.HIGHEST])
    choices: list[Effect] = [
        Alloc(one[0], rng.randint(1, 3), rng.choice([None, None, *End])),
        Alloc(one[0]),
        Free(one, single, rng.randint(1, 2)),
        Free(some, single),
        Free(one, Which.ALL, order=single),
        Free(some, Which.HELD),
        Hold(some, single),
        LetGo(),
    ]
    return tuple(rng.choices(choices, [5, 5, 4, 4, 1, 1, 2, 1], k=rng.randint(1, 3)))


def arena(text: list[tuple[str, int]], policy: Policy) -> Arena:
    cells: list[Cell] = []
    start = BASE
    for age, (name, length) in enumerate(text):
        kind = {"": HOLE, WALL_NAME: WALL}.get(name, name)
        cells.append(Cell(start, 16 * length, kind, age))
        start = cells[-1].end
    rover = (BASE if policy.tried_from is End.LOW else start) if policy.fit is Fit.NEXT else None
    return Arena(tuple(cells), rover)


def looks(found: Arena, policy: Policy) -> object:
    """All of an arena that must be the same; ages as ranks, holes' where anything asks for them."""
    blocks = [cell for cell in found.cells if cell.kind not in (HOLE, WALL)]
    holes = [cell for cell in found.cells if cell.kind == HOLE]
    recent = policy.order is HoleOrder.RECENT
    return (
        [(cell.start, cell.stride, cell.kind) for cell in found.cells],
        [cell.start for cell in sorted(blocks, key=lambda cell: cell.age or 0)],
        [cell.start for cell in sorted(holes, key=lambda cell: cell.age or 0)] if recent else [],
        found.rover,
        found.held,
    )


def looks_of(slow: UnitMap) -> object:
    names = {region: slow.names.get(region, HOLE) for region in slow.regions()}
    at = {region: BASE + 16 * slow.first_unit(region) for region in slow.regions()}
    by_age = sorted(slow.regions(), key=lambda region: slow.stamps[region])
    recent = slow.policy.order is HoleOrder.RECENT
    return (
        [
            (at[region], 16 * slow.length(region), WALL if name == WALL_NAME else name)
            for region, name in names.items()
        ],
        [at[region] for region in by_age if names[region] not in (HOLE, WALL_NAME)],
        [at[region] for region in by_age if names[region] == HOLE] if recent else [],
        BASE + 16 * slow.rover if slow.policy.fit is Fit.NEXT else None,
        None if slow.hand is None else at[slow.hand],
    )


def heap_of(found: Arena, policy: Policy) -> Heap:
    """The heap that a game would show; a wall is some block of which nothing is known."""
    blocks = [
        Block(
            cell.start + policy.header,
            cell.stride - policy.header,
            cell.kind != HOLE,
            index,
            "mast" if cell.kind == WALL else cell.kind,
            cell.start,
        )
        for index, cell in enumerate(found.cells)
    ]
    return Heap(blocks, header_size=policy.header)


def follow(policy: Policy, seed: int) -> tuple[int, int]:
    """Random actions on both; how many were done, and how many were not possible."""
    rng = random.Random(f"{policy} {seed}")
    text = [("gull", 2), ("", rng.randint(3, 20)), (WALL_NAME, 3), ("", rng.randint(3, 60))]
    text += rng.choice([[("crate", 4)], [(WALL_NAME, 1), ("", 9)], []])
    start = arena(text, policy)
    game = GameModel("first-print", policy, SIZES)
    task = Task((Start(game, start),), {}, (), ())
    moment: Moment = begin(task)
    slow = UnitMap(policy, SIZES, text)
    done = refused = 0
    for _ in range(ACTIONS):
        action = Action("any", 1, effects=effects(rng))
        ahead = slow.copy()
        try:
            for effect in action.effects:
                ahead.do(effect)
        except CannotBeDone:
            with pytest.raises(NotPossible):
                perform(action, moment, task)
            refused += 1
            continue
        moment, slow = perform(action, moment, task), ahead
        assert looks(moment.arenas["first-print"], policy) == looks_of(slow), action
        done += 1
        if done % 8 == 0:
            now = moment.arenas["first-print"]
            heap = heap_of(now, policy)
            # what the rules can leave contradicts none of them
            assert list(contradictions(heap, game, (now.low, now.high))) == []
    return done, refused


def test_every_policy_that_can_be_said_is_there() -> None:
    assert len(set(POLICIES)) == len(POLICIES) == 280
    assert {policy.when_full for policy in POLICIES} == set(WhenFull)


@pytest.mark.parametrize("part", range(4))
def test_some_actions_under_every_policy(part: int) -> None:
    total = [0, 0]
    for policy in POLICIES[part::10]:
        done, refused = follow(policy, 0)
        total[0] += done
        total[1] += refused
    assert total[0] > 28 * ACTIONS // 4
    assert total[1] > 0


@pytest.mark.full
@pytest.mark.parametrize("seed", range(12))
def test_many_actions_under_every_policy(seed: int) -> None:
    for policy in POLICIES:
        done, _ = follow(policy, seed)
        assert done > 0
