"""How values are written: against numpy's shortest binary32 text and worked examples."""

from __future__ import annotations

import struct

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from bridge.readings.reading import Reading, Watch
from bridge.values.status import Status
from bridge.values.value_type import (
    BOOLEAN,
    FLOAT,
    INTEGER,
    TEXT,
    Kind,
    Value,
    ValueType,
    shortest_single,
    show_value,
)

F32 = ValueType(Kind.FLOAT, 32, True, name="f32")
F64 = ValueType(Kind.FLOAT, 64, True, name="f64")
U16 = ValueType(Kind.INTEGER, 16, name="u16")
U5 = ValueType(Kind.INTEGER, 5, name="u32 bits 0 to 4")
S16 = ValueType(Kind.INTEGER, 16, True, name="s16")
POINTER = ValueType(Kind.INTEGER, 32, address=True, name="Actor*")
ANGLE = ValueType(Kind.INTEGER, 16, angle=True, name="angle16")
ENUM = ValueType(Kind.INTEGER, 16, members={1: "courier", 2: "lantern"}, name="ActorKind")
FLAGS = ValueType(Kind.INTEGER, 32, flags={0: "visible", 3: "carried"}, name="ActorFlags")


@settings(max_examples=2000, deadline=None)
@given(st.integers(0, (1 << 32) - 1))
@example(0x00000001)
@example(0x007FFFFF)
@example(0x00800000)
@example(0x7F7FFFFF)
@example(0x80000000)
@example(0x4B800001)
@example(0x5D5E0B6B)
def test_the_shortest_single_is_numpy_s(bits: int) -> None:
    """numpy's float32 text is the shortest that reads back (its "unique" Dragon4 mode)."""
    (value,) = struct.unpack(">f", bits.to_bytes(4, "big"))
    if value != value or abs(value) == float("inf"):
        assert shortest_single(value) == str(value)
        return
    text = shortest_single(value)
    expected = np.format_float_positional(np.float32(value), unique=True, trim="0")
    scientific = np.format_float_scientific(np.float32(value), unique=True, trim="0")
    assert np.float32(text) == np.float32(value)
    digits = text.lower().partition("e")[0].replace(".", "").replace("-", "").strip("0")
    assert len(digits) <= len(
        scientific.partition("e")[0].replace(".", "").replace("-", "").strip("0")
    )
    assert float(text) in (float(expected), float(scientific)) or len(digits) < 9


@pytest.mark.parametrize(
    ("value", "kind", "show", "text"),
    [
        (42, INTEGER, "", "42"),
        (0.1, FLOAT, "", "0.1"),
        (0.10000000149011612, F32, "", "0.1"),
        (0.10000000149011612, F64, "", "0.10000000149011612"),
        (16777216.0, F32, "", "16777216.0"),
        (1e20, F32, "decimal", "1e+20"),
        (True, BOOLEAN, "", "true"),
        (False, BOOLEAN, "decimal", "false"),
        ("Wren", TEXT, "", "Wren"),
        (0x2B6D, U16, "hex", "0x2B6D"),
        (5, U16, "hex", "0x0005"),
        (5, U5, "hex", "0x05"),
        (5, U5, "binary", "0b00101"),
        (-1, S16, "hex", "0xFFFF"),
        (-5, INTEGER, "hex", "-0x5"),
        (5, INTEGER, "hex", "0x5"),
        (-5, INTEGER, "binary", "-0b101"),
        (0, INTEGER, "hex", "0x0"),
        (1.5, F32, "hex", "0x3FC00000"),
        (1.5, F64, "hex", "0x3FF8000000000000"),
        (-0.0, F32, "binary", "0b1" + "0" * 31),
        (1.5, FLOAT, "hex", "0x1.8000000000000p+0"),
        (0x80001000, POINTER, "", "0x80001000"),
        (0, POINTER, "", "0x00000000"),
        (0x80001000, POINTER, "decimal", "2147487744"),
        (0x4000, ANGLE, "degrees", "90.00°"),
        (0x4000, ANGLE, "", "16384"),
        (0xFFFF, ANGLE, "degrees", "359.99°"),
        (2.5, FLOAT, "fixed:0", "2"),
        (1 / 3, FLOAT, "fixed:3", "0.333"),
        (7, INTEGER, "fixed:2", "7.00"),
        (2, ENUM, "", "lantern"),
        (2, ENUM, "name", "lantern"),
        (2, ENUM, "decimal", "2"),
        (9, ENUM, "", "9"),
        (9, FLAGS, "", "visible, carried"),
        (0x13, FLAGS, "", "visible, 0x12"),
        (0, FLAGS, "name", "none"),
        (9, FLAGS, "hex", "0x00000009"),
        (float("nan"), F32, "", "nan"),
        (float("-inf"), F64, "", "-inf"),
        (float("nan"), FLOAT, "fixed:2", "nan"),
    ],
)
def test_how_a_value_is_shown(value: Value, kind: ValueType, show: str, text: str) -> None:
    assert show_value(value, kind, show) == text


@pytest.mark.parametrize("show", ["", "decimal", "hex", "binary", "degrees", "fixed:2"])
def test_the_largest_whole_number_can_be_shown_in_every_way(show: str) -> None:
    for value in ((1 << 1024) - 1, 1 - (1 << 1024)):
        assert show_value(value, INTEGER, show)


@pytest.mark.parametrize(
    ("status", "value", "json_value", "text"),
    [
        (Status.OK, 5, 5, "5"),
        (Status.OK, "Wren", "Wren", "Wren"),
        (Status.OK, True, True, "true"),
        (Status.NULL, None, None, ""),
        (Status.ERROR, float("nan"), None, "nan"),
        (Status.ERROR, float("inf"), None, "inf"),
    ],
)
def test_a_reading_in_json(
    status: Status, value: Value | None, json_value: object, text: str
) -> None:
    kind = TEXT if isinstance(value, str) else F32 if isinstance(value, float) else INTEGER
    reading = Reading(Watch("w", "", "x", kind), status, value, 16, "why")
    assert reading.as_json() == {
        "watch": "w",
        "status": str(status),
        "value": json_value,
        "text": text,
        "address": 16,
        "target": None,
        "reason": "why",
    }
