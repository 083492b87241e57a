"""tally(x, when): counts by value at the moments when became true."""

from __future__ import annotations

import itertools
from collections import Counter
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.expressions.frame_functions.frame_function import NoValueYet
from bridge.expressions.frame_functions.tally import MAX_VALUES, Tally
from bridge.values.value_type import FLOAT, TEXT, Value
from schemas.errors import ExpressionError
from tests.bridge.made_guest import COURIER, tidewright
from tests.bridge.made_machine import make

NOTHING = "f(x): there has been no such moment yet"


def play(*frames: tuple[Value | None, Value | None]) -> list[tuple[Any, Any]]:
    """The value in each frame, and what was counted in it."""
    machine = make("tally", "f(x)", 0)
    assert isinstance(machine, Tally)
    found: list[tuple[Any, Any]] = []
    for number, frame in enumerate(frames, 1):
        try:
            value: Any = machine.step(frame, number)
        except NoValueYet as fault:
            value = str(fault)
        machine.commit()
        found.append((value, machine.moment))
    return found


def test_scripted_frames() -> None:
    assert play((5, True), (5, False), (6, True), (7, True), (7, None), (8, True), (9, False)) == [
        # true in the first frame: it was not seen to become true
        (NOTHING, None),
        (NOTHING, None),
        (6, (6,)),
        (6, None),
        # without a value a condition neither holds nor ends
        (6, None),
        (6, None),
        (6, None),
    ]


def test_the_commonest_value_and_the_earlier_of_two() -> None:
    frames: list[tuple[Value | None, Value | None]] = []
    for value in (1, 2, 2, 1, 1):
        frames += [(0, False), (value, True)]
    assert [value for value, _ in play(*frames)][1::2] == [1, 1, 2, 2, 1]


def test_a_moment_without_a_value_is_counted_as_one() -> None:
    assert play((None, False), (None, True), (3, False), (3, True)) == [
        (NOTHING, None),
        (NOTHING, (None,)),
        (NOTHING, None),
        (3, (3,)),
    ]


def test_a_frame_that_is_sampled_twice_counts_once() -> None:
    machine = make("tally", "f(x)", 0)
    assert isinstance(machine, Tally)
    for frame in [(4, False), (4, True)]:
        for _ in range(3):
            try:
                machine.step(frame, 1)
            except NoValueYet:
                assert frame == (4, False)
        machine.commit()
    assert machine._counts == {"4": 1}


def test_zeros_are_told_apart() -> None:
    machine = make("tally", "f(x)", 0)
    assert isinstance(machine, Tally)
    for value in (0.0, -0.0):
        for frame in [(value, False), (value, True)]:
            try:
                machine.step(frame, 1)
            except NoValueYet:
                assert frame == (0.0, False)
            machine.commit()
    assert machine._counts == {"0.0": 1, "-0.0": 1}


def test_memory_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    assert MAX_VALUES == 0x10000
    monkeypatch.setattr("bridge.expressions.frame_functions.tally.MAX_VALUES", 3)
    machine = make("tally", "f(x)", 0)
    assert isinstance(machine, Tally)
    for value in range(10):
        for condition in (False, True):
            try:
                machine.step((value, condition), 1)
            except NoValueYet:
                assert (value, condition) == (0, False)
            machine.commit()
    assert len(machine._counts) == 3


@given(st.lists(st.tuples(st.sampled_from([None, 1, 2, 3]), st.sampled_from([None, False, True]))))
def test_against_a_counter(frames: list[tuple[int | None, bool | None]]) -> None:
    known = [condition for _, condition in frames if condition is not None]
    rising = sum(now and not before for before, now in itertools.pairwise(known))
    found = play(*frames)
    moments = [moment[0] for _, moment in found if moment is not None]
    assert len(moments) == rising
    counts = Counter(value for value in moments if value is not None)
    if counts:
        assert counts[found[-1][0]] == max(counts.values())
    elif found:
        assert found[-1][0] == NOTHING


@pytest.mark.parametrize("whole", [True, False])
def test_in_an_expression(whole: bool) -> None:
    guest = tidewright()
    run = guest.run({"t": "tally(low(courier.word), step < 0)"}, whole=whole)
    guest.poke(0x8000_0130, "i", 1)
    run.frame(1)
    assert run["t"].reason.endswith("there has been no such moment yet")
    guest.poke(0x8000_0130, "i", -1)
    guest.poke(COURIER + 0x28, "I", 0x1234_5678)
    run.frame(2)
    assert run["t"].value == 0x5678
    assert run.evaluator.moments() == [("tally(low(courier.word), step < 0)", 0x5678)]
    run.frame(3)
    assert run.evaluator.moments() == []


def test_it_gives_what_its_value_is() -> None:
    guest = tidewright()
    assert guest.type_of("tally(courier.name, step < 0)").kind is TEXT.kind
    assert guest.type_of("tally(courier.position.x, step < 0)").kind is FLOAT.kind
    assert guest.type_of("tally(courier.facing, step < 0)").angle
    with pytest.raises(ExpressionError) as caught:
        guest.type_of("tally(1, courier.name)")
    assert caught.value.detail == "is a text, expected a number"
