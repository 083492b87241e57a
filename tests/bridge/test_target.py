"""Targets: what is a hit, and how far there is to go."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.readings.frame import Frame
from bridge.readings.reading import Reading, Watch
from bridge.values.status import Status
from bridge.values.target import Target, as_stored, between, equals, near
from bridge.values.value_type import BOOLEAN, FLOAT, INTEGER, TEXT, Kind, Value, ValueType

F32 = ValueType(Kind.FLOAT, 32, True, name="f32")
F64 = ValueType(Kind.FLOAT, 64, True, name="f64")
U8 = ValueType(Kind.INTEGER, 8, name="u8")
S16 = ValueType(Kind.INTEGER, 16, True, name="s16")
ANGLE = ValueType(Kind.INTEGER, 16, angle=True, name="angle16")
ENUM = ValueType(Kind.INTEGER, 16, members={1: "courier", 2: "lantern"}, name="ActorKind")
FLAGS = ValueType(Kind.INTEGER, 16, flags={0: "lit"}, name="Flags")


def single(value: float) -> float:
    """The IEEE 754 binary32 nearest to *value*, as Python's struct stores it."""
    stored: float = struct.unpack(">f", struct.pack(">f", value))[0]
    return stored


@pytest.mark.parametrize(
    ("target", "value", "hit", "distance"),
    [
        (equals(0x2B6D, INTEGER), 0x2B6D, True, 0),
        (equals(10, INTEGER), 7, False, 3),
        (equals(10, S16), 12, False, -2),
        (equals(0.1, F32), single(0.1), True, 0),
        (equals(0.1, F64), 0.1, True, 0),
        (equals(0.1, FLOAT), single(0.1), False, 0.1 - single(0.1)),
        (equals(5, FLOAT), 5.0, True, 0),
        (equals("lantern", ENUM), 2, True, None),
        (equals("lantern", ENUM), 1, False, None),
        (equals(2, ENUM), 2, True, None),
        (equals(1, FLAGS), 1, True, None),
        (equals("Wren", TEXT), "Wren", True, None),
        (equals("Wren", TEXT), "wren", False, None),
        (equals(True, BOOLEAN), True, True, None),
        (equals(0, BOOLEAN), True, False, None),
        (equals(False, BOOLEAN), False, True, None),
        (equals(True, U8), 1, True, None),
        (between(1, 3, INTEGER), 1, True, 0),
        (between(1, 3, INTEGER), 3, True, 0),
        (between(1, 3, INTEGER), 0, False, 1),
        (between(1, 3, INTEGER), 5, False, -2),
        (between(0.1, 0.3, F32), single(0.3), True, 0),
        (between(0.1, 0.3, F32), single(0.1), True, 0),
        (near(120.0, 0.5, FLOAT), 120.5, True, -0.5),
        (near(120.0, 0.5, FLOAT), 119.0, False, 1.0),
        (near(5, 0, INTEGER), 5, True, 0),
        (near(0.1, 0, F32), single(0.1), True, pytest.approx(0, abs=1e-8)),
        (near(1.0, 0.3, F32), single(0.7), True, pytest.approx(0.3)),
        (near(1.0, 0.3, F32), single(1.3), True, pytest.approx(-0.3)),
        # a binary angle wraps at one turn
        (equals(0, ANGLE), 0xFFFF, False, 1),
        (equals(0xFFFF, ANGLE), 0, False, -1),
        (equals(0x8000, ANGLE), 0, False, -0x8000),
        (near(0, 2, ANGLE), 0xFFFE, True, 2),
        (near(0, 2, ANGLE), 0xFFFD, False, 3),
        (near(0xFFFF, 2, ANGLE), 1, True, -2),
        (near(0, 0x8000, ANGLE), 0x4000, True, -0x4000),
        (between(0xFFF0, 0x10, ANGLE), 0, True, 0),
        (between(0xFFF0, 0x10, ANGLE), 0x10, True, 0),
        (between(0xFFF0, 0x10, ANGLE), 0x11, False, -1),
        (between(0xFFF0, 0x10, ANGLE), 0xFFE0, False, 0x10),
        (between(0x10, 0x20, ANGLE), 0, False, 0x10),
        (between(0x10, 0x20, ANGLE), 0xFFFF, False, 0x11),
        (between(0, 0xFFFF, ANGLE), 0x1234, True, 0),
    ],
)
def test_hits_and_distances(target: Target, value: Value, hit: bool, distance: object) -> None:
    assert target.hit(value) is hit
    assert target.distance(value) == distance


@pytest.mark.parametrize(
    ("target", "text"),
    [
        (equals(0.1, F32), "0.1"),
        (equals(17, U8), "17"),
        (equals("lantern", ENUM), "lantern"),
        (equals(True, BOOLEAN), "true"),
        (between(0.1, 0.3, F32), "0.1 to 0.3"),
        (between(0xFFF0, 0x10, ANGLE), "65520 to 16"),
        (near(120.0, 0.5, F32), "120.0 ± 0.5"),
    ],
)
def test_a_target_has_a_text(target: Target, text: str) -> None:
    assert target.text == text


REFUSED = [
    (lambda: equals("crate", ENUM), "crate is not one of courier, lantern"),
    (lambda: equals("x", INTEGER), "expected a value of type int, found 'x'"),
    (lambda: equals(5, TEXT), "expected a value of type text, found 5"),
    (lambda: equals(2, BOOLEAN), "expected true or false, found 2"),
    (lambda: equals(256, U8), "256 is outside 0 to 255, all that u8 can hold"),
    (lambda: equals(-1, ANGLE), "-1 is outside 0 to 65535, all that angle16 can hold"),
    (lambda: equals(1e39, F32), "1e+39 is outside the range of f32"),
    (lambda: equals(float("nan"), FLOAT), "expected a finite number, found nan"),
    (lambda: equals(0.5, U8), "0.5 is not a whole number, which u8 always is"),
    (lambda: equals(0.5, INTEGER), "0.5 is not a whole number, which int always is"),
    (lambda: between(3, 1, INTEGER), "the range from 3 to 1 is empty"),
    (lambda: between(1, float("inf"), FLOAT), "expected a finite number, found inf"),
    (lambda: between(1, 2, ENUM), "a value of type ActorKind has no distances; use equals"),
    (lambda: near(1, 1, FLAGS), "a value of type Flags has no distances; use equals"),
    (lambda: near(1, 1, TEXT), "a value of type text has no distances; use equals"),
    (lambda: near(1, 1, BOOLEAN), "a value of type bool has no distances; use equals"),
    (lambda: near(1, -1, FLOAT), "within must not be negative, found -1"),
    (lambda: near(float("nan"), 1, FLOAT), "expected a finite number, found nan"),
    (lambda: near(1, float("nan"), FLOAT), "expected a finite number, found nan"),
]


@pytest.mark.parametrize(("make", "message"), REFUSED, ids=[m for _, m in REFUSED])
def test_what_no_value_can_reach_is_refused(make, message: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError) as caught:
        make()
    assert str(caught.value) == message


def test_the_distance_to_a_whole_number_beyond_every_float_does_not_fail() -> None:
    far = (1 << 1024) - 1
    assert near(1.0, 1.0, INTEGER).hit(far) is False
    assert near(1.0, 1.0, INTEGER).distance(far) is not None


def test_a_decimal_becomes_what_can_be_stored() -> None:
    assert as_stored(0.1, F32) == single(0.1)
    assert as_stored(0.1, F64) == 0.1
    assert as_stored(7, U8) == 7


# a binary angle's distance against its definition: the one whole number from -32768 to 32767 that
# leads from the value to the aim, modulo one turn

ANGLES = st.integers(0, 0xFFFF)


@given(ANGLES, ANGLES)
def test_the_way_to_an_angle_is_the_shortest(aim: int, value: int) -> None:
    target = equals(aim, ANGLE)
    distance = target.distance(value)
    assert distance is not None
    assert (value + distance) % 0x10000 == aim
    assert -0x8000 <= distance < 0x8000
    assert target.hit(value) is (distance == 0)


@given(ANGLES, st.integers(0, 0x7FFF), ANGLES)
def test_near_an_angle_is_a_distance_at_most_within(aim: int, within: int, value: int) -> None:
    target = near(aim, within, ANGLE)
    distance = target.distance(value)
    assert distance is not None
    assert (value + distance) % 0x10000 == aim
    assert target.hit(value) is (abs(distance) <= within)


@given(ANGLES, ANGLES, ANGLES)
def test_between_angles_runs_upwards_from_the_first(lowest: int, highest: int, value: int) -> None:
    target = between(lowest, highest, ANGLE)
    inside = {angle % 0x10000 for angle in (lowest, highest)}
    span = (highest - lowest) % 0x10000
    hit = (value - lowest) % 0x10000 <= span
    assert target.hit(value) is hit
    distance = target.distance(value)
    assert distance is not None
    if hit:
        assert distance == 0
        return
    assert (value + distance) % 0x10000 in inside
    ways = [(end - value) % 0x10000 for end in inside]
    assert abs(distance) == min(min(way, 0x10000 - way) for way in ways)


@given(
    st.floats(-1e6, 1e6, width=32),
    st.floats(0, 1e6, width=32),
    st.floats(-1e6, 1e6, width=32),
)
def test_distances_are_in_the_watch_s_own_unit(aim: float, within: float, value: float) -> None:
    target = near(aim, within, F32)
    assert target.distance(value) == aim - value
    assert target.hit(value) is (single(aim - within) <= value <= single(aim + within))
    wide = between(min(aim, within), max(aim, within), F32)
    distance = wide.distance(value)
    assert distance is not None
    # below it leads up, above it down, and exactly to the nearer end
    assert wide.hit(value) is (distance == 0)
    if value < min(aim, within):
        assert distance == min(aim, within) - value
    elif value > max(aim, within):
        assert distance == max(aim, within) - value


@pytest.mark.parametrize("status", list(Status))
def test_a_target_is_unknown_exactly_where_there_is_no_value_now(status: Status) -> None:
    """Whatever the last value was: of a source that is gone it is no present one."""
    aimed = Watch("east", "", "east", FLOAT, target=near(120.0, 0.5, FLOAT))
    reading = Reading(aimed, status, 120.0)
    expected = "hit" if status.has_value else "unknown"
    assert reading.target == expected
    assert reading.as_json()["target"] == expected
    assert (reading.distance is None) is (expected == "unknown")
    assert Reading(aimed, status).target == "unknown"
    plain = Reading(Watch("oil", "", "oil", FLOAT), status, 120.0)
    assert (plain.target, plain.as_json()["target"]) == (None, None)


def test_a_frame_whose_source_is_gone_has_no_hit() -> None:
    aimed = Watch("east", "", "east", FLOAT, target=near(120.0, 0.5, FLOAT))
    readings = [Reading(aimed, Status.OK, 120.0)]
    frame = Frame(7, 100.0, "export", "fake", "still", lambda: readings)
    assert [reading.target for reading in frame.readings] == ["hit"]
    gone = frame.offline("the pier is gone", 101.0)
    assert [(reading.value, reading.target) for reading in gone.readings] == [(120.0, "unknown")]
    # What is only not newer is still what it was.
    assert [reading.target for reading in frame.stale("torn", 101.0).readings] == ["hit"]
