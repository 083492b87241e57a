"""The functions of watches that search for halves and foresee writes."""

from __future__ import annotations

import pytest

from bridge.solvers.halves import value_of
from bridge.values.status import Status
from bridge.values.value_type import Kind, show_value
from schemas.errors import ExpressionError
from tests.bridge import made_guest


@pytest.fixture(scope="module")
def guest() -> made_guest.Guest:
    found = made_guest.tidewright()
    found.poke(made_guest.COURIER + 0x10, "f", 29.5)  # 0x41EC0000
    return found


@pytest.mark.parametrize("whole", [True, False])
@pytest.mark.parametrize(
    ("text", "pattern"),
    [
        ("half_below(courier.position.x, 0x2B6D)", 0x41EB_2B6D),
        ("half_above(courier.position.x, 0x2B6D)", 0x41EC_2B6D),
        ("half_below(courier.position.x, 0)", 0x41EC_0000),
        ("half_above(courier.position.x, 0)", 0x41EC_0000),
        ("half_above(courier.position.x + 1e-9, 0)", 0x41ED_0000),
        ("half_below(-courier.position.x, 0x2B6D)", 0xC1EC_2B6D),
        ("half_below(0, 1)", 0x8000_0001),
        ("half_above(10 ** 30, 0xFFFF)", 0x7149_FFFF),
        ("with_low(courier.position.x, 0x2B6D)", 0x41EC_2B6D),
        ("with_high(courier.position.x, 0x4000)", 0x4000_0000),
        ("with_low(0.1, low(courier.position.x))", 0x3DCC_0000),
        ("with_high(1, 0x8000)", 0x8000_0000),
    ],
)
def test_worked_values(guest: made_guest.Guest, text: str, pattern: int, whole: bool) -> None:
    outcome = guest.outcome(text, whole=whole)
    assert (outcome.status, outcome.value) == (Status.OK, value_of(pattern))
    # an f32 like one that was stored: as short in decimal, and with its own bits
    kind = guest.type_of(text)
    assert (kind.kind, kind.single) == (Kind.FLOAT, True)
    assert outcome.value is not None
    assert show_value(outcome.value, kind, "hex") == f"0x{pattern:08X}"


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("half_above(1e39, 5)", "half_above(1e39, 5): no f32 so high has the low half 0x0005"),
        ("half_below(-1e39, 5)", "half_below(-1e39, 5): no f32 so low has the low half 0x0005"),
        ("half_below(1, courier.word)", "a half is 0 to 0xFFFF, found 3735928559"),
        ("with_low(1e39, 5)", "with_low(1e39, 5): is outside the range of f32"),
        ("with_high(1, 0x7F80)", "with_high(1, 0x7F80): the result overflows to infinity"),
        ("with_high(1.5, 0xFFC0)", "with_high(1.5, 0xFFC0): the result is not a number"),
    ],
)
def test_what_has_no_value(guest: made_guest.Guest, text: str, reason: str) -> None:
    outcome = guest.outcome(text, whole=True)
    assert (outcome.status, outcome.value) == (Status.ERROR, None)
    assert reason in outcome.reason


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("half_below(1, 0x10000)", "a half is 0 to 0xFFFF, found 65536"),
        ("half_below(1, 1.5)", "is a float, expected a whole number"),
        ("with_low(courier.name, 1)", "is a text, expected a number"),
        ("half_above(1)", "half_above(x, want) takes 2 arguments, found 1"),
    ],
)
def test_what_is_refused_at_load(guest: made_guest.Guest, text: str, message: str) -> None:
    with pytest.raises(ExpressionError) as fault:
        guest.program({"watch": text})
    assert fault.value.detail == message
