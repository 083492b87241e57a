"""A derivation's steps in words: what the guest wrote must not steer the reader's terminal."""

from __future__ import annotations

from adapters.words.derivation import step_count, step_hex, step_rows, step_text
from bridge.paths.derivation import DerivationStep
from bridge.readings.reading import Reading, Watch
from bridge.values.status import Status
from bridge.values.value_type import TEXT, Kind, ValueType

ADDRESS = ValueType(Kind.INTEGER, 32, address=True, name="address")
U32 = ValueType(Kind.INTEGER, 32, name="f32")


def reading(kind: ValueType, value: int | str | None, status: Status = Status.OK) -> Reading:
    return Reading(Watch("w", "", "w", kind), status, value, reason="" if value else "it is gone")


def test_guest_text_is_written_as_escapes() -> None:
    name = reading(TEXT, "Wren\x1b[2J\u202e")
    for kind in ("value", "result"):
        rows = step_rows(DerivationStep(kind, "courier.name", "char[12]"), None, name, "export")
        assert rows[-1][2] == "Wren\\x1b[2J\\u202e"


def test_the_bits_of_a_stored_float_are_told_as_its_value() -> None:
    """IEEE 754: 0x3FD9999A is the binary32 nearest to 1.7."""
    step, stored = DerivationStep("value", "x", "f32"), reading(U32, 0x3FD9_999A)
    assert (step_hex(step, stored), step_text(step, stored)) == ("3FD9999A", "1.7")


def test_an_index_counts_elements_and_only_where_both_addresses_are_there() -> None:
    step = DerivationStep("index", "[i]", "Parcel", 0x10)
    base, there = reading(ADDRESS, 0x8000_1000), reading(ADDRESS, 0x8000_1030)
    gone = reading(ADDRESS, None, Status.NULL)
    assert step_count(step, base, there) == 3
    assert step_count(step, base, gone) is None
    assert step_count(step, None, there) is None
    assert step_count(DerivationStep("add", ".x", "f32", 4), base, there) is None
    assert step_rows(step, base, gone, "export") == [["  [i]", "+ n × 10", "null", "it is gone"]]


def test_what_has_no_value_has_neither_digits_nor_text() -> None:
    step, gone = (
        DerivationStep("follow", "courier.held", "Actor"),
        reading(ADDRESS, None, Status.NULL),
    )
    assert (step_hex(step, gone), step_text(step, gone)) == ("", "")


INT = ValueType(Kind.INTEGER, name="int")


def test_the_lines_of_lists() -> None:
    def row(step: DerivationStep, found: Reading) -> list[str]:
        (line,) = step_rows(step, None, found, "export")
        return list(line)

    gone = reading(INT, None, Status.NULL)
    assert row(DerivationStep("list", "chain(h, 'n')", "Actor", 5), reading(INT, 5)) == [
        "chain(h, 'n')",
        "",
        "5",
        "elements, Actor",
    ]
    assert row(DerivationStep("list", "[a]", "Actor", 5), reading(INT, 2))[2] == "2 of 5"
    assert row(DerivationStep("list", "[a]", "Actor"), gone) == ["[a]", "", "null", "it is gone"]
    there = reading(ADDRESS, 0x8000_1000)
    assert row(DerivationStep("element", "[1]", "Actor", 1), there) == [
        "  [1]",
        "",
        "80001000",
        "Actor",
    ]
    assert row(DerivationStep("element", "[1]", "Actor", 3), there)[1] == "from [3]"
    assert row(DerivationStep("element", "[0]", "int"), reading(INT, 12)) == [
        "  [0]",
        "",
        "12",
        "int",
    ]
    assert row(DerivationStep("more", "", "Actor"), reading(INT, 32)) == ["  …", "", "32 more", ""]
    assert row(DerivationStep("position", "a", "chain(h, 'n')"), reading(INT, 3)) == [
        "a is element",
        "",
        "3",
        "of chain(h, 'n')",
    ]
    assert row(DerivationStep("position", "a", "chain(h, 'n')"), gone)[2:] == ["null", "it is gone"]
    assert row(DerivationStep("taken", "a", "Actor"), there) == ["a", "", "80001000", "Actor"]
    assert row(DerivationStep("block", "block(p)", "block"), there) == [
        "block(p)",
        "",
        "80001000",
        "where the block begins",
    ]
    wild = reading(TEXT, "Wren\x1b[2J")
    assert row(DerivationStep("field", ".owner", "block"), wild) == [
        "  .owner",
        "",
        "Wren\\x1b[2J",
        "",
    ]
    assert row(DerivationStep("element", "[0]", "char[8]"), wild)[2] == "Wren\\x1b[2J"
