"""What pages show of a value, and how much room a watch's own widest text needs."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.words.page_text import LONGEST, Rooms, cut, room_of, shown_text
from adapters.words.readings import to_go
from bridge.readings.reading import Reading, Watch
from bridge.values.status import Status
from bridge.values.target import equals, near
from bridge.values.value_type import BOOLEAN, FLOAT, INTEGER, TEXT, Kind, Value, ValueType

U8 = ValueType(Kind.INTEGER, 8, name="u8")
S16 = ValueType(Kind.INTEGER, 16, signed=True, name="s16")
U32 = ValueType(Kind.INTEGER, 32, name="u32")
U64 = ValueType(Kind.INTEGER, 64, name="u64")
F32 = ValueType(Kind.FLOAT, 32, name="f32")
ANGLE = ValueType(Kind.INTEGER, 16, angle=True, name="angle16")
ACTOR = ValueType(Kind.INTEGER, 16, members={1: "courier", 2: "lantern"}, name="ActorKind")
LAYOUT = ValueType(Kind.INTEGER, layout=True, name="int")


def watch(kind: ValueType, show: str = "", **more: object) -> Watch:
    return Watch("oil", "", "courier.oil", kind, show, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("value", "kind", "show", "expected"),
    [
        (12345678901234567890, INTEGER, "", "12345678901234567890"),
        (123456789012345678901, INTEGER, "", "1.2346e20"),
        (-(10**60), INTEGER, "", "-1e60"),
        (12345 * 10**56, INTEGER, "hex", "1.2345e60"),
        (10**60, INTEGER, "fixed:2", "1e60"),
        (10**60, INTEGER, "degrees", "5.4932e57°"),
        (2**64 - 1, U64, "", "18446744073709551615"),
        (2**64 - 1, U64, "binary", "0b" + 64 * "1"),
        (1e60, FLOAT, "fixed:2", "1e60"),
        (0.1 + 0.2, FLOAT, "", "0.3"),
        (1 / 3, FLOAT, "", "0.333333333"),
        (-1.5e300, FLOAT, "", "-1.5e300"),
        (math.inf, FLOAT, "", "inf"),
        (27.440353393554688, F32, "", "27.440353"),
        (2, ACTOR, "", "lantern"),
        (True, BOOLEAN, "", "true"),
        ("9" * 61, TEXT, "", "9" * 61),
    ],
)
def test_a_number_is_cut_to_significant_digits(
    value: Value, kind: ValueType, show: str, expected: str
) -> None:
    assert shown_text(Reading(watch(kind, show), Status.OK, value)) == expected


@given(st.integers(min_value=10**20, max_value=10**400) | st.integers(max_value=-(10**20)))
def test_what_is_cut_is_the_number_to_five_digits(number: int) -> None:
    """Against the same digits by exact arithmetic."""
    text = shown_text(Reading(watch(INTEGER), Status.OK, number))
    assert len(text) <= LONGEST
    if "e" not in text:
        assert int(text) == number
        return
    digits, exponent = text.split("e")
    found = Decimal(digits).scaleb(int(exponent))
    assert abs(int(found) - number) * 2 <= 10 ** (int(exponent) - 4)


def test_a_distance_is_cut_as_well() -> None:
    far = Reading(watch(FLOAT, "fixed:2", target=near(0, 1, FLOAT)), Status.OK, 1e60)
    assert to_go(far) == "-1e60"
    assert cut(123456e70, sign=True) == "+1.2346e75"


@pytest.mark.parametrize(
    ("kind", "show", "expected"),
    [
        (U8, "", "255"),
        (S16, "", "-32768"),
        (U32, "", "4294967295"),
        (U32, "hex", "0x00000000"),
        (U8, "binary", "0b00000000"),
        (INTEGER, "", "-0000000"),
        (INTEGER, "fixed:1", "-0000000.0"),
        (FLOAT, "fixed:2", "-00000.00"),
        (FLOAT, "", "-00000.0000"),
        (F32, "hex", "0x00000000"),
        (ANGLE, "degrees", "359.99°"),
        (ACTOR, "", "courier"),
        (LAYOUT, "", "differs at block 00"),
        (BOOLEAN, "", "false"),
        (TEXT, "", "000000000000"),
    ],
)
def test_the_widest_sensible_value(kind: ValueType, show: str, expected: str) -> None:
    assert room_of(watch(kind, show)).value == expected


@pytest.mark.parametrize(
    ("made", "expected"),
    [
        (watch(U32), "offline 59 min"),
        (watch(FLOAT, "fixed:2", target=near(120, 0.5, FLOAT)), "+00000.00 to go"),
        (watch(U32, target=equals(7, U32)), "+4294967295 to go"),
        (watch(ANGLE, "degrees", target=near(90, 1, ANGLE)), "offline 59 min"),
        (watch(ACTOR, target=equals("lantern", ACTOR)), "offline 59 min"),
        (watch(TEXT, target=equals("the harbour", TEXT)), "wants the harbour"),
    ],
)
def test_the_widest_sensible_words(made: Watch, expected: str) -> None:
    assert room_of(made).words == expected


def test_a_room_is_worked_out_once_and_kept_no_longer_than_its_watch() -> None:
    """Each question of a page has a watch of its own: of a thousand, nothing is left."""
    rooms, stays = Rooms(), Watch("oil", "", "oil", INTEGER)
    room = rooms.of(stays)
    for n in range(1000):
        asked = Watch("", "", f"oil * {n}", INTEGER)
        assert rooms.of(asked) == room_of(asked)
    del asked
    assert rooms.of(stays) is room
    assert len(rooms) == 1
