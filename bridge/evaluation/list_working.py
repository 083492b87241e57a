"""A list as it was walked in one frame: what its working shows, and what other steps pick from."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from bridge.evaluation.absence import Absent
from bridge.values.status import Status

__all__ = ["Walked", "extreme", "pick"]


class Walked(str):
    """The elements of a list.  As a value it is a text, their count.

    ``values`` are addresses, numbers, texts or blocks; ``positions`` says of which element of the
    source, from 0, each was made, and ``walked`` how many the source has.  A list that is made of
    no other is its own source.
    """

    __slots__ = ("positions", "values", "walked")

    values: Sequence[Any]
    positions: Sequence[int]
    walked: int

    @classmethod
    def of(cls, values: Sequence[Any], positions: Sequence[int] | None, walked: int) -> Walked:
        """A list of *values*, each made of the element of its source at its position."""
        made = cls(f"{len(values)} element{'s' * (len(values) != 1)}")
        made.values = values
        made.positions = range(len(values)) if positions is None else positions
        made.walked = walked
        return made


def pick(values: Sequence[Any], index: int, text: str) -> Any:
    """The element at a position.  Raises Absent where the list has none there."""
    if not 0 <= index < len(values):
        raise Absent(Status.NULL, f"{text} is empty" if not values else f"{text} has no [{index}]")
    return values[index]


def extreme(values: Sequence[Any], function: str, text: str) -> int:
    """The position of the first least (min) or greatest (max) number.  Raises Absent."""
    if not values:
        raise Absent(Status.NULL, f"{text} is empty")
    best = min(values) if function == "min" else max(values)
    return values.index(best)
