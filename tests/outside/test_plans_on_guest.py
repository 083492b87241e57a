"""What planning predicts against the running demo game that does the same.

Source of every expected value: the game's own C code, its heap's (tests/guest/heap.c) and those of
tests/guest/played/allocators, and the game's own walk along its blocks, whose count, free bytes and
checksum lowhalf's walk must come to in every moment that is compared.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable, Iterator, Sequence, Set
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import pytest

from adapters.planning.engines import engine_here
from adapters.system_clock import SystemClock
from bridge.planning.actions import Action
from bridge.planning.arena import Cell
from bridge.planning.derived_start import NotDerivable, derive
from bridge.planning.find import find
from bridge.planning.model import Goal, Limits, Placed, Start, Task
from bridge.planning.outcome import Plan, Verdict
from bridge.planning.policy import HoleOrder
from bridge.planning.simulation import NotPossible, begin, perform
from tests.guest.build import BUILDS
from tests.guest.played.begun import begun_in
from tests.guest.played.guest import PlayedGuest, Standing, played_schema
from tests.guest.played.planned import ALLOCATORS, Layout, actions, arena, model, task_of
from tests.guest.played.wanted import after_a_walk, drawn_goals, holds, walked

pytestmark = [
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm"),
    pytest.mark.needs("qemu-system-mips", "qemu-system-mips"),
]

DOORS = ("lantern_door", "gallery_door", "harbour_door", "stair_door")
LONG = (*DOORS, "unload", "relieve_watch")
"""Whose effects are several."""
IN_EVERY_CHECK = (("export", None), ("first-print", "recent_order"))
GUESTS = [
    pytest.param(*guest, marks=[] if guest in IN_EVERY_CHECK else pytest.mark.full)
    for guest in (
        *((build.name, None) for build in BUILDS),
        *(("first-print", name) for name in ALLOCATORS),
    )
]

PlayedElf = Callable[[str, str | None], Path]
Played = Callable[[str, str | None], PlayedGuest]


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory, played_elf: PlayedElf) -> Iterator[Played]:
    """Gives the running game of a build, with its own allocator or another; each is made once."""
    running: dict[tuple[str, str | None], PlayedGuest] = {}
    with ExitStack() as stack:

        def get(build: str, allocator: str | None = None) -> PlayedGuest:
            if (build, allocator) not in running:
                directory = tmp_path_factory.mktemp("played")
                schema = played_schema(directory / "played.schema.toml", allocator)
                guest = PlayedGuest(played_elf(build, allocator), directory, schema=schema)
                running[build, allocator] = stack.enter_context(guest)
            guest = running[build, allocator]
            guest.begin()
            return guest

        yield get
        for guest in running.values():
            assert guest.read_symbol_u32("fault") == 0


def drawn_actions(task: Task, drawn: random.Random, count: int) -> list[Action]:
    """Mostly what can be done, and seldom a door: it releases all that makes holes."""
    # a limit is the plan's, not the game's
    bag = [replace(each, limit=None) for each in task.actions]
    weights = [1 if each.name in DOORS else 8 for each in bag]
    moment, taken = begin(task), list[Action]()
    while len(taken) < count:
        (action,) = drawn.choices(bag, weights)
        try:
            moment = perform(action, moment, task)
        except NotPossible as fault:
            # where the heap is full in the midst of it, the game has done the half of it
            if drawn.random() < 0.8 or ("no hole" in str(fault) and action.name in LONG):
                continue
        taken.append(action)
    return taken


def layouts(task: Task, taken: list[Action]) -> list[Layout | None]:
    """What is predicted after each action; None where it is not possible, and nothing is done."""
    (start,) = task.starts
    moment, found = begin(task), list[Layout | None]()
    for action in taken:
        try:
            moment = perform(action, moment, task)
        except NotPossible:
            found.append(None)
        else:
            found.append(Layout.planned(moment.arenas[start.game.build]))
    return found


@pytest.mark.parametrize(("build", "allocator"), GUESTS)
def test_random_actions_leave_the_heap_that_was_predicted(
    request: pytest.FixtureRequest, played: Played, build: str, allocator: str | None
) -> None:
    guest = played(build, allocator)
    task = task_of(guest, allocator)
    count = 200 if request.node.get_closest_marker("full") else 100
    taken = drawn_actions(task, random.Random(f"{build} {allocator}"), count)
    before, refused = Layout.read(guest), 0
    for number, (action, expected) in enumerate(zip(taken, layouts(task, taken), strict=True)):
        standing = guest.perform(action.name)
        if expected is None:
            refused += 1
            assert standing is Standing.REFUSED, f"{number} {action.name}"
        else:
            assert standing is Standing.DONE, f"{number} {action.name}"
        assert Layout.read(guest) == (expected or before), f"{number} {action.name}"
        before = expected or before
    assert count // 20 < refused < count // 3
    if allocator is not None:
        tell_apart(task, taken, allocator)


def tell_apart(task: Task, taken: list[Action], allocator: str) -> None:
    """By any other rules something else would have been predicted."""
    (start,) = task.starts
    expected = layouts(task, taken)
    for other in (None, *ALLOCATORS):
        if other == allocator:
            continue
        game = model(start.game.build, other)
        rover = start.arena.cells[-1].start if other == "next_fit" else None
        wrong = replace(task, starts=(Start(game, replace(start.arena, rover=rover)),))
        others = actions(other)
        assert layouts(wrong, [others[each.name] for each in taken]) != expected, other


@pytest.mark.parametrize("allocator", [None, "next_fit", "recent_order"])
@pytest.mark.full
def test_no_random_play_beats_what_is_called_cheapest_or_does_what_is_called_impossible(
    played: Played, allocator: str | None
) -> None:
    guest, seen = played("first-print", allocator), dict[tuple[str, int], int]()
    task = task_of(guest, allocator)
    for number in range(40):
        guest.begin()
        frames = 0
        for action, _ in walked(task, random.Random(f"play {number}"), 60, seldom=2):
            assert guest.perform(action.name) is Standing.DONE
            frames += action.frames
            for block in guest.heap().blocks:
                if block.used:
                    place = block.owner, block.start
                    seen[place] = min(seen.get(place, frames), frames)
    assert len(seen) > 100
    counts = Counter[str]()
    for kind, start in random.Random(1).sample(sorted(seen), 80):
        goal = Placed(kind, {"first-print": (start, start)})
        limits = Limits(seconds=1.0)
        outcome = find(replace(task, goals=(goal,)), limits, SystemClock(), engine_here().engine)
        counts[str(outcome.verdict)] += 1
        assert outcome.floor is not None
        assert outcome.floor <= seen[kind, start]
        if outcome.verdict is Verdict.CHEAPEST:
            assert outcome.plans[0].frames == outcome.floor
    print(allocator, dict(counts))
    assert set(counts) <= {"cheapest", "cut short"}


# -- where planning begins


def in_order_of_age(cells: Sequence[Cell], kinds: Set[str]) -> list[int]:
    kept = [cell for cell in cells if cell.kind in kinds]
    return [cell.start for cell in sorted(kept, key=lambda cell: cell.age or 0)]


@pytest.mark.parametrize(("build", "allocator"), GUESTS)
def test_planning_begins_with_what_the_game_has(
    played: Played, build: str, allocator: str | None, tmp_path: Path
) -> None:
    """By the game's own lists, rover and hand; ages are those of what was handed out when."""
    guest = played(build, allocator)
    drawn = random.Random(f"begins {build} {allocator}")
    task = task_of(guest, allocator)
    steps = walked(task, drawn, 60)
    for number, (action, moment) in enumerate(steps):
        assert guest.perform(action.name) is Standing.DONE
        if number % 6:
            continue
        found, begun = begun_in(guest, tmp_path)
        assert found.game == model(build, allocator)
        assert begun.states == moment.states
        assert begun.unsure == {}
        expected, start = moment.arenas[build], begun.start.arena
        assert Layout.planned(start) == Layout.planned(expected)
        assert (start.rover, start.held) == (expected.rover, expected.held)
        groups = [{"crate"}, {"gull"}, {"lantern"}, {"buoy"}, {"mist_puff"}]
        if found.game.policy.order is HoleOrder.RECENT:
            groups.append({"free"})
        for kinds in groups:
            assert in_order_of_age(start.cells, kinds) == in_order_of_age(expected.cells, kinds)
    planned = {action.name: replace(action, doc="") for action in found.actions}
    assert planned == actions(allocator)


# -- plans


def played_on(guests: Sequence[PlayedGuest], plan: Plan, goals: Sequence[Goal]) -> int:
    """Do a plan on all of these; how many layouts were those predicted, which is all."""
    compared = 0
    for number, step in enumerate(plan.steps):
        for guest in guests:
            assert guest.perform(step.action) is Standing.DONE, f"{number} {step.action}"
            predicted = Layout.planned(step.after[guest.elf.stem])
            assert Layout.read(guest) == predicted, f"{number} {step.action}"
            assert step.states == {"room": guest.room}
            compared += 1
    for guest in guests:
        assert all(holds(goal, guest) for goal in goals)
    return compared


def planned_and_played(
    guests: Sequence[PlayedGuest], allocator: str | None, seed: str, longest: int = 12
) -> Counter[str]:
    """Plan for something that some walk leads to, from where another one has led, and play it."""
    drawn = random.Random(seed)
    task = after_a_walk(guests, allocator, drawn)
    task = replace(task, goals=drawn_goals(task, drawn, drawn.randint(1, longest)))
    outcome = find(task, Limits(seconds=5.0), SystemClock(), engine_here().engine)
    counts = Counter({str(outcome.verdict): 1})
    if outcome.plans:
        plan = outcome.plans[0]
        counts["layouts"] += played_on(guests, plan, task.goals)
        counts["steps"] += len(plan.steps)
    return counts


BUILDS_TOGETHER = [
    *([build.name] for build in BUILDS),
    [build.name for build in BUILDS],
]


@pytest.mark.parametrize("builds", BUILDS_TOGETHER, ids="+".join)
@pytest.mark.full
def test_every_plan_does_on_the_game_what_it_predicts(played: Played, builds: list[str]) -> None:
    """Twenty for each build, and twenty that are one sequence for all three."""
    guests = [played(build, None) for build in builds]
    counts = Counter[str]()
    for number in range(20):
        counts += planned_and_played(guests, None, f"{builds} {number}")
    print("+".join(builds), dict(counts))
    assert counts["cheapest"] + counts["cut short"] == 20
    assert counts["layouts"] >= counts["steps"] * len(builds) > 0


def test_some_plans_do_on_the_game_what_they_predict(played: Played) -> None:
    guests = [played(build.name, None) for build in BUILDS]
    counts = Counter[str]()
    for number in range(4):
        counts += planned_and_played(guests, None, f"some {number}", longest=3)
    assert counts["cheapest"] == 4
    assert counts["layouts"] == 3 * counts["steps"] > 0


@pytest.mark.parametrize("allocator", ALLOCATORS)
@pytest.mark.full
def test_plans_for_other_allocators_do_on_their_games_what_they_predict(
    played: Played, allocator: str
) -> None:
    guests, counts = [played("first-print", allocator)], Counter[str]()
    for number in range(10):
        counts += planned_and_played(guests, allocator, f"{allocator} {number}")
    print(allocator, dict(counts))
    assert counts["cheapest"] + counts["cut short"] == 10
    assert counts["layouts"] == counts["steps"] > 0


# -- another build's heap


@pytest.mark.full
def test_what_is_derived_for_another_build_is_mostly_what_it_has(played: Played) -> None:
    """All builds do the same; from the heap of one the others' are worked out, or refused.

    Where it was not what the other build has, a hole was no whole blocks, but what others had left
    of one, or some block got more there than its kind takes.  Wrong by neither are the doors, which
    leave nothing but whole blocks.
    """
    guests = [played(build.name, None) for build in BUILDS]
    task, counts = task_of(guests[0], None), Counter[str]()
    for action in drawn_actions(task, random.Random("derived"), 300):
        (standing,) = {guest.perform(action.name) for guest in guests}
        whole = action.name in DOORS and standing is Standing.DONE
        known = Start(model(guests[0].elf.stem), arena(guests[0]))
        for guest in guests[1:]:
            cells = arena(guest).cells
            try:
                found = derive(known, model(guest.elf.stem), (cells[0].start, cells[-1].end))
            except NotDerivable:
                counts["refused"] += 1
                assert not whole
                continue
            right = Layout.planned(found.start.arena) == Layout.read(guest)
            counts["right" if right else "wrong"] += 1
            if right:
                ages = [(cell.start, cell.age) for cell in found.start.arena.cells if cell.used]
                assert ages == [(cell.start, cell.age) for cell in cells if cell.used]
            # second-print differs in its base alone
            assert right or (not whole and guest.elf.stem == "export")
    assert counts["right"] > 300, counts
    assert counts["wrong"] < 30, counts
