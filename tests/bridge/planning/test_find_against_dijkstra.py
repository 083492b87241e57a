"""The planner against Dijkstra on the plain simulation (see dijkstra.py): costs and verdicts."""

from __future__ import annotations

import contextlib
import random
from collections import Counter
from dataclasses import replace

import pytest

from adapters.planning.engines import engine_here
from bridge.heap.laid import Laid
from bridge.planning.arena import WALL, Arena
from bridge.planning.engine import Engine
from bridge.planning.find import find
from bridge.planning.goals import all_hold
from bridge.planning.laid_out import LayoutPattern
from bridge.planning.model import LaidOut, Limits, Start
from bridge.planning.outcome import Verdict
from bridge.planning.plain_engine import PlainEngine
from bridge.planning.simulation import NotPossible, begin, perform
from schemas.layout_file import Wildcard
from tests.bridge.planning.dijkstra import cheapest
from tests.bridge.planning.random_games import a_task
from tests.virtual_clock import VirtualClock

ENGINES = [PlainEngine(), *([engine_here().engine] if engine_here().engine else [])]
MOST = 1500
"""Moments that the reference looks at, so that a game stays small."""


def compare(seed: int) -> str:
    """One game; what it came to, or "too large"."""
    chance = random.Random(seed)
    task = a_task(chance)
    frames = chance.choice([6, 10, 14])
    precise = chance.choice([None, None, 0, 1, 2])
    expected = cheapest(task, frames, MOST, precise)
    if expected is None:
        return "too large"
    outcome = find(task, Limits(frames=frames, precise=precise), VirtualClock())
    found = outcome.plans[0] if outcome.plans else None
    assert (found.frames if found else None) == expected.frames, (seed, outcome.reason)
    if found is None:
        assert outcome.verdict in (Verdict.IMPOSSIBLE, Verdict.NONE_WITHIN)
        return outcome.verdict.value
    assert outcome.verdict is Verdict.CHEAPEST
    assert outcome.floor == expected.frames
    assert precise is None or found.precise <= precise
    moment = begin(task)
    by_name = {action.name: action for action in task.actions}
    for step in found.steps:
        moment = perform(by_name[step.action], moment, task)
        assert (step.after, step.states) == (moment.arenas, moment.states)
    assert all_hold(task, moment)
    return "found" if found.steps else "so already"


def test_the_cheapest_is_dijkstras() -> None:
    counts = Counter(compare(seed) for seed in range(90))
    assert counts["found"] > 5
    assert counts["impossible"] > 10
    assert counts["none within the bound"] > 5


@pytest.mark.parametrize("engine", ENGINES, ids=lambda engine: engine.name)
@pytest.mark.parametrize("games", [60, pytest.param(3000, marks=pytest.mark.full)])
def test_layouts_are_reached_as_soon(games: int, engine: Engine) -> None:
    """A layout that some actions lead to, with wildcards for some of its blocks."""
    found = 0
    for seed in range(games):
        chance = random.Random(f"{seed} layouts")
        task = a_task(chance)
        moment = begin(task)
        for _ in range(chance.randint(1, 6)):
            with contextlib.suppress(NotPossible):
                moment = perform(chance.choice(task.actions), moment, task)
        patterns = {
            start.game.build: some_layout(chance, moment.arenas[start.game.build], start)
            for start in task.starts
        }
        task = replace(task, goals=(LaidOut(patterns),))
        expected = cheapest(task, 10, MOST)
        if expected is None:
            continue
        outcome = find(task, Limits(frames=10), VirtualClock(), engine)
        got = outcome.plans[0].frames if outcome.plans else None
        assert got == expected.frames, (seed, outcome.reason)
        found += bool(got)
    assert found > games // 10


def some_layout(chance: random.Random, arena: Arena, start: Start) -> LayoutPattern:
    """What the arena is, but that some sizes and blocks are left open."""
    cells = [cell for cell in arena.cells if cell.kind != WALL]
    header = start.game.policy.header
    blocks = []
    for cell in cells:
        at = cell.start - cells[0].start if chance.random() < 0.3 else None
        size = max(0, cell.stride - header) if chance.random() < 0.8 else None
        blocks.append(Laid(cell.kind, size, cell.used, at))
    for _ in range(chance.randint(0, 2)):
        run = next(each for each in Wildcard if not each.one)
        blocks[chance.randrange(len(blocks))] = Laid(run.value, None, None, None, run)
    return LayoutPattern(blocks)


@pytest.mark.full
@pytest.mark.parametrize("hundred", range(40))
def test_the_cheapest_is_dijkstras_in_many_games(hundred: int) -> None:
    counts = Counter(compare(seed) for seed in range(1000 + hundred * 100, 1100 + hundred * 100))
    print(counts)
    assert counts["found"] > 5


@pytest.mark.full
@pytest.mark.parametrize("hundred", range(10))
def test_what_is_impossible_is_where_all_is_seen(hundred: int) -> None:
    """Without a bound that ends the reference, both say it of the same games."""
    decided = 0
    for seed in range(hundred * 100, 100 + hundred * 100):
        task = a_task(random.Random(f"{seed} closed"))
        expected = cheapest(task, 60, MOST)
        if expected is None or (expected.frames is None and not expected.exhausted):
            continue
        outcome = find(task, Limits(), VirtualClock())
        assert (outcome.verdict is Verdict.IMPOSSIBLE) == expected.exhausted, (seed, outcome)
        decided += 1
    assert decided > 30
