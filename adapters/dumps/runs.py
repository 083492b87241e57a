"""Records with addresses, joined to runs as they come."""

from __future__ import annotations

from adapters.dumps.segment import Segment


class Runs:
    """Joins records that follow each other; a record elsewhere begins a new run."""

    def __init__(self) -> None:
        self._runs: list[tuple[int, bytearray]] = []
        self._next = -1

    def add(self, address: int, data: bytes) -> None:
        """Bytes at a guest address."""
        if not data:
            return
        if address == self._next:
            self._runs[-1][1].extend(data)
        else:
            self._runs.append((address, bytearray(data)))
        self._next = address + len(data)

    def segments(self) -> list[Segment]:
        """The runs in the order of the file."""
        return [Segment(address, bytes(data)) for address, data in self._runs]
