"""How fast the planner's engines are: ``python -m tests.benchmarks.planner_engines [seconds]``.

Games of 30 blocks at random, with 5, 10 and 20 actions, three of each; every action takes a frame,
no goal is ever reached and no state says how far it is, so that each search sees all states up to
some depth.  What is told: states generated in a second of the processor's time, the depth down to
which all plans are decided within the time given (1 s and 10 s, or as said), and bytes a state.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace

from adapters.planning.compiled_engine import CompiledEngine
from adapters.processor_time import processor_time
from bridge.planning.actions import Action, Alloc, Effect, Free, Which
from bridge.planning.arena import HOLE, WALL, Arena, Cell
from bridge.planning.compiling import compiled
from bridge.planning.engine import Bounds, End, Engine, Progress
from bridge.planning.model import GameModel, Placed, Start, Task
from bridge.planning.plain_engine import PlainEngine
from bridge.planning.policy import Policy
from bridge.planning.problem import Problem

ACTIONS = (5, 10, 20)
GAMES = 3
BLOCKS = 30
MEMORY = 3 << 30
POLICY = Policy(header=16, alignment=16, least_rest=32)
SIZES = {"crate": 0x58, "gull": 0x38, "lantern": 0x98, "mist": 0x18, "rope": 0x4C, "bell": 0x78}
ONE = (Which.NEWEST, Which.OLDEST, Which.LOWEST, Which.HIGHEST)


def game(seed: int, actions: int) -> Problem:
    """One game, in which all there is to see is seen."""
    chance = random.Random(f"{seed} {actions}")
    made = tuple(action(chance, number) for number in range(actions))
    start = Start(GameModel("disk", POLICY, SIZES), arena(chance))
    goal = Placed("lantern", {"disk": (start.arena.low + 16, start.arena.high)})
    problem = compiled(Task((start,), {}, made, (goal,)))
    (build,) = problem.builds
    (test,) = build.tests
    blind = replace(
        test,
        low=build.units,
        high=build.units,
        clear=(0,) * len(test.clear),
        fill=(0,) * len(test.fill),
        chain=b"",
        links=(),
        prices=(),
    )
    return replace(problem, builds=(replace(build, tests=(blind,)),))


def arena(chance: random.Random) -> Arena:
    cells: list[Cell] = []
    at = 0x8010_0000
    for number in range(BLOCKS):
        kind = chance.choice((*SIZES, *SIZES, HOLE))
        if cells and cells[-1].kind == kind == HOLE:
            kind = "crate"
        stride = POLICY.stride(SIZES.get(kind, 16 * chance.randrange(2, 12)))
        cells.append(Cell(at, stride, kind, number))
        at = cells[-1].end
    if cells[-1].kind == HOLE:
        cells.append(Cell(at, 64, WALL))
    cells.append(Cell(cells[-1].end, 0x4000, HOLE, BLOCKS))
    return Arena(tuple(cells))


def action(chance: random.Random, number: int) -> Action:
    """One block comes or goes, and often another with it."""
    kinds = tuple(SIZES)
    kind = chance.choice(kinds)
    effects: list[Effect] = [Alloc(kind) if number % 2 else Free((kind,), chance.choice(ONE))]
    if chance.random() < 0.5:
        effects.append(Alloc(chance.choice(kinds), chance.randrange(1, 3)))
    if chance.random() < 0.3:
        effects.append(Free((chance.choice(kinds),), chance.choice(ONE)))
    return Action(f"action_{number}", 1, effects=tuple(effects))


@dataclass(frozen=True)
class Measured:
    """One search: how it stood at each of the times, and how long it took."""

    at: tuple[Progress, ...]
    seconds: float
    states: int | None

    @property
    def speed(self) -> float:
        return self.at[-1].generated / self.seconds


def measure(engine: Engine, problem: Problem, times: Sequence[float]) -> Measured:
    assert engine.takes(problem)
    search = engine.begin(problem, Bounds(10_000, MEMORY))
    began = processor_time()
    stood: list[Progress] = []
    progress = search.run(engine.slice)
    for seconds in times:
        while progress.end is End.GOING and processor_time() - began < seconds:
            progress = search.run(engine.slice)
        stood.append(progress)
    took = processor_time() - began
    states = getattr(search, "states", None)
    search.close()
    return Measured(tuple(stood), took, states)


def depth(progress: Progress) -> str:
    """All plans of so many actions are decided."""
    if progress.end is End.EXHAUSTED:
        return "closed"
    return f"{progress.floor}{' (full)' if progress.end is End.FULL else ''}"


def main(times: Sequence[float]) -> None:
    print("actions  engine        states/s       bytes a state   depth decided in", end=" ")
    print(", ".join(f"{seconds:g} s" for seconds in times))
    for actions in ACTIONS:
        for engine in (CompiledEngine(), PlainEngine()):
            all_of = [measure(engine, game(seed, actions), times) for seed in range(GAMES)]
            speeds = [each.speed / 1e3 for each in all_of]
            sizes = [each.at[-1].memory / each.states for each in all_of if each.states]
            depths = "; ".join(
                ", ".join(depth(each.at[at]) for each in all_of) for at in range(len(times))
            )
            speed = f"{min(speeds):.0f}-{max(speeds):.0f} thousand"
            size = f"{min(sizes):.0f}-{max(sizes):.0f}" if sizes else ""
            print(f"{actions:7}  {engine.name:12}  {speed:18}{size:11}  {depths}", flush=True)


if __name__ == "__main__":
    main([float(word) for word in sys.argv[1:]] or [1.0, 10.0])
