"""What is expected of one reading, and whether a reading is so."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.readings.reading import Reading
from bridge.values import target
from bridge.values.status import Status
from bridge.values.target import Target
from bridge.values.value_type import Kind, Value, ValueType, show_value
from schemas.expect_file import ExpectTable

__all__ = ["Expectation", "Verdict", "expectation", "found_words"]


@dataclass(frozen=True, slots=True)
class Expectation:
    """What a watch or an expression should give: its status, and beside it a value or a text."""

    expression: str
    status: Status
    target: Target | None = None
    text: str | None = None

    @property
    def words(self) -> str:
        """What is expected, in words: ``held_kind = lantern, freed``."""
        told = []
        if self.target is not None:
            told.append(self.target.text)
        if self.text is not None:
            told.append(f'text "{self.text}"')
        if self.status is not Status.OK or not told:
            told.append(str(self.status))
        return f"{self.expression} = {', '.join(told)}"

    def holds(self, reading: Reading) -> bool:
        """Whether a reading is as it should be."""
        if reading.status is not self.status:
            return False
        value = reading.value
        if self.target is not None and (value is None or not self.target.hit(value)):
            return False
        return self.text is None or reading.text == self.text


@dataclass(frozen=True, slots=True)
class Verdict:
    """An expectation that was looked at; ``line`` is where it stands, ``found`` what there was.

    ``path`` names it: the moment, and the watch or expression.
    """

    path: tuple[str, str]
    line: int
    expected: str
    found: str
    passed: bool


def expectation(table: ExpectTable, kind: ValueType) -> Expectation:
    """The expectation of a file about a watch or expression of type *kind*.

    Raises ValueError with the reason where no value of that type could be as is expected.
    """
    aim: Target | None = None
    if table.value is not None:
        aim = target.equals(table.value, kind)
    elif table.between is not None:
        aim = target.between(*table.between, kind)
    elif table.near is not None:
        assert table.within is not None
        aim = target.near(table.near, table.within, kind)
    return Expectation(table.expression, Status(table.status or "ok"), aim, table.text)


def found_words(expected: Expectation, reading: Reading) -> str:
    """What a reading gave, in words that can be held against what was expected."""
    value = reading.value if reading.status.has_value else None
    told = []
    if value is not None:
        if expected.target is not None or expected.text is None:
            told.append(_exact(value, reading.watch.type))
        if expected.text is not None:
            told.append(f'text "{reading.text}"')
    if reading.status is not Status.OK:
        told.append(str(reading.status))
    words = ", ".join(told)
    unexpected = reading.reason and reading.status is not expected.status
    return f"{words}: {reading.reason}" if unexpected else words


def _exact(value: Value, kind: ValueType) -> str:
    """The value without a loss: a name's number stands beside it."""
    shown = show_value(value, kind, "")
    if kind.kind is Kind.INTEGER and not kind.address and shown != str(value):
        return f"{shown} ({value})"
    return shown
