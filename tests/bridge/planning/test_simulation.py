"""Actions on heaps worked out by hand from the rules in ``policy.py`` and ``actions.py``."""

from __future__ import annotations

import pytest

from bridge.planning.actions import Action, Alloc, Free, Hold, Interval, LetGo, Which
from bridge.planning.allocation import NotPossible, allocate, release
from bridge.planning.arena import HOLE, WALL, Arena, Cell
from bridge.planning.model import GameModel, Start, Task
from bridge.planning.policy import End, Fit, HoleOrder, Merge, Policy, WhenFull
from bridge.planning.simulation import begin, perform, stages


def arena(text: str, rover: int | None = None) -> Arena:
    """An arena from words such as ``c40 .30 g20``: a letter for the kind, strides in hex.

    ``.`` is a hole and ``#`` a wall; it starts at 0x100; ages follow the order of the words.
    """
    kinds = {".": HOLE, "#": WALL, "c": "crate", "g": "gull", "l": "lantern"}
    cells: list[Cell] = []
    start = 0x100
    for age, word in enumerate(text.split()):
        cells.append(Cell(start, int(word[1:], 16), kinds[word[0]], age))
        start = cells[-1].end
    return Arena(tuple(cells), rover)


def text(arena: Arena) -> str:
    letters = {HOLE: ".", WALL: "#"}
    return " ".join(f"{letters.get(c.kind, c.kind[0])}{c.stride:x}" for c in arena.cells)


PLAIN = Policy(header=0x10, alignment=0x10, least_rest=0x20)


@pytest.mark.parametrize(
    ("policy", "before", "after"),
    [
        (Policy(), "c40 .30 g20 .28 .60", "c40 x28 .8 g20 .28 .60"),
        (Policy(fit=Fit.BEST), "c40 .30 g20 .28 .60", "c40 .30 g20 x28 .60"),
        (Policy(fit=Fit.WORST), "c40 .30 g20 .28 .60", "c40 .30 g20 .28 x28 .38"),
        (Policy(tried_from=End.HIGH), "c40 .30 g20 .60", "c40 .30 g20 x28 .38"),
        (Policy(carved_from=End.HIGH), "c40 .30 g20 .60", "c40 .8 x28 g20 .60"),
        (Policy(least_rest=9), "c40 .30 g20 .60", "c40 x30 g20 .60"),
        (Policy(least_rest=8), "c40 .30 g20 .60", "c40 x28 .8 g20 .60"),
        (Policy(order=HoleOrder.RECENT), "c40 .30 g20 .60", "c40 .30 g20 x28 .38"),
        (Policy(order=HoleOrder.RECENT, tried_from=End.HIGH), ".30 g20 .60", "x28 .8 g20 .60"),
        (Policy(fit=Fit.WORST, keeps_last=True), "c40 .30 g20 .60", "c40 x28 .8 g20 .60"),
        (Policy(keeps_last=True), "c40 .20 g20 .60", "c40 .20 g20 x28 .38"),
        (Policy(keeps_last=True, tried_from=End.HIGH), ".40 g20 .60 c8", ".40 g20 x28 .38 c8"),
        (Policy(merge=Merge.WHEN_FULL), ".20 .10 c8", "x28 .8 c8"),
    ],
)
def test_a_block_lies_where_the_rules_put_it(policy: Policy, before: str, after: str) -> None:
    assert text(allocate(arena(before), policy, 0x28, "x")) == after


@pytest.mark.parametrize(
    ("merge", "after"),
    [
        (Merge.BOTH, "c10 .90 g10"),
        (Merge.NEXT, "c10 .20 .70 g10"),
        (Merge.PREVIOUS, "c10 .60 .30 g10"),
        (Merge.WHEN_FULL, "c10 .20 .40 .30 g10"),
        (Merge.NEVER, "c10 .20 .40 .30 g10"),
    ],
)
def test_a_released_block_is_joined_as_the_rules_say(merge: Merge, after: str) -> None:
    assert text(release(arena("c10 .20 l40 .30 g10"), Policy(merge=merge), 0x130)) == after


def test_next_fit_goes_on_behind_the_last_block_and_round_once() -> None:
    policy = Policy(fit=Fit.NEXT)
    now = allocate(arena(".40 c10 .60 g10 .20", rover=0x100), policy, 0x20, "x")
    assert (text(now), now.rover) == ("x20 .20 c10 .60 g10 .20", 0x120)
    now = allocate(now, policy, 0x40, "x")
    assert (text(now), now.rover) == ("x20 .20 c10 x40 .20 g10 .20", 0x190)
    now = allocate(allocate(now, policy, 0x20, "x"), policy, 0x20, "x")
    assert (text(now), now.rover) == ("x20 .20 c10 x40 x20 g10 x20", 0x1E0)
    now = allocate(now, policy, 0x18, "x")
    assert (text(now), now.rover) == ("x20 x18 .8 c10 x40 x20 g10 x20", 0x138)
    now = release(now, policy, 0x120)  # x18 and what is behind it: the rover stood between
    assert (text(now), now.rover) == ("x20 .20 c10 x40 x20 g10 x20", 0x120)


def test_next_fit_from_the_high_end_goes_downwards() -> None:
    policy = Policy(fit=Fit.NEXT, tried_from=End.HIGH, carved_from=End.HIGH)
    now = allocate(arena(".40 c10 .60", rover=0x1B0), policy, 0x20, "x")
    assert (text(now), now.rover) == (".40 c10 .40 x20", 0x190)
    now = allocate(allocate(now, policy, 0x38, "x"), policy, 0x10, "x")
    assert (text(now), now.rover) == (".30 x10 c10 .8 x38 x20", 0x130)


def test_the_end_asked_for_stands_for_both_ends() -> None:
    assert text(allocate(arena(".40 c10 .60"), Policy(), 8, "x", End.HIGH)) == ".40 c10 .58 x8"


def test_a_run_that_is_joined_when_full_has_the_place_of_its_newest() -> None:
    policy = Policy(merge=Merge.WHEN_FULL, order=HoleOrder.RECENT)
    before = arena(".20 .20 c10 .30 g10 .20 .20")
    full = allocate(before, policy, 0x38, "x")
    assert text(full) == ".40 c10 .30 g10 x38 .8"
    assert full.cells[0].age == 1


def test_what_is_left_has_the_holes_place_in_the_order() -> None:
    policy = Policy(order=HoleOrder.RECENT)
    now = arena("c20 .40 g20 .40")
    for _ in range(2):
        now = allocate(now, policy, 0x20, "x")
    assert text(now) == "c20 .40 g20 x20 x20"


def test_nothing_is_large_enough() -> None:
    with pytest.raises(NotPossible, match=r"^no hole is large enough for x: it takes 0x70 bytes$"):
        allocate(arena(".40 c10 .60"), PLAIN, 0x60, "x")
    before = arena(".40 .20 c10")
    policy = Policy(when_full=WhenFull.CARRY_ON, merge=Merge.WHEN_FULL)
    assert text(allocate(before, policy, 0x61, "x")) == ".60 c10"


def test_of_two_holes_neither_is_known_to_be_newer() -> None:
    holes = Arena((Cell(0, 8, HOLE), Cell(8, 8, "crate", 1), Cell(16, 8, HOLE)))
    with pytest.raises(
        NotPossible, match="of the holes from 0x00000000 and from 0x00000010 it is not known which"
    ):
        allocate(holes, Policy(order=HoleOrder.RECENT), 8, "x")


SIZES = {"crate": 0x30, "gull": 0x20, "lantern": 0x30}


def task(words: str, *actions: Action, **states: int) -> Task:
    game = GameModel("first-print", PLAIN, SIZES)
    return Task((Start(game, arena(words)),), states, actions, ())


def done(words: str, *effects: Alloc | Free | Hold | LetGo) -> str:
    action = Action("any", 10, effects=effects)
    asked = task(words, action)
    return text(perform(action, begin(asked), asked).arenas["first-print"])


def test_effects_happen_in_their_order() -> None:
    assert done("c40 g30 .100", Alloc("crate"), Free(("gull",), Which.ALL)) == "c40 .30 c40 .c0"
    assert done("c40 g40 .100", Free(("gull",), Which.ALL), Alloc("crate", 2)) == "c40 c40 c40 .c0"


@pytest.mark.parametrize(
    ("which", "after"),
    [
        (Which.NEWEST, "c40 g30 c40 .40 g20"),
        (Which.OLDEST, ".40 g30 c40 c40 g20"),
        (Which.LOWEST, ".40 g30 c40 c40 g20"),
        (Which.HIGHEST, "c40 g30 c40 .40 g20"),
        (Which.ALL, ".40 g30 .80 g20"),
    ],
)
def test_which_of_the_blocks_is_released(which: Which, after: str) -> None:
    assert done("c40 g30 c40 c40 g20", Free(("crate",), which)) == after


def test_several_are_released_one_after_another() -> None:
    assert done("c40 g30 c40 g20", Free(("crate", "gull"), Which.NEWEST, 3)) == "c40 .90"
    with pytest.raises(NotPossible, match=r"^there are only 2 of 3 crate$"):
        done("c40 g30 c40", Free(("crate",), Which.NEWEST, 3))
    with pytest.raises(NotPossible, match=r"^there is no lantern$"):
        done("c40 g30 c40", Free(("lantern",), Which.LOWEST))
    assert done("c40", Free(("lantern",), Which.ALL)) == "c40"


def test_what_is_held_is_released_and_then_is_held_no_more() -> None:
    held = Free(("crate",), Which.HELD)
    assert done("c40 c40", Hold(("crate",), Which.LOWEST), held) == ".40 c40"
    for effects in ((held,), (Hold(("crate",), Which.LOWEST), held, held)):
        with pytest.raises(NotPossible, match=r"^no crate is held$"):
            done("c40 c40", *effects)
    everything = (Hold(("crate",), Which.LOWEST), Free(("crate",), Which.ALL), LetGo())
    for let_go in ((LetGo(),), everything):
        with pytest.raises(NotPossible, match=r"^nothing is held$"):
            done("c40", *let_go)


def test_a_choice_that_hangs_on_an_age_that_is_not_known() -> None:
    cells = (Cell(0x100, 0x20, "crate"), Cell(0x120, 0x20, "crate"), Cell(0x140, 0x20, "gull", 3))
    game = GameModel("first-print", PLAIN, SIZES)
    newest = Action("newest", 1, effects=(Free(("crate",), Which.NEWEST),))
    two = Action("two", 1, effects=(Free(("crate", "gull"), Which.NEWEST, 2),))
    known = Action("known", 1, effects=(Free(("crate", "gull"), Which.NEWEST),))
    every = Action("every", 1, effects=(Free(("crate",), Which.ALL, order=Which.NEWEST),))
    asked = Task((Start(game, Arena(cells)),), {}, (newest, two, known, every), ())
    for action in (newest, two):
        with pytest.raises(
            NotPossible,
            match=r"^of the crate with its header at 0x00000100 and the crate at 0x00000120 it is "
            r"not known which is the newest$",
        ):
            perform(action, begin(asked), asked)
    assert text(perform(known, begin(asked), asked).arenas["first-print"]) == "c20 c20 .20"
    assert text(perform(every, begin(asked), asked).arenas["first-print"]) == ".40 g20"


def test_states_needs_and_limits() -> None:
    door = Action(
        "door",
        95,
        needs={"room": (Interval(0, 0), Interval(3, None))},
        sets={"room": 4},
        adds={"entered": 2},
        limit=2,
    )
    asked = task("c40", door, room=0, entered=7)
    after = perform(door, begin(asked), asked)
    assert (after.states, after.uses) == ({"room": 4, "entered": 9}, {"door": 1})
    after = perform(door, after, asked)
    with pytest.raises(NotPossible, match=r"^it was done 2 times, its limit is 2$"):
        perform(door, after, asked)
    asked = task("c40", door, room=1, entered=0)
    with pytest.raises(NotPossible, match=r"^room is 1, needed is 0 or at least 3$"):
        perform(door, begin(asked), asked)


def test_stages_are_told_after_every_single_change() -> None:
    action = Action(
        "swap",
        1,
        sets={"room": 1},
        effects=(
            Free(("crate",), Which.ALL, order=Which.NEWEST),
            Alloc("gull", 2),
            Hold(("gull",), Which.NEWEST),
        ),
    )
    asked = task("c40 c40 .100", action, room=0)
    moments = stages(action, begin(asked), asked)
    assert [text(moment.arenas["first-print"]) for moment in moments] == [
        "c40 .140",
        ".180",
        "g30 .150",
        "g30 g30 .120",
    ]
    assert [moment.states["room"] for moment in moments] == [0, 0, 0, 1]
    assert moments[-1].arenas["first-print"].held == 0x130
    assert moments[-1] == perform(action, begin(asked), asked)
    nothing = Action("nothing", 1)
    assert len(stages(nothing, begin(asked), asked)) == 1


def test_a_build_on_which_it_cannot_be_done_is_named() -> None:
    small = Start(GameModel("export", PLAIN, {"crate": 0x100}), arena("c40 .100"))
    large = Start(GameModel("first-print", PLAIN, SIZES), arena("c40 .100"))
    action = Action("drop", 1, effects=(Alloc("crate"),))
    asked = Task((large, small), {}, (action,), ())
    with pytest.raises(NotPossible, match=r"^export: no hole is large enough for crate"):
        perform(action, begin(asked), asked)
