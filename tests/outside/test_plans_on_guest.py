"""What planning predicts against the running demo game that does the same.

Source of every expected value: the game's own C code, its heap's (tests/guest/heap.c) and those of
tests/guest/played/allocators, and the game's own walk along its blocks, whose count, free bytes and
checksum lowhalf's walk must come to in every moment that is compared.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace

import pytest

from bridge.planning.actions import Action
from bridge.planning.derived_start import NotDerivable, derive
from bridge.planning.model import Start, Task
from bridge.planning.simulation import NotPossible, begin, perform
from tests.guest.build import BUILDS, build_played
from tests.guest.played.guest import PlayedGuest, Standing
from tests.guest.played.planned import ALLOCATORS, Layout, actions, arena, model

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

Played = Callable[[str, str | None], PlayedGuest]


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Played]:
    """Gives the running game of a build, with its own allocator or another; each is made once."""
    running: dict[tuple[str, str | None], PlayedGuest] = {}
    builds = {build.name: build for build in BUILDS}
    with ExitStack() as stack:

        def get(build: str, allocator: str | None = None) -> PlayedGuest:
            if (build, allocator) not in running:
                directory = tmp_path_factory.mktemp("played")
                elf = build_played(builds[build], directory / f"{build}.elf", allocator)
                running[build, allocator] = stack.enter_context(PlayedGuest(elf, directory))
            guest = running[build, allocator]
            guest.begin()
            return guest

        yield get
        for guest in running.values():
            assert guest.read_symbol_u32("fault") == 0


def room(guest: PlayedGuest) -> int:
    return int.from_bytes(guest.read(guest.read_symbol_u32("current_room") + 0x10, 2), "big")


def task_of(guest: PlayedGuest, allocator: str | None) -> Task:
    """The game as it is now, with nothing wanted."""
    start = Start(model(guest.elf.stem, allocator), arena(guest, allocator))
    return Task((start,), {"room": room(guest)}, tuple(actions(allocator).values()), ())


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
    played: Played, build: str, allocator: str | None
) -> None:
    guest = played(build, allocator)
    task = task_of(guest, allocator)
    taken = drawn_actions(task, random.Random(f"{build} {allocator}"), 200)
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
    assert 10 < refused < 60
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
