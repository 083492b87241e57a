"""The planner against Dijkstra on the plain simulation (see dijkstra.py): costs and verdicts."""

from __future__ import annotations

import random
from collections import Counter

import pytest

from bridge.planning.find import find
from bridge.planning.goals import all_hold
from bridge.planning.model import Limits
from bridge.planning.outcome import Verdict
from bridge.planning.simulation import begin, perform
from tests.bridge.planning.dijkstra import cheapest
from tests.bridge.planning.random_games import a_task
from tests.virtual_clock import VirtualClock

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
