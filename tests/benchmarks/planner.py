"""Speed of the planner, within one run: ``python -m tests.benchmarks.planner [GOALS]``.

The game is Tidewright: its schema's actions, from its sample dumps' heaps.

(a) goals: a block where one stood after actions done at random, few of them doors, since a door
    releases all.  Each is planned for with a proof; then the same engine does random moves for two
    seconds, and what it found is compared;
(b) a new plan from where a plan's steps have led to, which is what following one asks for;
(c) states a second and bytes of memory a state, of each engine.

Seconds are the processor's.
"""

from __future__ import annotations

import asyncio
import math
import random
import sys
import time
import tracemalloc
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from statistics import median

from adapters.functions import installed_functions
from adapters.planning.engines import engine_here
from adapters.sessions.bridge_file import load_bridge
from adapters.sessions.one_frame import take_frame
from adapters.system_clock import SystemClock
from bridge.planning.actions import Action, Free, LetGo
from bridge.planning.advice import AT_ONCE_SECONDS
from bridge.planning.compiling import compiled
from bridge.planning.described import described, planning_build
from bridge.planning.engine import Bounds, Engine
from bridge.planning.find import find
from bridge.planning.goals import all_hold
from bridge.planning.model import Freed, Limits, Placed, Task
from bridge.planning.outcome import Outcome, Verdict
from bridge.planning.plain_engine import PlainEngine
from bridge.planning.simulation import Moment, NotPossible, begin, perform
from bridge.planning.start_of_frame import start_of
from bridge.prepared import prepare

SAMPLES = Path(__file__).parents[2] / "sample_dumps"
DUMPS = ("first-print-carry", "first-print-mist-stair", "second-print-harbour", "export-carry")


@lru_cache
def game(sample: str) -> Task:
    """The task of doing nothing, from a dump's heap, with all actions."""
    bridge = load_bridge(SAMPLES / f"{sample}.bridge.toml")
    ready = prepare(bridge, installed_functions())
    planning = {name: planning_build(prepared) for name, prepared in ready.items()}
    frame = asyncio.run(take_frame(bridge, planning, 10, tell=lambda text: None))
    found = described(ready[frame.build])
    begun = start_of(frame, found)
    actions = tuple(replace(action, precise=0) for action in found.actions)
    return Task((begun.start,), begun.states, actions, ())


def walked(task: Task, chance: random.Random, steps: int) -> list[Moment]:
    """The moments of so many actions at random: one in 20 a door, one in 5 releases something."""
    doors: list[Action] = []
    releases: list[Action] = []
    others: list[Action] = []
    for action in task.actions:
        frees = any(isinstance(effect, Free | LetGo) for effect in action.effects)
        (doors if action.name.endswith("_door") else releases if frees else others).append(action)
    moments = [begin(task)]
    while len(moments) <= steps:
        drawn = chance.random()
        some = doors if drawn < 0.05 else releases if drawn < 0.25 else others
        try:
            moments.append(perform(chance.choice(some), moments[-1], task))
        except NotPossible:
            continue
    return moments


def wanted_tasks(count: int, steps: range = range(3, 36)) -> list[Task]:
    """So many tasks: a block of some kind where the last of some actions put one.

    Inputs that must be right to the frame do not count, so that there is no front to be found.
    """
    chance = random.Random(83)
    tasks: list[Task] = []
    while len(tasks) < count:
        task = game(DUMPS[len(tasks) % len(DUMPS)])
        *_, before, after = walked(task, chance, chance.choice(steps))
        build = task.starts[0].game.build
        header = task.starts[0].game.policy.header
        known = {(cell.start, cell.kind) for cell in before.arenas[build].cells if cell.used}
        new = [
            cell
            for cell in after.arenas[build].cells
            if cell.used and (cell.start, cell.kind) not in known
        ]
        if new:
            cell = chance.choice(new)
            address = cell.start + header
            task = replace(task, goals=(Placed(cell.kind, {build: (address, address)}),))
            if not all_hold(task, begin(task)):
                tasks.append(task)
    return tasks


@dataclass(frozen=True)
class Compared:
    """One goal: the plan's proof and seconds, and the random moves' best."""

    outcome: Outcome
    seconds: float
    at_random: int | None

    @property
    def steps(self) -> int:
        return len(self.outcome.plans[0].steps)


_LIMITS = Limits()


def planned(task: Task, engine: Engine, limits: Limits = _LIMITS) -> tuple[Outcome, float]:
    """The outcome, and the seconds that all of it took."""
    began = time.process_time()
    outcome = find(task, limits, SystemClock(), engine)
    return outcome, time.process_time() - began


def at_random(task: Task, engine: Engine, seconds: float) -> int | None:
    """Frames of the best plan that random moves come upon."""
    search = engine.begin(compiled(task), Bounds(1 << 20, 1 << 30))
    best, ends, seed = None, time.process_time() + seconds, 1
    while time.process_time() < ends:
        best = search.wander(engine.wandering // 10, seed).frames
        seed += 1
    search.close()
    return best


def compare(tasks: Sequence[Task], engine: Engine, seconds: float) -> list[Compared]:
    return [Compared(*planned(task, engine), at_random(task, engine, seconds)) for task in tasks]


def replanned(tasks: Sequence[Task], engine: Engine) -> tuple[list[float], list[float]]:
    """Seconds of a new plan after each step of a plan and one more action, which was not in it.

    Once until it is proved, and once for the first that a runner is told, where there is one.
    """
    chance = random.Random(5)
    at_once = Limits(seconds=AT_ONCE_SECONDS, front=False)
    seconds, first = [], []
    for task in tasks:
        outcome, _ = planned(task, engine)
        moment = begin(task)
        for step in outcome.plans[0].steps[:3]:
            action = next(each for each in task.actions if each.name == step.action)
            moment = slipped = perform(action, moment, task)
            while slipped is moment:
                try:
                    slipped = perform(chance.choice(task.actions), moment, task)
                except NotPossible:
                    continue
            starts = tuple(
                replace(start, arena=slipped.arenas[start.game.build]) for start in task.starts
            )
            again = replace(task, starts=starts, states=slipped.states)
            seconds.append(planned(again, engine)[1])
            told, taken = planned(again, engine, at_once)
            first.append(taken if told.plans else math.inf)
    return seconds, first


def speed(engine: Engine, seconds: float) -> tuple[float, float]:
    """States generated a second, and bytes that each of those kept is counted with.

    A buoy is wanted where a hole is wanted too: either can be, never both, so that it goes on.
    """
    task = game(DUMPS[0])
    start = task.starts[0]
    build, low = start.game.build, start.arena.low
    address = low + 0x1C0 * 5 + start.game.policy.header
    task = replace(
        task,
        goals=(
            Placed("buoy", {build: (address, address)}),
            Freed({build: address}),
        ),
    )
    search = engine.begin(compiled(task), Bounds(1 << 20, 1 << 30))
    began = time.process_time()
    progress = search.run(1)
    while time.process_time() - began < seconds and progress.end == "going":
        progress = search.run(engine.slice)
    taken = time.process_time() - began
    search.close()
    return progress.generated / taken, progress.memory / max(1, progress.expanded)


def truly_taken(expansions: int) -> tuple[float, float]:
    """Bytes that the plain engine counts and those that Python took for them."""
    problem = compiled(wanted_tasks(1, range(20, 21))[0])
    tracemalloc.start()
    search = PlainEngine().begin(problem, Bounds(1 << 20, 1 << 30))
    progress = search.run(expansions)
    taken, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return progress.memory, taken


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 83
    engine = engine_here().engine or PlainEngine()
    engines = [engine] if isinstance(engine, PlainEngine) else [engine, PlainEngine()]
    for each in engines:
        rate, size = speed(each, 2)
        print(f"{each.name}: {rate:,.0f} states/s, {size:.0f} bytes an expanded state")
    counted, taken = truly_taken(3000)
    print(f"plain: counts {counted / taken:.2f} of the bytes that it takes")
    tasks = wanted_tasks(count)
    results = compare(tasks, engine, 2)
    proved = [each for each in results if each.outcome.verdict is Verdict.CHEAPEST]
    worst = max(each.seconds for each in results)
    print(f"{engine.name}: {len(proved)} of {len(results)} proved, worst {worst:.3f} s")
    for low, high in ((1, 3), (4, 6), (7, 10), (11, 14), (15, 99)):
        some = [each for each in proved if low <= each.steps <= high]
        found = [each for each in some if each.at_random is not None]
        best = [each for each in found if each.at_random == each.outcome.floor]
        print(f"{low}–{high} steps: {len(some)}; at random {len(found)}, cheapest {len(best)}")
    for what, seconds in zip(("proved", "at once"), replanned(tasks, engine), strict=True):
        had = sorted(each for each in seconds if each < math.inf)
        print(
            f"again, {what}: {len(had)} of {len(seconds)}, median {median(had):.3f} s, "
            f"worst {had[-1]:.3f} s"
        )


if __name__ == "__main__":
    main()
