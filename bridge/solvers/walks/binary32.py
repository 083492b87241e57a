"""Steps on many binary32 numbers at once, each rounded once, to the nearest, halves to even.

numpy's float32 operations are the processor's own on binary32, so no sum or product is ever made in
binary64 and rounded again.  A fused multiply-add, which numpy has not, is made of binary64: the
product of two binary32 is exact there; the sum with the third is rounded to odd, and what is so
rounded may be rounded once more to any format that is two bits narrower without a difference
(Boldo, Melquiond: Emulation of a FMA and correctly rounded sums: proved algorithms using rounding
to odd, IEEE Transactions on Computers 57(4), 2008).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, MutableMapping, Sequence

import numpy as np
from numpy.typing import NDArray

from bridge.solvers.walks.model import COSINE, SINE, TURN, Float32s, Step

__all__ = ["Angles", "constant", "patterns_of", "perform"]

Angles = NDArray[np.uint16]
_Rounded = Callable[..., Float32s]


def constant(pattern: int) -> Float32s:
    """The number of a pattern, as an array without dimensions."""
    return np.array(pattern, np.uint32).view(np.float32)


def patterns_of(values: Float32s) -> NDArray[np.uint32]:
    """The 32-bit pattern of each number."""
    return np.ascontiguousarray(values).view(np.uint32)


def perform(
    steps: Sequence[Step],
    values: MutableMapping[str, Float32s],
    facing: Angles,
    sine: Float32s | None,
) -> Angles:
    """Perform steps on all numbers of *values*, which get the results; gives what is faced then."""
    faced: dict[str, Float32s] = {}
    with np.errstate(all="ignore"):
        for step in steps:
            if step.operation in ("turn", "face"):
                facing = _turned(step, facing)
                faced.clear()
                continue
            read = [_operand(each, values, facing, sine, faced) for each in step.operands]
            if step.operation == "clamp":
                read.insert(0, values[step.to])
            values[step.to] = _OPERATIONS[step.operation](*read)
    return facing


def _turned(step: Step, facing: Angles) -> Angles:
    if step.operation == "face":
        return np.full_like(facing, step.angle % TURN)
    return facing + np.uint16(step.angle % TURN)  # wraps


def _operand(
    operand: str | int,
    values: Mapping[str, Float32s],
    facing: Angles,
    sine: Float32s | None,
    faced: dict[str, Float32s],
) -> Float32s:
    if isinstance(operand, int):
        return constant(operand)
    if operand in (SINE, COSINE) and sine is not None:
        if operand not in faced:
            quarter = np.uint16(0 if operand == SINE else TURN // 4)
            faced[operand] = sine[facing + quarter]
        return faced[operand]
    return values[operand]


def _fused(one: Float32s, two: Float32s, three: Float32s) -> Float32s:
    product = one.astype(np.float64) * two.astype(np.float64)
    added = three.astype(np.float64)
    total = product + added
    # the sum's exact error (Knuth's two-sum)
    part = total - product
    error = (product - (total - part)) + (added - part)
    inexact = np.isfinite(error) & (error != 0)
    even = (np.ascontiguousarray(total).view(np.uint64).reshape(total.shape) & 1) == 0
    way = np.where(error > 0, np.inf, -np.inf)
    odd = np.where(inexact & even, np.nextafter(total, way), total)
    return odd.astype(np.float32)


def _clamped(value: Float32s, low: Float32s, high: Float32s) -> Float32s:
    """As two comparisons do it, so that a zero keeps its sign at a bound of zero."""
    value = np.where(value > high, high, value)
    return np.where(value < low, low, value)


_OPERATIONS: Mapping[str, _Rounded] = {
    "set": lambda value: value,
    "add": np.add,
    "subtract": np.subtract,
    "multiply": np.multiply,
    "divide": np.divide,
    "fused": _fused,
    "absolute": np.abs,
    "negate": np.negative,
    "square_root": np.sqrt,
    "clamp": _clamped,
}
