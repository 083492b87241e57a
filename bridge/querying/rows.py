"""What a query gives: columns of values, a row a frame."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bridge.values.status import Status
from bridge.values.value_type import Kind, Value

__all__ = [
    "BLANK",
    "CODES",
    "OK",
    "STATUSES",
    "Bools",
    "Codes",
    "Column",
    "Rows",
    "column_of",
    "objects",
    "whole_numbers",
]

STATUSES: Sequence[Status] = tuple(Status)
"""By their number in a column."""
CODES: Mapping[Status, int] = {status: code for code, status in enumerate(STATUSES)}
OK = CODES[Status.OK]
BLANK: Mapping[Kind, Value] = {
    Kind.TEXT: "",
    Kind.FLOAT: 0.0,
    Kind.BOOLEAN: False,
    Kind.INTEGER: 0,
}
"""What stands where there is no value."""
_HAS_VALUE = np.array([status.has_value for status in STATUSES])

Bools = NDArray[np.bool_]
Codes = NDArray[np.int8]


@dataclass(frozen=True, slots=True)
class Column:
    """A value for each row, as int64, float64, bool or objects (texts, and whole numbers that may
    be wider), and the number of its status in ``STATUSES``.

    Where a status has no value, what stands there means nothing.
    """

    kind: Kind
    values: NDArray[Any]
    status: Codes

    @property
    def there(self) -> Bools:
        """Which rows have a value."""
        found: Bools = _HAS_VALUE[self.status]
        return found

    @property
    def true(self) -> Bools:
        """In which rows it holds: a value that is there, and is not zero."""
        return self.there & np.asarray(self.values != 0, np.bool_)

    def where(self, chosen: Bools | slice) -> Column:
        """Some of its rows."""
        return Column(self.kind, self.values[chosen], self.status[chosen])

    def given(self) -> list[Value | None]:
        """The values, None where there is none."""
        found: list[Value | None] = self.values.tolist()
        there = self.there
        if not there.all():
            for row in np.flatnonzero(~there).tolist():
                found[row] = None
        return found


@dataclass(frozen=True, slots=True)
class Rows:
    """Frames in order: the game's numbers, seconds since the Unix epoch, and the columns."""

    frames: Sequence[int]
    times: NDArray[np.float64]
    columns: Sequence[Column]

    def __len__(self) -> int:
        return len(self.frames)

    def first(self) -> Rows:
        """The first of them."""
        columns = [each.where(slice(1)) for each in self.columns]
        return Rows(self.frames[:1], self.times[:1], columns)

    def where(self, chosen: Bools) -> Rows:
        """Some of the rows."""
        if chosen.all():
            return self
        frames = [self.frames[row] for row in np.flatnonzero(chosen).tolist()]
        return Rows(frames, self.times[chosen], [each.where(chosen) for each in self.columns])


def column_of(kind: Kind, values: Sequence[Value | None], statuses: Sequence[Status]) -> Column:
    """A column of Python's values, None where there is none."""
    status = np.array([CODES[each] for each in statuses], np.int8)
    blank = BLANK[kind]
    filled = [blank if value is None else value for value in values]
    if kind is Kind.TEXT:
        return Column(kind, objects(filled), status)
    if kind is Kind.INTEGER:
        return Column(kind, whole_numbers(filled), status)
    return Column(kind, np.array(filled, np.float64 if kind is Kind.FLOAT else np.bool_), status)


def whole_numbers(values: Sequence[Any]) -> NDArray[Any]:
    """int64, or objects where one of them is wider."""
    try:
        return np.array(values, np.int64)
    except OverflowError:
        return objects(values)


def objects(values: Sequence[Any]) -> NDArray[Any]:
    """An array of Python's own objects."""
    found = np.empty(len(values), object)
    found[:] = values
    return found
