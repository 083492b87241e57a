"""Records with addresses, joined to runs as they come."""

from __future__ import annotations

from adapters.dumps.collecting import over
from adapters.dumps.segment import SEGMENT_COST, Segment

__all__ = ["Runs"]


class Runs:
    """Joins records that follow each other; a record elsewhere begins a new run.

    What they take, together with the *held* bytes of the text that they are read from, is at most
    *limit* bytes.
    """

    def __init__(self, limit: int, *, held: int) -> None:
        self._runs: list[tuple[int, bytearray]] = []
        self._next = -1
        self._limit = limit
        self._taken = held

    def add(self, address: int, data: bytes) -> None:
        """Bytes at a guest address.  Raises SourceUnusable where they are too many."""
        if not data:
            return
        self._taken += len(data) + (0 if address == self._next else SEGMENT_COST)
        if self._taken > self._limit:
            raise over(self._limit)
        if address == self._next:
            self._runs[-1][1].extend(data)
        else:
            self._runs.append((address, bytearray(data)))
        self._next = address + len(data)

    def segments(self) -> list[Segment]:
        """The runs in the order of the file."""
        return [Segment(address, memoryview(data)) for address, data in self._runs]
