"""What looking for plans says: next plans, the front, bounds, and where it is cut short.

Other plans and fronts are held against all sequences of actions of some length, tried one by one by
the plain simulation.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace

import pytest

from bridge.planning.actions import Action, Alloc, Free, Interval, Which
from bridge.planning.arena import HOLE, Arena, Cell
from bridge.planning.compiling import compiled
from bridge.planning.engine import Bounds, End, Progress
from bridge.planning.find import Disagreement, find
from bridge.planning.goals import all_hold
from bridge.planning.model import Freed, GameModel, Limits, Placed, Start, Task
from bridge.planning.outcome import Plan, Sought, Verdict
from bridge.planning.plain_engine import PlainEngine, PlainSearch
from bridge.planning.policy import Fit, Merge, Policy, WhenFull
from bridge.planning.problem import Problem
from bridge.planning.simulation import Moment, NotPossible, begin, perform
from schemas.errors import PlanningError
from tests.bridge.planning.random_games import a_task
from tests.virtual_clock import VirtualClock

POLICY = Policy(header=4, alignment=4)
SIZES = {"crate": 12, "gull": 8, "lantern": 20, "buoy": 28}
LOW, HIGH = 0x1000, 0x1200


def made(
    *actions: Action, at: int = LOW, kind: str = "gull", policy: Policy = POLICY, high: int = HIGH
) -> Task:
    """A heap that is one hole, and a block wanted with its header at an address."""
    arena = Arena((Cell(LOW, high - LOW, HOLE, 0),))
    start = Start(GameModel("disk", policy, SIZES), arena)
    payload = at + policy.header
    return Task((start,), {"room": 0}, actions, (Placed(kind, {"disk": (payload, payload)}),))


def hand_out(kind: str, frames: int, precise: int = 0, **more: object) -> Action:
    return replace(Action(kind, frames, precise, effects=(Alloc(kind),)), **more)  # type: ignore[arg-type]


def names(plan: Plan) -> tuple[str, ...]:
    return tuple(step.action for step in plan.steps)


def sequences(task: Task, frames: int, moment: Moment | None = None) -> Iterator[tuple[str, ...]]:
    """All that reach the goal for the first time at their end, in at most so many frames."""
    moment = moment or begin(task)
    if all_hold(task, moment):
        yield ()
        return
    for action in task.actions:
        if action.frames <= frames:
            try:
                after = perform(action, moment, task)
            except NotPossible:
                continue
            for rest in sequences(task, frames - action.frames, after):
                yield (action.name, *rest)


class Told(VirtualClock):
    """Goes on by a second whenever it is asked."""

    def now(self) -> float:
        self.ahead += 1.0
        return super().now()


def test_nothing_is_to_be_done_where_it_is_so_already() -> None:
    task = made(hand_out("gull", 5))
    moment = perform(task.actions[0], begin(task), task)
    start = replace(task.starts[0], arena=moment.arenas["disk"])
    outcome = find(replace(task, starts=(start,)), Limits(others=3), VirtualClock())
    assert outcome.verdict is Verdict.CHEAPEST
    assert outcome.plans == outcome.front == (Plan((), 0, 0),)
    assert (outcome.floor, outcome.reason) == (0, "it is so already")


def test_steps_tell_frames_and_what_is_predicted() -> None:
    task = made(hand_out("crate", 7), hand_out("gull", 5), at=LOW + 16)
    outcome = find(task, Limits(), VirtualClock())
    (plan,) = outcome.plans
    assert names(plan) == ("crate", "gull")
    assert (plan.frames, plan.precise, outcome.floor) == (12, 0, 12)
    assert [cell.kind for cell in plan.steps[1].after["disk"].cells] == ["crate", "gull", "free"]
    assert outcome.sought is not None
    assert outcome.sought.best == outcome.sought.floor == 12


def test_actions_without_frames_end() -> None:
    """Also where they lead back and forth, and where some reach the goal for nothing."""
    there = Action("there", 0, sets={"room": 1})
    back = Action("back", 0, sets={"room": 0}, needs={"room": (Interval(1, 1),)})
    free = Action("free", 0, effects=(Free(("crate",), Which.NEWEST),))
    crate = hand_out("crate", 0)
    gull = hand_out("gull", 0, needs={"room": (Interval(1, 1),)})
    outcome = find(made(there, back, crate, free, gull, at=LOW + 32), Limits(), VirtualClock())
    assert outcome.plans[0].frames == 0
    outcome = find(made(there, back, crate, free, gull, at=LOW + 4), Limits(), VirtualClock())
    assert outcome.verdict is Verdict.IMPOSSIBLE


def test_others_are_the_next_cheapest_of_all_sequences() -> None:
    """Without any way back to a state, each sequence is a plan of its own."""
    task = made(hand_out("crate", 5), hand_out("gull", 4), hand_out("lantern", 6), at=LOW + 52)
    expected = sorted(
        sum(action.frames for name in way for action in task.actions if action.name == name)
        for way in sequences(task, 24)
    )
    outcome = find(task, Limits(others=7), VirtualClock())
    assert [plan.frames for plan in outcome.plans] == expected[:8]
    assert len({names(plan) for plan in outcome.plans}) == 8
    assert outcome.reason == ""
    outcome = find(task, Limits(frames=24, others=500), VirtualClock())
    assert [plan.frames for plan in outcome.plans] == expected == [19] * 6 + [21] * 4
    assert outcome.reason.endswith(" of 500 others: there are no more within the bound")


def test_others_do_not_come_back_to_where_they_were() -> None:
    """Handing out and releasing again is no other plan, however cheap it is."""
    free = Action("free", 1, effects=(Free(("crate",), Which.NEWEST),))
    task = made(hand_out("crate", 1), free, hand_out("gull", 50), at=LOW + 16)
    outcome = find(task, Limits(frames=200, others=5), VirtualClock())
    assert names(outcome.plans[0]) == ("crate", "gull")
    for plan in outcome.plans:
        seen = [step.after["disk"].cells for step in plan.steps]
        ages = [tuple((cell.start, cell.kind) for cell in cells) for cells in seen]
        assert len(set(ages)) == len(ages)


def test_the_front_is_exact() -> None:
    quick = replace(hand_out("gull", 2, precise=1), name="whistle")
    task = made(hand_out("gull", 10), quick, at=LOW + 36)
    outcome = find(task, Limits(), VirtualClock())
    assert [(plan.precise, plan.frames) for plan in outcome.front] == [
        (0, 40), (1, 32), (2, 24), (3, 16), (4, 8)
    ]  # fmt: skip
    assert outcome.plans[0].frames == 8
    assert find(task, Limits(front=False), VirtualClock()).front == outcome.plans
    outcome = find(task, Limits(precise=2), VirtualClock())
    assert [(plan.precise, plan.frames) for plan in outcome.front] == [(0, 40), (1, 32), (2, 24)]


def front_by_hand(task: Task, frames: int) -> list[tuple[int, int]]:
    """(inputs right to the frame, frames) of all sequences that no other one beats in both."""
    costs = set()
    for way in sequences(task, frames):
        done = [action for name in way for action in task.actions if action.name == name]
        costs.add((sum(each.precise for each in done), sum(each.frames for each in done)))
    return sorted(
        one
        for one in costs
        if not any(o != one and o[0] <= one[0] and o[1] <= one[1] for o in costs)
    )


def without_free_actions(task: Task) -> Task:
    """So that there are only so many sequences within a bound."""
    actions = tuple(replace(action, frames=2 + action.frames % 2) for action in task.actions)
    return replace(task, actions=actions)


@pytest.mark.parametrize("games", [60, pytest.param(1500, marks=pytest.mark.full)])
def test_fronts_and_others_of_random_games(games: int) -> None:
    fronts = several = 0
    for seed in range(games):
        chance = random.Random(f"{seed} others")
        task = without_free_actions(a_task(chance))
        quick = replace(chance.choice(task.actions), name="quick", frames=1, precise=1)
        task = replace(task, actions=(*task.actions, quick))
        if all_hold(task, begin(task)):
            continue
        expected = front_by_hand(task, 8)
        outcome = find(task, Limits(frames=8, others=3), VirtualClock())
        if not expected:
            assert not outcome.plans
            continue
        assert [(plan.precise, plan.frames) for plan in outcome.front] == expected, seed
        fronts += len(expected) > 1
        ways = set(sequences(task, 8))
        found = [names(plan) for plan in outcome.plans]
        assert len(set(found)) == len(found)
        assert ways.issuperset(found)
        costs = [plan.frames for plan in outcome.plans]
        assert costs == sorted(costs)
        several += len(found) > 1
    assert several > games // 20
    assert fronts > games // 150


def test_a_bound_of_frames_and_of_inputs() -> None:
    quick = replace(hand_out("gull", 2, precise=1), name="whistle")
    task = made(quick, at=LOW + 36)
    outcome = find(task, Limits(frames=7), VirtualClock())
    assert (outcome.verdict, outcome.floor) == (Verdict.NONE_WITHIN, 8)
    assert outcome.reason == "there is no plan of at most 7 frames"
    outcome = find(task, Limits(precise=3), VirtualClock())
    assert outcome.verdict is Verdict.NONE_WITHIN
    assert outcome.reason.endswith(" with at most 3 inputs right to the frame")
    outcome = find(task, Limits(frames=8, precise=4), VirtualClock())
    assert outcome.verdict is Verdict.CHEAPEST


def far_task() -> Task:
    """Two goals that exclude each other, which takes a look at very many states to see."""
    free = [
        Action(f"free_{kind}_{which}", 2, effects=(Free((kind,), which),))
        for kind in SIZES
        for which in (Which.NEWEST, Which.LOWEST)
    ]
    task = made(*(hand_out(kind, 3) for kind in SIZES), *free, at=LOW + 0x100, high=LOW + 0x400)
    both = Placed("crate", {"disk": (LOW + 0x108, LOW + 0x108)})
    return replace(task, goals=(*task.goals, both))


def test_seconds_are_kept_to() -> None:
    outcome = find(far_task(), Limits(seconds=4), Told())
    assert outcome.verdict is Verdict.CUT_SHORT
    assert outcome.sought is not None
    assert outcome.reason == (
        f"4 s were over: a plan takes at least {outcome.floor} frames, and none was found"
    )
    assert outcome.floor is not None
    assert outcome.floor > 12


def test_it_stops_when_told_so() -> None:
    told: list[Sought] = []

    def tell(sought: Sought) -> bool:
        told.append(sought)
        return False

    outcome = find(far_task(), Limits(), VirtualClock(), tell=tell)
    assert outcome.verdict is Verdict.CUT_SHORT
    assert outcome.reason.startswith("it was stopped: ")
    (sought,) = told
    assert sought.expanded == PlainEngine.slice
    assert outcome.floor == sought.floor


def test_memory_is_kept_to() -> None:
    outcome = find(far_task(), Limits(memory=3 << 20), VirtualClock())
    assert outcome.verdict is Verdict.CUT_SHORT
    assert outcome.reason.startswith("3 MiB of memory were used up: ")
    assert outcome.sought is not None
    assert 3 << 20 <= outcome.sought.memory < 5 << 20


class Stopped(PlainEngine):
    """Finds something at random and then goes on for ever."""

    slice = 0

    def begin(self, problem: Problem, bounds: Bounds) -> PlainSearch:
        return PlainSearch(problem, bounds)


def test_cut_short_it_says_between_what_and_what() -> None:
    free = Action("free", 3, effects=(Free(("crate",), Which.LOWEST),))
    task = made(hand_out("crate", 7), hand_out("gull", 5), free, at=LOW + 28)
    task = replace(task, goals=(*task.goals, Freed({"disk": LOW})))
    outcome = find(task, Limits(seconds=4), Told(), Stopped())
    assert outcome.verdict is Verdict.CUT_SHORT
    (plan,) = outcome.plans
    assert outcome.floor is not None
    assert outcome.floor < plan.frames
    assert outcome.reason == (
        f"4 s were over: the cheapest takes between {outcome.floor} and {plan.frames} frames"
    )


class Liar(PlainEngine):
    """Says that it found a plan."""

    def __init__(self, moves: tuple[int, ...], frames: int) -> None:
        self.progress = Progress(End.FOUND, 1, 1, frames, 0, moves, frames)

    def begin(self, problem: Problem, bounds: Bounds) -> PlainSearch:
        search = PlainSearch(problem, bounds)
        search.run = lambda expansions: self.progress  # type: ignore[method-assign]
        return search


@pytest.mark.parametrize(
    ("moves", "frames", "said"),
    [
        ((1,), 5, "no goal"),
        ((0, 1), 11, "a plan of 11 frames takes 12"),
        ((0, 0, 0, 1), 26, "no hole is large enough"),
    ],
)
def test_an_engine_is_not_taken_at_its_word(moves: tuple[int, ...], frames: int, said: str) -> None:
    task = made(hand_out("crate", 7), hand_out("gull", 5), at=LOW + 16, high=LOW + 40)
    assert find(task, Limits(), VirtualClock()).plans[0].frames == 12
    with pytest.raises(Disagreement, match=said):
        find(task, Limits(), VirtualClock(), Liar(moves, frames))


def test_where_it_is_full_a_game_may_carry_on() -> None:
    policy = replace(POLICY, when_full=WhenFull.CARRY_ON)
    both = Action("both", 5, effects=(Alloc("buoy"), Alloc("gull")))
    task = made(both, policy=policy, high=LOW + 12)
    assert names(find(task, Limits(), VirtualClock()).plans[0]) == ("both",)
    task = made(both, high=LOW + 12)
    assert find(task, Limits(), VirtualClock()).verdict is Verdict.IMPOSSIBLE


def test_bounds_refuse_loudly() -> None:
    count = Action("count", 1, adds={"room": 1}, needs={"room": (Interval(-5, 500),)})
    down = Action("down", 1, adds={"room": -1})
    with pytest.raises(PlanningError, match=r"more than 65536 values together, room alone 65536"):
        find(made(count, down, hand_out("gull", 1), at=LOW + 5 * 12), Limits(), VirtualClock())
    task = made(hand_out("gull", 1))
    with pytest.raises(PlanningError, match="goal 1 says nothing of build disk"):
        find(replace(task, goals=(Placed("gull", {}),)), Limits(), VirtualClock())
    needs = replace(hand_out("gull", 1), needs={"rom": (Interval(0, 0),)})
    with pytest.raises(PlanningError, match=r"state rom, which is not known; did you mean room\?"):
        find(made(needs), Limits(), VirtualClock())
    many = tuple(
        replace(hand_out("gull", 1), name=f"free_{n}", effects=(Free((f"k{n}",), Which.ALL),))
        for n in range(63)
    )
    with pytest.raises(PlanningError, match="kinds of blocks are treated differently"):
        find(made(*many, hand_out("gull", 1), at=LOW + 4), Limits(), VirtualClock())


def test_builds_that_differ_in_their_base_alone_are_one() -> None:
    task = made(hand_out("crate", 7), hand_out("gull", 5), at=LOW + 16)
    (start,) = task.starts
    cells = tuple(replace(cell, start=cell.start + 0x500) for cell in start.arena.cells)
    other = Start(GameModel("tape", POLICY, SIZES), Arena(cells))
    at = LOW + 20
    goal = Placed("gull", {"disk": (at, at), "tape": (at + 0x500, at + 0x500)})
    both = replace(task, starts=(start, other), goals=(goal,))
    assert [build.names for build in compiled(both).builds] == [("disk", "tape")]
    (plan,) = find(both, Limits(), VirtualClock()).plans
    assert plan.steps[-1].after["tape"].cells[1].start == LOW + 0x510
    goal = Placed("gull", {"disk": (at, at), "tape": (at + 0x504, at + 0x504)})
    assert len(compiled(replace(both, goals=(goal,))).builds) == 2


def test_best_fit_and_late_merging_are_searched_too() -> None:
    policy = replace(POLICY, fit=Fit.BEST, merge=Merge.WHEN_FULL)
    free = Action("free", 1, effects=(Free(("crate",), Which.LOWEST),))
    task = made(
        hand_out("crate", 7), hand_out("gull", 5), free, at=LOW, policy=policy, high=LOW + 32
    )
    crowded = perform(task.actions[0], begin(task), task)
    crowded = perform(task.actions[0], crowded, task)
    start = replace(task.starts[0], arena=crowded.arenas["disk"])
    outcome = find(replace(task, starts=(start,)), Limits(), VirtualClock())
    assert names(outcome.plans[0]) == ("free", "gull")
