"""Whether a watch has a value in a frame, and if not, why."""

from __future__ import annotations

from enum import StrEnum

__all__ = ["Status"]


class Status(StrEnum):
    """Whether there is a value, and if not, why; or what to be warned of beside the value."""

    OK = "ok"
    """There is a value, and nothing to be warned of."""
    NULL = "null"
    """A null pointer was followed, or the first of an empty list was asked for."""
    UNMAPPED = "unmapped"
    """The address is outside every region or in no block of the heap, or the source holds no bytes
    there."""
    MISALIGNED = "misaligned"
    """A pointer that the game's processor could not load through."""
    WAITING = "waiting"
    """There is no frame yet, or no earlier one."""
    OFFLINE = "offline"
    """The source is gone; the last value and its age stay."""
    ERROR = "error"
    """A division by zero, an overflow, not a number, or it would take too long for a frame."""
    FREED = "freed"
    """A pointer leads into a free block of the heap, or into none since its block left the heap."""
    HEADER = "header"
    """A pointer leads into the header of a block of the heap."""
    BETWEEN = "between"
    """A pointer leads into the middle of a block whose start it should point at."""
    CHANGED = "changed"
    """A pointer's block holds something else since the pointer was written, or left the heap and
    another came there."""
    DAMAGED = "damaged"
    """The value was made of the blocks before the one at which the heap is damaged."""

    @property
    def has_value(self) -> bool:
        """Whether a reading of this status has a value of its frame."""
        return self in _WITH_VALUE


_WITH_VALUE = frozenset(
    (
        Status.OK,
        Status.FREED,
        Status.HEADER,
        Status.BETWEEN,
        Status.CHANGED,
        Status.DAMAGED,
    )
)
