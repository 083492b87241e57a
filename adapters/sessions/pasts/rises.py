"""Where an expression turns true in a recording: evaluated a stretch at a time, and kept."""

from __future__ import annotations

import asyncio
from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from adapters.sessions.pasts.reaching import PATIENCE
from adapters.sessions.recorded_query import QuerySettings, RecordedQuery
from bridge.querying.asked import ColumnAsked
from bridge.querying.rows import Rows
from bridge.values.value_type import Kind
from schemas.errors import ExpressionError, PastNotReady, SourceError
from schemas.loader import Bridge

__all__ = ["Rises", "query_of"]


def query_of(path: Path, bridge: Bridge, text: str, *, statuses: bool) -> RecordedQuery:
    """One expression asked of a recording.  Raises ExpressionError, SourceError and its leaves."""
    settings = QuerySettings(columns=(ColumnAsked(text, text),), statuses=statuses)
    return RecordedQuery(path, settings, bridge)


class Rises:
    """The places at which *text* is true and was not in the frame before.

    ``fault`` is why the recording could not be read to its end, else empty.  Raises
    ExpressionError, SourceError and its leaves.
    """

    def __init__(self, path: Path, bridge: Bridge, text: str) -> None:
        query = query_of(path, bridge, text, statuses=False)  # which change no value
        (kind,) = query.asked.types
        if kind.kind is Kind.TEXT:
            raise ExpressionError("is a text, expected true or false", expression=text)
        self.fault = ""
        self.frames: list[int] = []
        self._rows: Iterator[Rows] | None = query.rows()
        self._places = array("Q")
        self._was = False
        self._lock = asyncio.Lock()

    async def behind(self, place: int) -> int | None:
        """The next one; None where there is none.  Raises PastNotReady."""
        await self._looked(lambda: bool(self._places) and self._places[-1] > place)
        index = bisect_right(self._places, place)
        return self._places[index] if index < len(self._places) else None

    async def before(self, place: int) -> int | None:
        """The one before; None where there is none.  Raises PastNotReady."""
        await self._looked(lambda: len(self.frames) >= place)
        index = bisect_left(self._places, place)
        return self._places[index - 1] if index else None

    def why_none(self, *, backwards: bool) -> str:
        """What there is to say where none was found."""
        if self.fault:
            return self.fault
        if self._places:
            return f"it turns true nowhere {'before' if backwards else 'behind'} this place"
        return "it has not turned true before this place" if backwards else "it is never true"

    async def _looked(self, enough: Callable[[], bool]) -> None:
        try:
            async with asyncio.timeout(PATIENCE), self._lock:
                while not enough() and self._rows is not None:
                    self._look(self._rows)
                    await asyncio.sleep(0)
        except TimeoutError:
            raise PastNotReady(
                f"{len(self.frames)} frames are looked through so far; ask again"
            ) from None

    def _look(self, stretches: Iterator[Rows]) -> None:
        try:
            rows = next(stretches, None)
        except SourceError as fault:
            rows, self.fault = None, str(fault)
        if rows is None:
            self._rows = None
            return
        true = rows.columns[0].true
        before = np.concatenate(([self._was], true[:-1]))
        first = len(self.frames)
        self._places.extend((np.flatnonzero(true & ~before) + first).tolist())
        self.frames += rows.frames
        self._was = bool(true[-1])
