"""Plans made by what was learned from recorded play alone, done by the running demo game.

Source of every expected value: the game's own C code (tests/guest/heap.c and those of
tests/guest/played/allocators), of whose allocator and actions learning is told nothing: it sees the
heap of every frame, and which action was done when.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from adapters.commands.main import main
from adapters.planning.engines import engine_here
from adapters.system_clock import SystemClock
from bridge.planning.actions import Action
from bridge.planning.find import find
from bridge.planning.learning.learned import Learned, learn, policy_of
from bridge.planning.learning.observed import Play, PlayWatcher
from bridge.planning.model import GameModel, Limits, Start, Task
from tests.guest.played.begun import begun_in
from tests.guest.played.guest import PlayedGuest, Standing, played_schema, unlearned_schema
from tests.guest.played.planned import ALLOCATORS, Layout, model, task_of
from tests.guest.played.wanted import after_a_walk, drawn_goals, holds, walked

pytestmark = [
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm"),
    pytest.mark.needs("qemu-system-mips", "qemu-system-mips"),
]

BUILD = "first-print"
BY_HAND = ("take_lantern", "put_down", "throw_lantern")
"""What is in hand is not to be seen in a heap."""


def played_at_random(guest: PlayedGuest, allocator: str | None, seed: str, length: int) -> Play:
    """So many actions, each in a frame of its own with one behind it in which nothing is done."""
    guest.begin()
    watcher = PlayWatcher(seed, BUILD)
    watcher.take(guest.read_symbol_u32("frame_ended"), guest.heap())
    for action, _ in walked(task_of(guest, allocator), random.Random(seed), length, seldom=2):
        watcher.take(guest.step(), guest.heap())
        assert guest.perform(action.name) is Standing.DONE
        watcher.take(guest.read_symbol_u32("frame_ended"), guest.heap(), [action.name])
    return watcher.play


def learned_actions(learned: Learned, known: tuple[Action, ...]) -> tuple[Action, ...]:
    """The actions with the effects that were learned; of the others' all but effects is known.

    Where several orders are left, the first.
    """
    found = []
    for action in known:
        seen = learned.action(action.name)
        if action.name not in BY_HAND and seen is not None and seen.candidates:
            found.append(replace(action, effects=seen.candidates[0]))
    return tuple(found)


@pytest.fixture(scope="module")
def guests(
    tmp_path_factory: pytest.TempPathFactory, played_elf: Callable[[str, str | None], Path]
) -> Iterator[Callable[[str | None], PlayedGuest]]:
    directory = tmp_path_factory.mktemp("learned")
    running: dict[str | None, PlayedGuest] = {}

    def get(allocator: str | None) -> PlayedGuest:
        if allocator not in running:
            own = directory / (allocator or "own")
            own.mkdir()
            schema = played_schema(own / "played.schema.toml", allocator)
            running[allocator] = PlayedGuest(played_elf(BUILD, allocator), own, schema=schema)
        return running[allocator]

    yield get
    for guest in running.values():
        assert guest.read_symbol_u32("fault") == 0
        guest.close()


@pytest.mark.full
@pytest.mark.parametrize("allocator", [None, *ALLOCATORS])
def test_plans_by_learned_tables_do_on_the_game_what_they_predict(
    guests: Callable[[str | None], PlayedGuest], allocator: str | None
) -> None:
    guest = guests(allocator)
    plays = [played_at_random(guest, allocator, f"play {number}", 100) for number in range(6)]
    true = model(BUILD, allocator)
    learned = learn(plays, {BUILD: true.sizes}, {})
    print(allocator, len(learned.models), learned.models[0].policy)
    assert true.policy.fit in {each.policy.fit for each in learned.models}
    geometry = learned.geometries[BUILD]
    game = GameModel(BUILD, policy_of(learned.models[0], geometry), true.sizes)
    counts = Counter[str]()
    for number in range(20):
        counts += planned_and_played(guest, allocator, learned, game, f"learned {number}")
    print(allocator, dict(counts))
    assert counts["plans"] == 20
    assert counts["layouts"] == counts["steps"] >= 40


def planned_and_played(
    guest: PlayedGuest, allocator: str | None, learned: Learned, game: GameModel, seed: str
) -> Counter[str]:
    drawn = random.Random(seed)
    known = after_a_walk([guest], allocator, drawn)
    (start,) = known.starts
    task = Task(
        (Start(game, start.arena),), known.states, learned_actions(learned, known.actions), ()
    )
    return played_on(guest, replace(task, goals=drawn_goals(task, drawn, drawn.randint(3, 10))))


def played_on(guest: PlayedGuest, task: Task) -> Counter[str]:
    """Plan, and do it in the game."""
    plan = find(task, Limits(seconds=5.0), SystemClock(), engine_here().engine).plans[0]
    for step in plan.steps:
        assert guest.perform(step.action) is Standing.DONE, step.action
        assert Layout.read(guest) == Layout.planned(step.after[BUILD]), step.action
    assert all(holds(goal, guest) for goal in task.goals)
    return Counter({"plans": 1, "steps": len(plan.steps), "layouts": len(plan.steps)})


@pytest.mark.full
def test_lowhalf_learn_writes_what_plans_are_made_by(
    guests: Callable[[str | None], PlayedGuest], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From recordings through ``lowhalf learn --write`` to twenty plans from where the game is."""
    guest = guests(None)
    schema = unlearned_schema(tmp_path / "unlearned.schema.toml")
    monkeypatch.setattr(guest, "schema", schema)
    recordings = [tmp_path / f"play{number}.mcap" for number in range(4)]
    for path in recordings:
        guest.begin()
        steps = walked(task_of(guest, None), random.Random(path.name), 120, seldom=2)
        guest.record(path, [action.name for action, _ in steps], rest=1)
    bridge = guest.live_bridge(tmp_path)
    asked = ["learn", str(bridge.path), "--recording", *map(str, recordings)]
    # 1: the frames that actions take stand in the file already, and are not those of this play
    assert main([*asked, "--write", str(schema)]) == 1
    found, begun = begun_in(guest, tmp_path)
    assert found.game == model(BUILD)
    counts = Counter[str]()
    while counts["plans"] < 20:
        drawn = random.Random(f"by file {counts.total()}")
        after_a_walk([guest], None, drawn)
        found, begun = begun_in(guest, tmp_path)
        task = Task((begun.start,), begun.states, found.actions, ())
        task = replace(task, goals=drawn_goals(task, drawn, drawn.randint(3, 10)))
        counts += played_on(guest, task)
    print(dict(counts))
    assert counts["layouts"] >= 40
