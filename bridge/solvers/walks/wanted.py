"""What a coordinate is wanted to be: a half, an interval, a value or a pattern, or several."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.solvers.halves import (
    GREATEST_KEY,
    HALVES,
    LEAST_KEY,
    SIGN,
    Exact,
    first_key_from,
    key_of,
    last_key_to,
)

__all__ = ["Wanted"]


@dataclass(frozen=True, slots=True)
class Wanted:
    """All that is given must hold of the 32-bit pattern of a coordinate.

    ``low`` and ``high`` are its halves; ``lowest`` and ``highest`` are exact bounds of its value,
    both included and never rounded; ``pattern`` is all of it.
    """

    low: int | None = None
    high: int | None = None
    lowest: Exact | None = None
    highest: Exact | None = None
    pattern: int | None = None

    def met(self, patterns: NDArray[np.uint32]) -> NDArray[np.bool_]:
        """Whether each of these patterns is as wanted; what is no finite number never is."""
        met: NDArray[np.bool_] = (patterns & 0x7F80_0000) != 0x7F80_0000
        if self.low is not None:
            met &= (patterns & (HALVES - 1)) == self.low
        if self.high is not None:
            met &= (patterns >> 16) == self.high
        if self.pattern is not None:
            met &= patterns == self.pattern
        if self.lowest is not None or self.highest is not None:
            least, most = self._keys()
            wide = patterns.astype(np.int64)
            keys = np.where(patterns < SIGN, wide, ~(wide ^ SIGN))
            met &= (least <= keys) & (keys <= most)
        return met

    def is_met(self, pattern: int) -> bool:
        """The same of one pattern, in plain Python."""
        if pattern & 0x7F80_0000 == 0x7F80_0000:
            return False
        least, most = self._keys()
        return (
            (self.low is None or pattern & (HALVES - 1) == self.low)
            and (self.high is None or pattern >> 16 == self.high)
            and (self.pattern is None or pattern == self.pattern)
            and least <= key_of(pattern) <= most
        )

    def _keys(self) -> tuple[int, int]:
        return (
            LEAST_KEY if self.lowest is None else first_key_from(self.lowest),
            GREATEST_KEY if self.highest is None else last_key_to(self.highest),
        )
