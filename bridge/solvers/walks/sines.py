"""The sine of each of 65,536 binary angles as a game makes it: by a table, by steps, or rounded.

What is rounded correctly is made of whole numbers: sines of 160 bits after the point, by adding one
small angle after another, which loses less than 20 of them.  None comes so near to the middle
between two binary32 that the rest could not tell which is nearer: that is looked at for each.  (Of
the angles of this circle only those of 0, 1/2 and 1 have a rational sine, by Niven's theorem, and
these three are binary32 themselves.)
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence

import numpy as np

from bridge.solvers.walks.binary32 import perform
from bridge.solvers.walks.model import SINE, TURN, Float32s, Step

__all__ = ["sine_by_steps", "sine_by_table", "sine_rounded"]

_BITS = 160
_LOST = 20
_QUARTER = TURN // 4
_ANGLE = "angle"


def sine_by_table(patterns: Sequence[int]) -> Float32s:
    """From a table of one turn in 2 to the N entries, as patterns: an angle's is at or before it.

    Raises ValueError where there are fewer than 4, more than 65,536 or another number of entries.
    """
    count = len(patterns)
    if not 4 <= count <= TURN or count & (count - 1):
        raise ValueError(f"a table of sines has 4, 8, 16 … {TURN} entries, found {count}")
    return np.repeat(np.array(patterns, np.uint32).view(np.float32), TURN // count)


def sine_by_steps(steps: Sequence[Step]) -> Float32s:
    """By binary32 steps from ``angle``, the signed angle16 as a number, to ``sin``."""
    angles = np.arange(TURN, dtype=np.uint16)
    values = {_ANGLE: angles.view(np.int16).astype(np.float32)}
    perform(steps, values, angles, None)
    made = np.empty(TURN, np.float32)
    made[:] = values[SINE]
    return made


@functools.cache
def sine_rounded() -> Float32s:
    """The binary32 that is nearest to the sine itself; 0.0, never -0.0, where that is 0."""
    made = np.zeros(TURN, np.float32)
    step_sine, step_cosine = _small_sine(), 0
    step_cosine = math.isqrt((1 << 2 * _BITS) - step_sine * step_sine)
    sine, cosine = 0, 1 << _BITS
    for angle in range(1, _QUARTER + 1):
        sine, cosine = (
            sine * step_cosine + cosine * step_sine >> _BITS,
            cosine * step_cosine - sine * step_sine >> _BITS,
        )
        value = _rounded(sine)
        made[angle] = made[TURN // 2 - angle] = value
        made[TURN // 2 + angle] = made[TURN - angle] = -value
    made.flags.writeable = False
    return made


def _small_sine() -> int:
    """The sine of one unit, 2 pi by 65,536, by its series."""
    angle = 2 * _pi() // TURN
    total, term, count = angle, angle, 1
    while term:
        term = -(term * angle * angle >> 2 * _BITS) // ((count + 1) * (count + 2))
        total, count = total + term, count + 2
        if abs(term) <= 1:
            break
    return total


def _pi() -> int:
    """Machin's formula: pi is 16 arctan 1/5 less 4 arctan 1/239."""
    return 16 * _arctan_of_inverse(5) - 4 * _arctan_of_inverse(239)


def _arctan_of_inverse(number: int) -> int:
    power = (1 << _BITS) // number
    total, count = power, 1
    while power:
        power //= -number * number
        count += 2
        total += power // count
        if abs(power) <= 1:
            break
    return total


def _rounded(sine: int) -> float:
    """The nearest binary32 of a positive number with _BITS bits after the point."""
    half_place = sine.bit_length() - 25  # of the last place of 24 bits
    halves, rest = sine >> half_place, sine & ((1 << half_place) - 1)
    away = rest if halves & 1 else (1 << half_place) - rest
    assert away >> _LOST, "too near to the middle between two binary32"
    return math.ldexp((halves + 1) >> 1, half_place + 1 - _BITS)
