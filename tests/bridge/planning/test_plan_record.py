"""A plan kept in its file and taken out again; whether the schema is what it was made for."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.planning.actions import Action, Alloc, Free, Which
from bridge.planning.arena import HOLE, WALL, Arena, Cell
from bridge.planning.laid_blocks import arena_of, blocks_of
from bridge.planning.made_for import differs, made_for
from bridge.planning.model import LaidOut
from bridge.planning.plan_record import goal_from, goals_of, starts_of
from bridge.planning.policy import Fit
from schemas.layout_file import BlockTable
from schemas.plan_file import BlockAt, GoalTable
from tests.bridge.planning.made_plan import (
    ACTIONS,
    BOUNDS,
    EXPORT,
    FIRST_PRINT,
    POLICY,
    made_plan,
    made_task,
    start,
)

GAMES = {"first-print": FIRST_PRINT, "export": EXPORT}
MADE = made_for(ACTIONS, GAMES.values())


def test_a_file_gives_the_starts_and_goals_that_it_was_made_of() -> None:
    task = made_task()
    plan = made_plan()
    assert starts_of(plan, GAMES) == task.starts
    assert goals_of(plan.goals) == task.goals
    last = plan.steps[-1]
    assert (last.action, last.precise, last.states) == ("whistle", 1, {"room": 1})
    # the door leaves two crates, the older is broken, the mist has no room there, a gull has
    assert [block.owner for block in last.layouts["export"]] == [
        "gull",
        "crate",
        "mist_puff",
        "free",
    ]


@pytest.mark.parametrize("sort", ["covered", "freed", "uncovered"])
def test_every_sort_of_goal_is_taken_out_of_its_table(sort: str) -> None:
    table = GoalTable.model_validate(
        {"sort": sort, "words": "w", "addresses": {"export": 0x8024_0010}}
    )
    goal = goal_from(table)
    assert type(goal).__name__.lower() == sort
    assert goal.addresses == {"export": 0x8024_0010}  # type: ignore[union-attr]


def test_a_layout_is_taken_out_of_its_table() -> None:
    blocks = (
        BlockTable(owner="buoy", size=0x1C0, used=True, at=0),
        BlockTable.model_validate({"owner": "the rest"}),
    )
    goal = goal_from(GoalTable(sort="laid out", words="w", layouts={"export": blocks}))
    assert isinstance(goal, LaidOut)
    assert goal.patterns["export"].matches(start(EXPORT, "buoy", "gull").arena, POLICY)
    assert not goal.patterns["export"].matches(start(EXPORT, "gull").arena, POLICY)


def test_cells_are_told_as_blocks_without_walls_and_come_back_from_them() -> None:
    low, high = BOUNDS["export"]
    cells = (
        Cell(low, 0x1D0, "buoy", 3),
        Cell(low + 0x1D0, 0x30, WALL),
        Cell(low + 0x200, high - low - 0x240, HOLE),
        Cell(high - 0x40, 0x40, WALL),
    )
    arena = Arena(cells, rover=low, held=low)
    blocks = blocks_of(arena, POLICY, ages=True)
    assert blocks == (
        BlockAt(start=low + 0x10, size=0x1C0, used=True, owner="buoy", age=3),
        BlockAt(start=low + 0x210, size=high - low - 0x250, used=False, owner="free"),
    )
    assert arena_of(blocks, POLICY, (low, high), low, low + 0x10) == arena
    with pytest.raises(ValueError, match="the block at 0x80240010 is outside the arena"):
        arena_of(blocks, POLICY, (low + 0x10, high))
    with pytest.raises(ValueError, match="the block at 0x80240010 overlaps the one before"):
        arena_of((blocks[0], blocks[0]), POLICY, (low, high))


def test_what_the_plan_was_not_made_for_is_told() -> None:
    assert differs(MADE, MADE, "export") == ""
    assert differs(MADE, MADE, "second-print") == (
        "it was made for first-print, export, not for second-print"
    )
    slower = [replace(ACTIONS[0], frames=96), *ACTIONS[1:]]
    assert differs(MADE, made_for(slower, GAMES.values()), "export") == (
        "it was made for other [actions] or [state]"
    )
    best = replace(EXPORT, policy=replace(POLICY, fit=Fit.BEST))
    changed = made_for(ACTIONS, [FIRST_PRINT, best])
    assert differs(MADE, changed, "export") == (
        "it was made for another [allocator] or other sizes of export"
    )
    assert differs(MADE, changed, "first-print") == ""


def test_words_and_order_play_no_part_in_what_a_plan_was_made_for() -> None:
    told = [replace(action, doc="another word") for action in reversed(ACTIONS)]
    turned = replace(EXPORT, sizes=dict(sorted(EXPORT.sizes.items(), reverse=True)))
    assert made_for(told, [turned, FIRST_PRINT]).actions == MADE.actions
    assert made_for(told, [turned, FIRST_PRINT]).builds == MADE.builds


def test_the_order_of_effects_plays_a_part() -> None:
    one = Action("a", 1, effects=(Free(("crate",), Which.NEWEST), Alloc("crate")))
    other = replace(one, effects=tuple(reversed(one.effects)))
    assert made_for([one], [EXPORT]).actions != made_for([other], [EXPORT]).actions
