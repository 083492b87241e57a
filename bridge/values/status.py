"""Whether a watch has a value in a frame, and if not, why."""

from __future__ import annotations

from enum import StrEnum


class Status(StrEnum):
    """Whether there is a value, and if not, why; or what to be warned of beside the value."""

    OK = "ok"
    NULL = "null"
    """A null pointer was followed, or the first of an empty list was asked for."""
    UNMAPPED = "unmapped"
    """The address is outside every region, or the source holds no bytes there."""
    MISALIGNED = "misaligned"
    """A pointer that the guest's processor could not load through."""
    WAITING = "waiting"
    """No frame yet, or no earlier one."""
    OFFLINE = "offline"
    """The source is gone; the last value stays."""
    ERROR = "error"
    """Arithmetic: a division by zero, an overflow, not a number; or it takes too long."""
    FREED = "freed"
    """There is a value, by a pointer into a free block of the heap, or whose block has left it."""
    HEADER = "header"
    """There is a value, by a pointer into the header of a block of the heap."""
    BETWEEN = "between"
    """There is a value, by a pointer into a block whose start it should point at."""
    CHANGED = "changed"
    """There is a value, by a pointer to a block that holds something else since it was written."""
    DAMAGED = "damaged"
    """There is a value, of the blocks before the one at which the heap's list broke."""

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
