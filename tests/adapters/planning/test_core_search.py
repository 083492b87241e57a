"""The compiled core searches as the plain engine does: ends, costs, states, other plans, limits."""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import replace

import pytest

from adapters.planning import problem_tables
from adapters.planning.compiled_engine import CompiledEngine
from bridge.planning.actions import Action, Alloc, Free, Which
from bridge.planning.arena import HOLE, Arena, Cell
from bridge.planning.compiling import compiled
from bridge.planning.engine import BeyondBounds, Bounds, End, Engine, Progress
from bridge.planning.find import find
from bridge.planning.model import Freed, GameModel, LaidOut, Limits, Placed, Start, Task
from bridge.planning.outcome import Sought, Verdict
from bridge.planning.plain_engine import PlainEngine
from bridge.planning.policy import Policy
from bridge.planning.problem import Problem
from tests.adapters.planning.made_tasks import BASE, made_task, policies
from tests.benchmarks.planner import wanted_tasks
from tests.bridge.planning.random_games import a_task
from tests.virtual_clock import VirtualClock

MEMORY = 1 << 26


@pytest.fixture(scope="module")
def core() -> CompiledEngine:
    return CompiledEngine()


def searched(engine: Engine, problem: Problem, bounds: Bounds, most: int = 1500) -> Progress:
    search = engine.begin(problem, bounds)
    progress = search.run(100)
    while progress.end is End.GOING and progress.expanded < most:
        progress = search.run(100)
    search.close()
    return progress


def same(core: CompiledEngine, problem: Problem, bounds: Bounds, where: object) -> Progress | None:
    """How a search ends, the same for both; None where the plain one takes too long."""
    plain = searched(PlainEngine(), problem, bounds)
    if plain.end is End.GOING:
        return None
    fast = searched(core, problem, bounds, 1 << 20)
    assert (fast.end, fast.frames) == (plain.end, plain.frames), where
    if fast.end is End.FOUND:
        assert fast.floor == plain.floor == fast.frames, where
    if fast.end is End.EXHAUSTED:
        assert (fast.expanded, fast.generated) == (plain.expanded, plain.generated), where
    return fast


def compared(core: CompiledEngine, policy: Policy, seed: int) -> str:
    rng = random.Random(f"{policy} {seed}")
    problem = compiled(made_task(policy, rng, rng.choice((1, 1, 2))))
    bounds = Bounds(rng.choice((1 << 10, 12, 25)), MEMORY)
    where = (policy, seed)
    assert core.takes(problem)
    progress = same(core, problem, bounds, where)
    if progress is None:
        return "too large"
    if progress.best:  # what comes next after some of its moves
        at = rng.randrange(len(progress.best))
        rest = Bounds(bounds.frames, MEMORY, progress.best[:at], (progress.best[at],))
        same(core, problem, rest, where)
    return progress.end.value


def test_they_end_alike_under_every_policy(core: CompiledEngine) -> None:
    some = list(policies())[::3]
    ends = Counter(compared(core, policy, seed) for seed, policy in enumerate(some))
    assert min(ends[end] for end in (End.FOUND, End.EXHAUSTED, End.BOUND)) >= 3, ends


def test_they_end_alike_where_a_cell_takes_two_words(
    core: CompiledEngine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As it does in arenas of many units; the problems are small ones."""
    monkeypatch.setattr(problem_tables, "is_wide", lambda problem: True)
    some = list(policies())[1::14]
    ends = Counter(compared(core, policy, 50 + seed) for seed, policy in enumerate(some))
    assert min(ends[End.FOUND], ends[End.EXHAUSTED]) > 0, ends


@pytest.mark.full
@pytest.mark.parametrize("seed", range(100, 120))
def test_they_end_alike_under_every_policy_at_length(core: CompiledEngine, seed: int) -> None:
    ends = Counter(compared(core, policy, seed) for policy in policies())
    assert min(ends[end] for end in (End.FOUND, End.EXHAUSTED, End.BOUND)) >= 10, ends


def planned_alike(core: CompiledEngine, seed: int) -> Verdict:
    rng = random.Random(seed)
    task = a_task(rng)
    limits = Limits(frames=rng.choice((6, 10)), precise=rng.choice((None, 0, 1)), others=2)
    plain = find(task, limits, VirtualClock())
    fast = find(task, limits, VirtualClock(), core)
    assert (fast.verdict, fast.floor) == (plain.verdict, plain.floor), seed
    for ours, theirs in ((fast.plans, plain.plans), (fast.front, plain.front)):
        assert [plan.frames for plan in ours] == [plan.frames for plan in theirs], seed
    return fast.verdict


def test_plans_cost_the_same(core: CompiledEngine) -> None:
    """Every plan is also performed by the plain simulation, in ``searching.py``."""
    verdicts = Counter(planned_alike(core, seed) for seed in range(40))
    assert verdicts[Verdict.CHEAPEST] > 5
    assert verdicts[Verdict.IMPOSSIBLE] > 5


@pytest.mark.full
def test_plans_cost_the_same_in_many_games(core: CompiledEngine) -> None:
    verdicts = Counter(planned_alike(core, seed) for seed in range(1000, 3000))
    assert verdicts[Verdict.CHEAPEST] > 200


def alike_in_the_demo_game(core: CompiledEngine, count: int, steps: range) -> None:
    for number, task in enumerate(wanted_tasks(count, steps)):
        plain = find(task, Limits(), VirtualClock())
        fast = find(task, Limits(), VirtualClock(), core)
        assert (fast.verdict, fast.floor) == (plain.verdict, plain.floor), number
        assert fast.verdict is Verdict.CHEAPEST, number
        assert fast.plans[0].frames == plain.plans[0].frames, number


def test_plans_cost_the_same_in_the_demo_game(core: CompiledEngine) -> None:
    alike_in_the_demo_game(core, 12, range(8, 26))


@pytest.mark.full
def test_plans_cost_the_same_in_the_demo_game_at_length(core: CompiledEngine) -> None:
    alike_in_the_demo_game(core, 83, range(3, 36))


def wide_task(blocks: int = 24) -> Task:
    """More states than one wants to see, and two goals of which either alone can be reached."""
    policy = Policy(header=16, alignment=16, least_rest=32)
    sizes = {"crate": 0x50, "gull": 0x30, "mist": 0x10}
    cells: list[Cell] = []
    at = BASE
    for n in range(blocks):
        kind = list(sizes)[n % 3]
        cells.append(Cell(at, policy.stride(sizes[kind]), kind, n))
        at = cells[-1].end
    cells.append(Cell(at, 0x8000, HOLE, blocks))
    actions = [Action(f"make_{kind}", 1, effects=(Alloc(kind),)) for kind in sizes]
    for which in (Which.NEWEST, Which.OLDEST, Which.HIGHEST):
        actions += [Action(f"{which}_{kind}", 1, effects=(Free((kind,), which),)) for kind in sizes]
    goal = Placed("mist", {"disk": (at + 0x4010, at + 0x4010)})
    goals = (goal, Freed({"disk": at + 0x4010}))
    arena = Arena(tuple(cells))
    return Task((Start(GameModel("disk", policy, sizes), arena),), {}, tuple(actions), goals)


def test_memory_is_kept_to(core: CompiledEngine) -> None:
    problem = compiled(wide_task())
    progress = searched(core, problem, Bounds(1000, 24 << 20), 1 << 20)
    assert progress.end is End.FULL
    assert 20 << 20 < progress.memory <= 24 << 20
    assert 0 < progress.floor < 1000
    assert searched(core, problem, Bounds(1000, 1 << 16)).end is End.FULL, "not even the tables"
    outcome = find(wide_task(), Limits(memory=24 << 20), VirtualClock(), core)
    assert outcome.verdict is Verdict.CUT_SHORT
    assert outcome.reason.startswith("24 MiB of memory were used up: ")


def test_it_can_be_stopped_between_slices(core: CompiledEngine) -> None:
    told: list[Sought] = []

    def tell(sought: Sought) -> bool:
        told.append(sought)
        return len(told) < 3

    outcome = find(wide_task(), Limits(), VirtualClock(), core, tell)
    assert outcome.verdict is Verdict.CUT_SHORT
    assert outcome.reason.startswith("it was stopped: ")
    assert outcome.sought is not None
    assert told[0].expanded == core.slice < told[-1].expanded < 4 * core.slice
    assert [sought.floor for sought in told] == sorted(sought.floor for sought in told)


def test_walks_at_random_give_an_upper_bound(core: CompiledEngine) -> None:
    task = wide_task()
    at = task.starts[0].arena.cells[-1].start + 0x60 + 16
    near = replace(task, goals=(Placed("mist", {"disk": (at, at)}),))
    search = core.begin(compiled(near), Bounds(1000, MEMORY))
    walked = search.wander(20_000, 1)
    assert walked.end is End.GOING
    assert walked.best is not None
    proved = search.run(1 << 20)
    assert proved.end is End.FOUND
    assert proved.frames is not None
    assert walked.frames is not None
    assert proved.frames <= walked.frames
    assert walked == core.begin(compiled(near), Bounds(1000, MEMORY)).wander(20_000, 1)


def test_what_it_cannot_hold_it_refuses(core: CompiledEngine) -> None:
    """Nothing wraps: the plain engine does these."""
    task = wide_task()
    problem = compiled(task)
    with pytest.raises(BeyondBounds, match="a bound of 16777217 frames; at most 16777216"):
        core.begin(problem, Bounds((1 << 24) + 1, MEMORY))
    (build,) = problem.builds
    assert not core.takes(replace(problem, builds=(replace(build, units=1 << 32),)))
    assert not core.takes(replace(problem, builds=(build,) * 9))
    assert not core.takes(replace(problem, names=(*problem.names, *map(str, range(60)))))

    class Any:
        def matches(self, arena: Arena, policy: Policy) -> bool:
            return len(arena.cells) == 27

    laid_out = replace(task, goals=(LaidOut({"disk": Any()}),))
    assert not core.takes(compiled(laid_out))
    outcome = find(laid_out, Limits(), VirtualClock(), core)
    assert (outcome.verdict, outcome.plans[0].frames) == (Verdict.CHEAPEST, 2)


def one_hole(units: int, many: int, wanted: int) -> Task:
    """All free, and blocks of one unit, so many an action."""
    policy = Policy(header=0, alignment=8, least_rest=8)
    arena = Arena((Cell(BASE, 8 * units, HOLE, 0),))
    start = Start(GameModel("disk", policy, {"mist": 8}), arena)
    actions = (
        Action("many", 1, effects=(Alloc("mist", many),)),
        Action("none", 1, effects=(Free(("mist",), Which.OLDEST),)),
    )
    goal = Placed("mist", {"disk": (BASE + 8 * wanted, BASE + 8 * wanted)})
    return Task((start,), {}, actions, (goal,))


def test_too_many_cells_are_refused_where_they_come(core: CompiledEngine) -> None:
    problem = compiled(one_hole(6000, 4500, 4200))
    assert core.takes(problem)
    with pytest.raises(BeyondBounds, match="a heap of more than 4096 cells"):
        core.begin(problem, Bounds(10, MEMORY)).run(10)


def test_too_many_ages_are_refused_where_they_come(core: CompiledEngine) -> None:
    """Sizes of 23 bits and kinds of 2 leave 7 for ages: of 128 blocks.  Plainly it can be done."""
    task = one_hole(1 << 22, 100, 150)
    problem = compiled(task)
    assert core.takes(problem)
    with pytest.raises(BeyondBounds, match="or too many ages among its blocks"):
        core.begin(problem, Bounds(100, MEMORY)).run(1000)
    outcome = find(task, Limits(), VirtualClock(), core)
    assert (outcome.verdict, outcome.plans[0].frames) == (Verdict.CHEAPEST, 2)


def test_a_prefix_that_cannot_be_done_is_a_fault(core: CompiledEngine) -> None:
    problem = compiled(wide_task(3))
    removing = next(n for n, move in enumerate(problem.moves) if move.operations[0].code == 1)
    with pytest.raises(ValueError, match="the prefix cannot be done"):
        core.begin(problem, Bounds(10, MEMORY, (removing,) * 9))
