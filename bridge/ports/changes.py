"""What a source whose memory stands in this process says of a frame's memory, all of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum, auto

from bridge.memory.address_map import Span
from bridge.memory.fetched import Part

__all__ = ["Changes", "Rest"]


class Rest(Enum):
    """What is known of the bytes beside those that are told of."""

    SAME = auto()
    """They are as they were."""
    OLDER = auto()
    """They may be of an older frame."""
    UNKNOWN = auto()
    """Nothing: nobody told of them in this frame."""


@dataclass(frozen=True, slots=True)
class Changes:
    """Memory of the frame at hand.

    ``parts`` are spans with their bytes in the source's order, None where none of them is there.
    A span is canonical, lies inside a region, begins on a line of it and ends on one or with it.
    """

    parts: Sequence[tuple[Span, Part]]
    rest: Rest
