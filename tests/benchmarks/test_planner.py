"""What the planner's speed must keep to; ``planner.py`` prints it with the seconds."""

from __future__ import annotations

import time

import pytest

from adapters.planning.engines import engine_here
from bridge.planning.outcome import Verdict
from bridge.planning.plain_engine import PlainEngine
from bridge.planning.simulation import begin, perform
from tests.benchmarks import planner
from tests.benchmarks.test_evaluation import least


def thousand_actions() -> float:
    """Seconds of the processor for a thousand actions by the plain simulation."""
    task = planner.game(planner.DUMPS[0])
    there, back = (
        next(action for action in task.actions if action.name == name)
        for name in ("gallery_door", "lantern_door")
    )
    moment, began = begin(task), time.process_time()
    for _ in range(500):
        moment = perform(back, perform(there, moment, task), task)
    return time.process_time() - began


def test_most_new_plans_from_where_one_stands_take_less_than_two_thousand_actions() -> None:
    """These take about 0.1 s: what following a plan may wait for a new one.

    Three in four here; ``planner.py`` prints all.
    """
    engine = engine_here().engine
    if engine is None:
        pytest.skip(engine_here().why)
    tasks = planner.wanted_tasks(3)

    def ratio() -> float:
        seconds = sorted(planner.replanned(tasks, engine)[0])
        return seconds[len(seconds) * 3 // 4] / thousand_actions()

    assert least(ratio, 2.0) <= 2.0


def test_every_goal_is_proved_and_no_random_moves_are_cheaper() -> None:
    engine = engine_here().engine or PlainEngine()
    for each in planner.compare(planner.wanted_tasks(5), engine, 0.05):
        assert each.outcome.verdict is Verdict.CHEAPEST
        assert each.at_random is None or each.at_random >= each.outcome.plans[0].frames


def test_memory_is_counted_as_python_takes_it() -> None:
    counted, taken = planner.truly_taken(400)
    assert 0.5 < counted / taken < 2
