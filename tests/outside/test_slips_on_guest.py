"""A plan that is followed on the running demo game, and left by a deliberate slip.

Source of every expected value: the game's own blocks (tests/guest/heap.c), which it walks and sums
up itself in every frame that is looked at, and which action it was told to do.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from adapters.planning.engines import engine_here
from adapters.system_clock import SystemClock
from bridge.planning.actions import Action
from bridge.planning.course import Course, Spot, shape_of_blocks
from bridge.planning.find import find
from bridge.planning.following import PATIENCE, Place, Stand, follow
from bridge.planning.model import Limits, Task
from bridge.planning.outcome import Plan
from bridge.planning.simulation import NotPossible, perform
from bridge.planning.slips import difference, guesses, task_from
from tests.guest.played.guest import PlayedGuest, Standing
from tests.guest.played.wanted import after_a_walk, drawn_goals, holds

pytestmark = [
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm"),
    pytest.mark.needs("qemu-system-mips", "qemu-system-mips"),
]

BUILD = "export"
HEADER = 0x10


@pytest.fixture(scope="module")
def guest(
    tmp_path_factory: pytest.TempPathFactory, played_elf: Callable[[str, str | None], Path]
) -> Iterator[PlayedGuest]:
    directory = tmp_path_factory.mktemp("slips")
    with PlayedGuest(played_elf(BUILD, None), directory) as running:
        yield running
        assert running.read_symbol_u32("fault") == 0


class Followed:
    """A guest whose every frame is held against a plan."""

    def __init__(self, guest: PlayedGuest, course: Course) -> None:
        self.guest, self.course = guest, course
        self.place: Place | None = None
        self.look()

    def look(self) -> Place:
        self.place = follow(
            self.course,
            self.place,
            shape_of_blocks(self.guest.heap().blocks),
            {"room": self.guest.room},
            self.guest.read_symbol_u32("frame_ended"),
        )
        return self.place

    def do(self, action: str) -> list[Stand]:
        """An action with a frame for each effect: how the game stood in each of its frames."""
        return [self.look().stand for _ in self.guest.spread(action)]

    def wait_until_off(self) -> Place:
        place = self.look()
        for _ in range(PATIENCE + 2):
            if place.stand is Stand.OFF:
                break
            self.guest.step()
            place = self.look()
        return place


def plan_of_several(guest: PlayedGuest, drawn: random.Random) -> tuple[Task, Plan]:
    """A plan of at least two steps for the game as it is, which was led there at random."""
    while True:
        task = after_a_walk([guest], None, drawn)
        task = replace(task, goals=drawn_goals(task, drawn, drawn.randint(4, 12)))
        plan = best(task)
        if len(plan.steps) > 1:
            return task, plan


def best(task: Task) -> Plan:
    return find(task, Limits(seconds=10.0), SystemClock(), engine_here().engine).plans[0]


def a_slip(course: Course, step: int, drawn: random.Random) -> Action:
    """An action that leads from before a step to what the plan has nowhere."""
    actions = list(course.task.actions)
    drawn.shuffle(actions)
    before = course.moments[step]
    for action in actions:
        try:
            after = perform(action, before, course.task)
        except NotPossible:
            continue
        header = course.policy.header
        cells = after.arenas[course.build].cells
        shape = tuple((cell.start + header, cell.kind) for cell in cells if cell.used)
        if shape not in course.spots:
            return action
    raise AssertionError("every action leads along the plan")


def first_difference(
    guest: PlayedGuest, course: Course, agreed: int, step: int
) -> tuple[int, str, str]:
    """The lowest address at which the game has another block than the step was to leave, and what
    is there and was to be; what is as it was before the step only where there is no other."""

    def blocks(number: int) -> dict[int, str]:
        cells = course.moments[number].arenas[course.build].cells
        return {cell.start + HEADER: cell.kind for cell in cells if cell.used}

    before, wanted = blocks(agreed), blocks(step + 1)
    found = {block.start: block.owner for block in guest.heap().blocks if block.used}
    other = {at for at in wanted | found if wanted.get(at) != found.get(at)}
    at = min({at for at in other if found.get(at) != before.get(at)} or other)
    return at, found.get(at, "nothing"), wanted.get(at, "nothing")


def alike(one: Sequence[str], other: Sequence[str], course: Course, spot: Spot) -> bool:
    """Whether two sequences lead to the same heap, so that nobody can tell which was done."""

    def heap(names: Sequence[str]) -> Mapping[str, object]:
        moment = course.moments[spot.step]
        by_name = {action.name: action for action in course.task.actions}
        for name in names:
            moment = perform(by_name[name], moment, course.task)
        return moment.arenas

    return heap(one) == heap(other)


def slip_and_recover(guest: PlayedGuest, seed: str) -> None:
    drawn = random.Random(seed)
    task, plan = plan_of_several(guest, drawn)
    by_name = {action.name: action for action in task.actions}
    course = Course("plan", task, [by_name[step.action] for step in plan.steps])
    game = Followed(guest, course)
    step = drawn.randrange(len(plan.steps))
    for number in range(step):
        stands = game.do(plan.steps[number].action)
        assert Stand.OFF not in stands
        assert stands[-1] is Stand.ON
        assert game.place is not None
        # nobody can see that something is in hand
        assert all(course.unseen(n) for n in range(game.place.value, number + 1))
    slip = a_slip(course, step, drawn)
    assert game.place is not None
    agreed = game.place.spot
    game.do(slip.name)
    place = game.wait_until_off()
    assert place.stand is Stand.OFF, slip.name
    assert place.spot.step == agreed.step
    while course.unseen(step) and step + 1 < len(plan.steps):
        step += 1
    at, found, wanted = first_difference(guest, course, agreed.step, step)
    told = difference(course, place.spot, place.shape, place.states)
    for word in (f"0x{at:08X}", found.replace("_", " "), wanted.replace("_", " ")):
        assert word in told.replace("_", " "), told
    meant = guesses(course, place.spot, place.shape, place.states)
    assert any(alike(guess.actions, [slip.name], course, place.spot) for guess in meant), slip.name
    again = task_from(course, place.spot, meant[:1], None, place.states)
    assert again is not None
    new_task, first = again
    assert first == ()
    new = best(new_task)
    for planned in new.steps:
        assert guest.perform(planned.action) is Standing.DONE
    assert all(holds(goal, guest) for goal in task.goals)


def test_a_slip_is_named_and_a_new_plan_leads_on(guest: PlayedGuest) -> None:
    for number in range(2):
        slip_and_recover(guest, f"slip {number}")


@pytest.mark.full
def test_twenty_slips_are_named_and_new_plans_lead_on(guest: PlayedGuest) -> None:
    for number in range(2, 22):
        slip_and_recover(guest, f"slip {number}")
