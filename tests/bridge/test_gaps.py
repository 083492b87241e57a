"""Functions over frames of which some are missed: which values are doubtful, and for how long.

The rules are the project's own.  Each doubtful value is one that differs for some way in which the
missed frames may have gone; ``test_practice_truth`` holds the rest against all frames.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.evaluation.evaluator import Evaluator
from bridge.expressions.frame_functions.frame_function import NoArgument, NoValueYet
from bridge.expressions.frame_functions.tally import MAX_VALUES, Tally
from bridge.expressions.rises import counted
from tests.bridge.made_guest import Guest
from tests.bridge.made_machine import make

T, F = True, False


def doubts(function: str, frames: Sequence[tuple[int, Any]], constant: int = 0) -> list[bool]:
    """Whether the value of each frame is doubtful."""
    machine = make(function, "f(x)", constant)
    found = []
    for number, value in frames:
        try:
            machine.step(value if isinstance(value, tuple) else (value,), number)
        except (NoArgument, NoValueYet):
            pass
        found.append(machine.doubtful)
        machine.commit()
    return found


@pytest.mark.parametrize(
    ("function", "frames", "expected"),
    [
        # of the frame behind the gap alone
        ("previous", [(1, 1), (2, 1), (5, 1), (6, 1)], [F, F, T, F]),
        ("change", [(1, 1), (2, 1), (5, 1), (6, 1)], [F, F, T, F]),
        # until it is seen to be true
        ("frames_since", [(1, 1), (2, 0), (4, 0), (5, 0), (6, 1), (7, 0)], [F, F, T, T, F, F]),
        ("frames_since", [(1, 1), (2, 0), (4, 1), (5, 0)], [F, F, F, F]),
        ("latest", [(1, (5, 1)), (3, (5, 0)), (4, (5, 0)), (5, (6, 1))], [F, T, T, F]),
        ("latest", [(1, (5, 1)), (3, (6, 1)), (4, (7, 0))], [F, F, F]),
        ("latest", [(1, (5, 1)), (3, (None, 1)), (4, (7, 1))], [F, T, F]),
        # while the run lasts; what is not true in this frame has lasted for none
        ("frames_of", [(1, 1), (3, 1), (4, 1), (5, 0), (6, 1)], [F, T, T, F, F]),
        ("frames_of", [(1, 0), (3, 1), (4, 1), (5, 0)], [F, T, T, F]),
        ("frames_of", [(1, 1), (3, 0), (4, 1)], [F, F, F]),
        # while the frames of the mean go over it
        ("average", [(1, 1), (2, 1), (4, 1), (5, 1), (6, 1)], [F, F, T, T, F]),
        # for ever
        ("count", [(1, 1), (3, 1), (4, 0), (9, 1), (10, 1)], [F, T, T, T, T]),
        ("highest", [(1, 1), (2, 1), (4, 1), (5, 1)], [F, F, T, T]),
        ("lowest", [(1, 1), (2, 1), (4, 1), (5, 1)], [F, F, T, T]),
    ],
)
def test_how_long_a_gap_is_felt(
    function: str, frames: list[tuple[int, Any]], expected: list[bool]
) -> None:
    assert doubts(function, frames, 3) == expected


def test_a_cleared_function_doubts_nothing() -> None:
    machine = make("count", "f(x)", 0)
    for number in (1, 5):
        machine.step((1,), number)
        machine.commit()
    assert machine.doubtful
    machine.clear()
    machine.step((1,), 90)
    assert not machine.doubtful


def test_a_torn_sample_leaves_no_doubt() -> None:
    """A sample that is taken again with the argument sure is as if the other had not been."""
    for function in ("previous", "frames_since", "frames_of", "count", "average"):
        machine = make(function, "f(x)", 3)
        for number in (1, 2):
            _stepped(machine, 1, number)
        machine.step((1,), 3, True)
        machine.step((1,), 3)
        assert not machine.doubtful, function
        machine.commit()
        machine.step((1,), 4)
        assert not machine.doubtful, function


FUNCTIONS = ("frames_since", "frames_of", "count", "highest", "lowest", "average", "previous")


@given(
    st.sampled_from(FUNCTIONS),
    st.lists(st.tuples(st.integers(0, 2), st.booleans()), min_size=2, max_size=25),
)
def test_what_is_not_doubtful_is_what_all_frames_give(
    function: str, script: list[tuple[int, bool]]
) -> None:
    """The same function fed with all frames is the judge of the one that misses some."""
    whole, part = make(function, "f(x)", 3), make(function, "f(x)", 3)
    for number, (value, missed) in enumerate(script, 1):
        expected = _stepped(whole, value, number)
        if missed and number > 1:
            continue
        found = _stepped(part, value, number)
        if not part.doubtful:
            assert found == expected


def _stepped(machine: Any, value: int, number: int) -> Any:
    try:
        found = machine.step((value,), number)
    except NoValueYet as fault:
        found = str(fault)
    machine.commit()
    return found


def test_a_moment_behind_a_gap_does_not_count_among_the_others() -> None:
    machine = make("tally", "f(x)", 0)
    assert isinstance(machine, Tally)
    assert _tallied(machine, 1, (7, F)) == ("f(x): there has been no such moment yet", None, ())
    unseen = "f(x): each such moment was in frames that were not seen"
    assert _tallied(machine, 4, (7, T)) == (unseen, None, (7,))
    assert _tallied(machine, 5, (7, F)) == (unseen, None, ())
    assert _tallied(machine, 6, (8, T)) == (8, (8,), ())
    assert machine._counts == {"8": 1}
    assert MAX_VALUES > 1


def _tallied(machine: Tally, number: int, arguments: tuple[Any, ...]) -> tuple[Any, Any, Any]:
    try:
        value: Any = machine.step(arguments, number)
    except NoValueYet as fault:
        value = str(fault)
    machine.commit()
    return value, machine.moment, machine.apart


# what a counter of the game's tells

SCHEMA = """
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [ { name = "ram", start = 0x8000_0000, size = "4 KiB" } ]
[enums.Room]
base = "u32"
values = { pier = 1, stair = 2 }
[symbols]
laps = "u32"
room = "Room"
held = "u32*"
x = "f32"
[builds.only]
at = { laps = 0x8000_0100, room = 0x8000_0104, held = 0x8000_0108, x = 0x8000_010C }
"""
LAPS, ROOM = 0x8000_0100, 0x8000_0104


@pytest.mark.parametrize(
    ("condition", "alone"),
    [
        ("change(laps) > 0", True),
        ("0 < change(laps)", True),
        ("change(laps) != 0", True),
        ("change(laps) >= 1", True),
        ("change(laps) == 1", True),
        ("change(laps)", True),
        ("laps > previous(laps)", True),
        ("previous(laps) != laps", True),
        ("lap_count > previous(lap_count)", True),
        ("begun", True),
        ("change(laps) > 0 and room == Room.pier", False),
    ],
)
def test_conditions_behind_which_a_counter_stands(condition: str, alone: bool) -> None:
    watches = {"lap_count": "laps", "begun": "change(laps) > 0", "c": condition}
    program = Guest(SCHEMA).program(watches)
    found = counted(program.slots, program.watches["c"])
    assert found is not None
    assert found.alone is alone
    assert program.slots[found.counter].text in ("laps", "lap_count")


@pytest.mark.parametrize(
    "condition",
    [
        *("laps == 1", "change(laps) > 1", "change(laps) < 0", "change(laps) == 0"),
        *("change(x) > 0", "change(room) > 0", "change(address(held)) != 0", "not change(laps)"),
        *("change(laps) > 0 or room == Room.pier", "laps < previous(laps)", "change(laps) + 1"),
        *("change(laps) > 0 and change(laps + 1) > 0", "laps > previous(laps + 1)"),
    ],
)
def test_conditions_that_no_counter_stands_behind(condition: str) -> None:
    program = Guest(SCHEMA).program({"c": condition})
    assert counted(program.slots, program.watches["c"]) is None


def _counts(frames: Sequence[tuple[int, int]], watch: str = "count(change(laps) > 0)") -> list[int]:
    """What a watch gives in frames, each a number and the laps in it."""
    guest = Guest(SCHEMA)
    run = guest.run({"w": watch}, whole=True)
    found = []
    for number, laps in frames:
        guest.poke(LAPS, "I", laps)
        run.frame(number, commit=False)
        run.frame(number)
        value = run["w"].value
        assert isinstance(value, int)
        found.append(value)
    return found


def test_a_count_that_rose_by_two_in_a_gap_happened_twice() -> None:
    assert _counts([(1, 4), (2, 4), (3, 5), (7, 7), (8, 7), (9, 8)]) == [0, 0, 1, 3, 3, 4]
    # it cannot have risen more often than there were frames
    assert _counts([(1, 4), (2, 4), (4, 9)]) == [0, 0, 2]
    # what rose in the gap may rise in the frame behind it again
    assert _counts([(1, 4), (2, 4), (5, 5), (6, 6)]) == [0, 0, 1, 2]
    # seen whole, two frames in a row are one moment
    assert _counts([(1, 4), (2, 4), (3, 5), (4, 6)]) == [0, 0, 1, 1]


def test_a_number_that_is_no_count_tells_only_that_something_happened() -> None:
    assert _counts([(1, 4), (2, 4), (3, 9), (4, 9), (8, 19)]) == [0, 0, 1, 1, 2]
    assert _counts([(1, 4), (2, 4), (3, 3), (4, 3), (8, 9)]) == [0, 0, 0, 0, 1]
    # and where it fell in a gap, not even that of this condition
    assert _counts([(1, 4), (2, 4), (3, 5), (7, 2), (8, 2)]) == [0, 0, 1, 1, 1]


def test_a_count_that_began_again_is_one_again() -> None:
    fallen = [(1, 9), (2, 9), (3, 0)]
    risen = [(4, 1), (5, 1), (6, 2), (7, 2)]
    assert _counts([*fallen, *risen, (9, 4)])[-2:] == [2, 3]
    assert _counts([*fallen, *risen, (8, 3), (9, 3), (12, 5)])[-3:] == [3, 3, 5]
    # a room's number goes up and down
    rooms = [(number, number % 2) for number in range(1, 20)]
    assert _counts([*rooms, (30, 3)])[-2:] == [9, 10]


def test_doubt_is_handed_on() -> None:
    guest = Guest(SCHEMA)
    watches = {
        "n": "count(change(laps) > 0)",
        "m": "n * 2",
        "s": "frames_since(m == 0)",
        "y": "laps + 1",
    }
    program = guest.program(watches)
    evaluator = Evaluator(program, guest.layout, guest.memory, whole=True)

    def doubtful(number: int) -> dict[str, bool]:
        assert evaluator.evaluate(guest.image(), number) == set()
        evaluator.commit()
        return {name: evaluator.doubtful(program.watches[name]) for name in watches}

    doubtful(1)
    assert not any(doubtful(2).values())
    assert doubtful(4) == {"n": True, "m": True, "s": True, "y": False}
    evaluator.clear()
    assert not any(doubtful(5).values())
