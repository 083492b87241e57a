"""What a target on half of a binary32 means for the number itself.

The low half of a binary32 runs through all its 65,536 values, over and over, as the number grows:
between two powers of two in equal steps, twice as wide in the next such stretch.  A high half is
the sign, the exponent and the first seven bits of the fraction, so that a run of high halves is one
run of numbers on either side of zero.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from bridge.sheet.hits import Ends
from bridge.solvers.halves import GREATEST_KEY, HALVES, SIGN, key_of, pattern_of, value_of
from bridge.values.value_type import shortest_single

__all__ = ["LowHalfMeaning", "NumberRun", "high_meaning", "low_meaning"]

_FIRST, _LAST = 0, 13
"""Powers of two between which positions mostly lie: 1 to 8,192."""
_FRACTION_BITS = 23


@dataclass(frozen=True, slots=True)
class LowHalfMeaning:
    """While a number's magnitude is ``least`` or more and below ``limit``: the way after which its
    low half is the same again, and how much of that way hits."""

    least: int
    limit: int
    period: Fraction
    hit: Fraction

    def as_json(self) -> dict[str, Any]:
        """The object for ``--json``; all of these are exact as binary64."""
        return {
            "least": self.least,
            "limit": self.limit,
            "period": float(self.period),
            "hit": float(self.hit),
        }


@dataclass(frozen=True, slots=True)
class NumberRun:
    """Numbers from the first to the last one that hit, ascending."""

    first: float
    last: float

    @property
    def texts(self) -> tuple[str, str]:
        """Each in the fewest digits from which it is rebuilt."""
        return shortest_single(self.first), shortest_single(self.last)


def low_meaning(ends: Sequence[Ends]) -> tuple[LowHalfMeaning, ...]:
    """What runs of low halves mean, for each stretch between two powers of two."""
    count = sum(int(each.last) - int(each.first) + 1 for each in ends)
    return tuple(
        LowHalfMeaning(
            1 << power,
            2 << power,
            Fraction(1 << power, 1 << _FRACTION_BITS) * HALVES,
            Fraction(1 << power, 1 << _FRACTION_BITS) * count,
        )
        for power in range(_FIRST, _LAST)
    )


def high_meaning(ends: Sequence[Ends]) -> tuple[NumberRun, ...]:
    """The numbers whose high half is in one of the runs; without infinities and what is none."""
    runs = []
    for each in ends:
        for sign in (0, SIGN):
            first, last = int(each.first) << 16, int(each.last) << 16 | 0xFFFF
            first, last = max(first, sign), min(last, sign | pattern_of(GREATEST_KEY))
            if first <= last:
                low, high = sorted((key_of(first), key_of(last)))
                runs.append(NumberRun(value_of(pattern_of(low)), value_of(pattern_of(high))))
    return tuple(sorted(runs, key=lambda run: run.first))
