"""Functions over frames: scripted frames, and an independent model of what each should give."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.expressions.frame_functions.frame_function import (
    FrameFunction,
    NoArgument,
    NoValueYet,
)
from bridge.values.value_type import Value
from tests.bridge.made_guest import COURIER, tidewright
from tests.bridge.made_machine import make

TRUE, FALSE = True, False


def stepped(machine: FrameFunction, arguments: Sequence[Value | None], frame: int) -> Any:
    """The value of a frame that is taken; its absence as a text."""
    try:
        value: Any = machine.step(arguments, frame)
    except NoValueYet as fault:
        value = str(fault)
    except NoArgument as fault:
        value = ("no argument", fault.position)
    machine.commit()
    return value


def play(function: str, frames: Sequence[tuple[int, Any]], constant: int = 0) -> list[Any]:
    machine = make(function, "f(x)", constant)
    return [
        stepped(machine, value if isinstance(value, tuple) else (value,), number)
        for number, value in frames
    ]


def numbered(*values: Any) -> list[tuple[int, Any]]:
    return list(enumerate(values, 1))


NO_PREVIOUS = "f(x): there is no value a frame ago"
NEVER_TRUE = "f(x): has not been true yet"
NO_VALUE = "f(x): there has been no value yet"
NONE = ("no argument", 0)


@pytest.mark.parametrize(
    ("function", "values", "expected"),
    [
        ("previous", [1, 2, None, 3, 4], [NO_PREVIOUS, 1, 2, NO_PREVIOUS, 3]),
        ("previous", ["a", "b"], [NO_PREVIOUS, "a"]),
        ("change", [1, 4, None, 3, 2.5], [NO_PREVIOUS, 3, NONE, NO_PREVIOUS, -0.5]),
        ("change", [TRUE, FALSE], [NO_PREVIOUS, -1]),
        ("frames_since", [FALSE, TRUE, FALSE, None, 0, 7], [NEVER_TRUE, 0, 1, NONE, 3, 0]),
        ("frames_of", [TRUE, TRUE, FALSE, 1, None, 1], [1, 2, 0, 1, NONE, 1]),
        ("count", [TRUE, FALSE, TRUE, TRUE, None, TRUE, FALSE, TRUE], [0, 0, 1, 1, 1, 1, 1, 2]),
        ("highest", [None, 3, 1, None, 5], [NO_VALUE, 3, 3, 3, 5]),
        ("lowest", [None, 3, 1, None, 5], [NO_VALUE, 3, 1, 1, 1]),
        (
            "latest",
            [(5, FALSE), (6, TRUE), (7, FALSE), (None, TRUE), (8, None), (9, TRUE)],
            ["f(x): there is no such value yet", 6, 6, 6, 6, 9],
        ),
    ],
)
def test_scripted_frames(function: str, values: list[Any], expected: list[Any]) -> None:
    assert play(function, numbered(*values)) == expected


def test_an_average_is_of_the_last_values() -> None:
    assert play("average", numbered(None, 1, 2, None, 6, 10), 3) == [NO_VALUE, 1, 1.5, 1.5, 3, 6]


def test_an_average_does_not_drift() -> None:
    values = [1e16, *([1.0] * 50)]
    assert play("average", numbered(*values), 2)[-1] == 1.0


def test_counts_go_by_the_game_s_own_frames() -> None:
    frames = [(10, TRUE), (11, FALSE), (15, FALSE), (20, TRUE), (24, TRUE)]
    assert play("frames_since", frames) == [0, 1, 5, 0, 0]
    assert play("frames_of", frames) == [1, 0, 0, 1, 5]


def test_a_change_that_is_no_number_is_an_error() -> None:
    machine = make("change", "f(x)", 0)
    stepped(machine, (-1e308,), 1)
    with pytest.raises(ArithmeticError):
        machine.step((1e308,), 2)
    machine.commit()
    assert stepped(machine, (1e308,), 3) == 0.0


ALL = [
    *("previous", "change", "frames_since", "frames_of", "latest", "count"),
    *("highest", "lowest", "average"),
]


@pytest.mark.parametrize("function", ALL)
def test_clear_forgets_everything(function: str) -> None:
    frames = [(n, (value, value) if function == "latest" else value) for n, value in
              enumerate([3, 0, 5, None, 2], 1)]  # fmt: skip
    fresh = play(function, frames, 3)
    machine = make(function, "f(x)", 3)
    for _ in range(2):
        machine.clear()
        arguments = [v if isinstance(v, tuple) else (v,) for _, v in frames]
        again = [stepped(machine, a, n) for a, (n, _) in zip(arguments, frames, strict=True)]
        assert again == fresh


class Model:
    """All arguments of all frames that were taken, and each function by its definition."""

    def __init__(self, constant: int) -> None:
        self.frames: list[tuple[int, Any, Any]] = []
        self.constant = constant

    def value(self, function: str) -> Any:
        frames = self.frames
        number, now, _ = frames[-1]
        values = [x for _, x, _ in frames if x is not None]
        if function in ("previous", "change"):
            before = frames[-2][1] if len(frames) > 1 else None
            if before is None:
                return NO_PREVIOUS
            if function == "previous":
                return before
            return NONE if now is None else now - before
        if function == "frames_since":
            true = [n for n, x, _ in frames if x]
            return NONE if now is None else number - true[-1] if true else NEVER_TRUE
        if function == "frames_of":
            if now is None:
                return NONE
            run = 0
            while run < len(frames) and frames[-1 - run][1]:
                run += 1
            return number - frames[-run][0] + 1 if run else 0
        if function == "latest":
            taken = [x for _, x, c in frames if c and x is not None]
            return taken[-1] if taken else "f(x): there is no such value yet"
        if function == "count":
            truths = [bool(x) for x in values]
            return sum(b and not a for a, b in itertools.pairwise(truths))
        if not values:
            return NO_VALUE
        if function == "average":
            return math.fsum(values[-self.constant :]) / len(values[-self.constant :])
        return max(values) if function == "highest" else min(values)


ARGUMENT = st.one_of(st.none(), st.integers(-3, 3), st.sampled_from([0.5, -2.25]))


@settings(max_examples=300, deadline=None)
@given(
    st.sampled_from(ALL),
    st.integers(1, 4),
    st.lists(
        st.tuples(
            st.integers(1, 4),
            ARGUMENT,
            st.sampled_from([None, True, False]),
            st.lists(st.tuples(ARGUMENT, st.sampled_from([None, True, False])), max_size=2),
            st.integers(0, 12).map(lambda n: n == 0),
        ),
        max_size=25,
    ),
)
def test_against_the_model(function: str, constant: int, script: list[Any]) -> None:
    """With frames left out, samples that are torn and taken again, and resets of the guest."""
    machine, model, number = make(function, "f(x)", constant), Model(constant), 0
    for ahead, value, condition, torn, reset in script:
        if reset:
            machine.clear()
            model.frames.clear()
        number += ahead
        for torn_value, torn_condition in torn:
            try:
                machine.step(arguments(function, torn_value, torn_condition), number)
            except (NoArgument, NoValueYet):
                pass
        model.frames.append((number, value, condition))
        found = stepped(machine, arguments(function, value, condition), number)
        expected = model.value(function)
        assert found == (pytest.approx(expected) if isinstance(expected, float) else expected)


def arguments(function: str, value: Any, condition: Any) -> tuple[Any, ...]:
    return (value, condition) if function == "latest" else (value,)


@pytest.mark.parametrize("whole", [True, False])
def test_state_moves_on_even_in_a_branch_that_is_not_taken(whole: bool) -> None:
    guest = tidewright()
    watches = {"w": "count(courier.depth > 0) if courier.small else 0", "p": "previous(w)"}
    run = guest.run(watches, whole=whole)
    found = []
    for number, (depth, small) in enumerate([(-1, 0), (1, 0), (-1, 0), (1, 1)]):
        guest.poke(COURIER + 0x1E, "h", depth)
        guest.poke(COURIER + 3, "B", small)
        run.frame(number, commit=False)  # torn
        run.frame(number)
        found.append((run["w"].value, run["p"].value))
    assert found == [(0, None), (0, 0), (0, 0), (2, 0)]


@pytest.mark.parametrize("whole", [True, False])
def test_an_absent_argument_gives_its_own_reason(whole: bool) -> None:
    guest = tidewright()
    watches = {
        "c": "change(head.word)",
        "s": "frames_since(head.word == 7)",
        "h": "highest(head.word)",
    }
    run = guest.run(watches, whole=whole)
    run.frame(1)
    guest.poke(0x8000_0100, "I", 0)
    run.frame(2)
    assert (run["c"].reason, run["s"].reason, run["h"].value) == ("head is null", "head is null", 7)
    run.evaluator.clear()
    run.frame(3)
    assert run["h"].reason == "highest(head.word): there has been no value yet"
