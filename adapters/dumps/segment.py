"""One stretch of guest bytes out of a dump."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["SEGMENT_COST", "Segment"]

SEGMENT_COST = 256
"""Bytes of memory that a segment is counted for beside its data: a dump may hold millions."""


@dataclass(frozen=True, slots=True)
class Segment:
    """Bytes in the dump's own order.

    ``address`` is the guest address of the first byte, None where the dump names no addresses.
    """

    address: int | None
    data: bytes | memoryview

    @property
    def end(self) -> int:
        """Guest address after the last byte; only of a segment that has an address."""
        if self.address is None:
            raise ValueError("a segment without an address has no end address")
        return self.address + len(self.data)
