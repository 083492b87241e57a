"""What a source gives for a span: all its bytes, some of them, or none."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.memory.byte_order import ByteOrder, reorder

__all__ = ["Part", "Partial", "cut", "reordered"]


@dataclass(frozen=True, slots=True)
class Partial:
    """A span of which only some bytes are there: ``held`` has a 1 for each of them, else a 0.

    What stands in ``data`` where ``held`` is 0 means nothing.
    """

    data: bytes
    held: bytes

    def __len__(self) -> int:
        return len(self.data)


Part = bytes | Partial | None


def reordered(part: Part, order: ByteOrder) -> Part:
    """A part turned to guest order."""
    if isinstance(part, Partial):
        return Partial(reorder(part.data, order), reorder(part.held, order))
    return part if part is None else reorder(part, order)


def cut(part: Part, start: int, length: int) -> bytes | None:
    """*length* bytes of a part from *start* on; None where any of them is not there."""
    if isinstance(part, Partial):
        if 0 in part.held[start : start + length]:
            return None
        part = part.data
    return None if part is None else part[start : start + length]
