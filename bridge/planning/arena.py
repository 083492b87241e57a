"""A heap as planning sees it: cells that tile the arena, in the order of their addresses."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["HOLE", "WALL", "Arena", "Cell"]

HOLE = "free"
WALL = "(wall)"
"""What lies between two blocks and belongs to none, and never changes; no kind is called so."""


@dataclass(frozen=True, slots=True)
class Cell:
    """A block with its header, or a hole: ``stride`` bytes from guest address ``start``.

    ``kind`` is its owner, HOLE or WALL.  ``age`` orders blocks: a newer one has a greater number,
    from 0 on.  Which of two with one number is newer is not known.  None is older than any number,
    and not known among others that are None.  Of a hole it is when it was made.
    """

    start: int
    stride: int
    kind: str
    age: int | None = None

    @property
    def end(self) -> int:
        """The guest address behind it."""
        return self.start + self.stride

    @property
    def used(self) -> bool:
        """Whether it is handed out, or never was anybody's to hand out."""
        return self.kind != HOLE


@dataclass(frozen=True, slots=True)
class Arena:
    """All cells, one behind the other without a gap.

    ``rover`` is where next fit goes on, None where it is not known and for every other fit;
    ``held`` is the start of the block that is held, None where none is.
    """

    cells: tuple[Cell, ...]
    rover: int | None = None
    held: int | None = None

    @property
    def low(self) -> int:
        """The guest address of its first byte."""
        return self.cells[0].start

    @property
    def high(self) -> int:
        """The guest address behind its last byte."""
        return self.cells[-1].end
