"""What a source says of a frame's memory, as it is recorded."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from adapters.outputs.recording.capture import without
from bridge.memory.address_map import Span
from bridge.memory.byte_order import ByteOrder
from bridge.memory.fetched import Partial, reordered
from bridge.ports.changes import Changes, Rest

__all__ = ["ToldChanges"]


@dataclass(frozen=True, slots=True)
class ToldChanges:
    """*changes* of a source that holds bytes in *order*, but for what is *excluded*."""

    changes: Changes
    order: ByteOrder
    excluded: Sequence[Span]

    @property
    def rest(self) -> Rest:
        """What is known of other bytes."""
        return self.changes.rest

    def parts(self) -> tuple[list[tuple[Span, bytes]], list[Span]]:
        """What is there, in guest order, and what is not."""
        there: list[tuple[Span, bytes]] = []
        gone: list[Span] = []
        for span, part in self.changes.parts:
            turned = reordered(part, self.order)
            for left in without([span], self.excluded):
                first, last = left.address - span.address, left.end - span.address
                if turned is None:
                    gone.append(left)
                elif isinstance(turned, bytes):
                    there.append((left, turned[first:last]))
                else:
                    _divide(left, turned, first, last, there, gone)
        return there, gone


def _divide(
    span: Span,
    part: Partial,
    first: int,
    last: int,
    there: list[tuple[Span, bytes]],
    gone: list[Span],
) -> None:
    """Bytes *first* to *last* of a part, which are those of *span*, by whether they are there."""
    at = first
    while at < last:
        is_there = part.held[at]
        end = part.held.find(1 - is_there, at, last)
        end = last if end < 0 else end
        place = Span(span.address + at - first, end - at)
        if is_there:
            there.append((place, part.data[at:end]))
        else:
            gone.append(place)
        at = end
