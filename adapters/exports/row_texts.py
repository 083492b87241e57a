"""The texts of a column's values: equal ones, as most are from frame to frame, are made once."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from bridge.querying.rows import Column
from bridge.values.value_type import Kind

__all__ = ["ColumnTexts"]

_MAX_KEPT = 1 << 16


class ColumnTexts:
    """Makes the texts of one column by *made*; *absent* stands where there is no value."""

    def __init__(self, made: Callable[[Any], str], absent: str) -> None:
        self._made = made
        self._absent = absent
        self._known: dict[Any, str] = {}

    def of(self, column: Column) -> list[str]:
        """A text a row."""
        known, values = self._known, column.values.tolist()
        if len(known) > _MAX_KEPT:
            known.clear()
        keys = values
        if column.kind is Kind.FLOAT:
            # by their bits, since 0.0 and -0.0 are equal
            keys = column.values.view(np.int64).tolist()
        texts: list[str] = []
        for key, value in zip(keys, values, strict=True):
            text = known.get(key)
            if text is None:
                text = known[key] = self._made(value)
            texts.append(text)
        there = column.there
        if not there.all():
            for row in np.flatnonzero(~there).tolist():
                texts[row] = self._absent
        return texts
