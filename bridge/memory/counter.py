"""A counter of frames that the game keeps in its memory."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Counter"]


@dataclass(frozen=True, slots=True)
class Counter:
    """An unsigned integer at a fixed guest address: ``size`` bytes in the guest's order.

    It is ``bits`` of them (all where that is 0), the lowest of them bit ``lowest`` by significance.
    """

    name: str
    address: int
    size: int
    big_endian: bool
    bits: int = 0
    lowest: int = 0

    @property
    def turn(self) -> int:
        """How many values it has: behind the last one it begins again with 0."""
        return 1 << (self.bits or 8 * self.size)

    def value(self, stored: bytes) -> int:
        """What it is where ``size`` bytes are *stored*."""
        word = int.from_bytes(stored, "big" if self.big_endian else "little")
        return word >> self.lowest & (self.turn - 1)
