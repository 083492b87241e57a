"""The cheapest way to turn one sequence of shapes into another: which belongs to which.

The cost that is minimal: 0 for a pair of equal shapes, 1 for a pair of *akin* ones, 1 for a shape
on one side only.  Shapes that have nothing in common are never a pair: one is missing, the other
extra, which costs 2.  Among equally cheap ways the earliest pair is taken, and missing comes before
extra; so the answer is one and the same each time.

What both begin or end with is set aside: pairing it is always among the cheapest ways (whoever else
paired with such a shape can be left alone for the 1 that is saved).  The rest is the usual table of
costs D[i, j] of the last i shapes against the last j, but its cells are never touched one by one.
Neighbouring cells differ by -1, 0 or 1 and the cell diagonally behind by d = 0, 1 or 2, so a column
is a few integers with one bit a cell, and the next column follows by a dozen operations on whole
integers; the two places where a cell depends on the one above it in its own column are carries of
an addition.  (For the rule without d = 2 this is Myers, "A fast bit-vector algorithm for
approximate string matching based on dynamic programming", Journal of the ACM 46 (3), 1999.)

The answer is exact at any size.  For n against m shapes after setting aside, time and memory grow
as n × m bits in the worst case, and that is also the best case: nothing depends on how alike the
two are.  So n and m are bounded by MAX_BLOCKS;
``tests/benchmarks/alignment.py`` prints what that takes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from schemas.layout_file import MAX_BLOCKS

__all__ = ["Pair", "Shape", "align", "common_start", "cost"]

Pair = tuple[int | None, int | None]
"""Positions in the expected and the found sequence; None where one side has nothing."""


@dataclass(frozen=True, slots=True)
class Shape:
    """What a block is.  Two are akin that have owner or size in common."""

    owner: str
    size: int
    used: bool

    def akin(self, other: Shape) -> bool:
        """Whether two are alike enough to be paired."""
        return self.owner == other.owner or self.size == other.size


def cost(expected: Sequence[Shape], found: Sequence[Shape], pairs: Sequence[Pair]) -> int:
    """What *pairs* cost by the rule above."""
    return sum(1 if e is None or f is None else int(expected[e] != found[f]) for e, f in pairs)


def common_start(expected: Sequence[Shape], found: Sequence[Shape]) -> int:
    """How many shapes both begin with."""
    count = 0
    for one, other in zip(expected, found, strict=False):
        if one != other:
            break
        count += 1
    return count


def align(expected: Sequence[Shape], found: Sequence[Shape]) -> list[Pair]:
    """The cheapest pairing, in order.  Raises ValueError where one is longer than MAX_BLOCKS."""
    for sequence in (expected, found):
        if len(sequence) > MAX_BLOCKS:
            raise ValueError(f"{len(sequence)} blocks, expected at most {MAX_BLOCKS}")
    start = common_start(expected, found)
    most = min(len(expected), len(found)) - start
    end = common_start(expected[::-1][:most], found[::-1][:most])
    pairs: list[Pair] = [(number, number) for number in range(start)]
    stop_expected, stop_found = len(expected) - end, len(found) - end
    for e, f in _cheapest(expected[start:stop_expected], found[start:stop_found]):
        pairs.append((None if e is None else start + e, None if f is None else start + f))
    pairs += [(stop_expected + number, stop_found + number) for number in range(end)]
    return pairs


def _cheapest(expected: Sequence[Shape], found: Sequence[Shape]) -> list[Pair]:
    """The pairing of what is left.  Bit r of a column is the expected shape r from the end."""
    rows, columns = len(expected), len(found)
    if not rows or not columns:
        missing: list[Pair] = [(number, None) for number in range(rows)]
        return missing + [(None, number) for number in range(columns)]
    # from the end, so that the table is walked back from the beginning
    zeros, rises = _columns(expected[::-1], found[::-1])
    pairs: list[Pair] = []
    e = f = 0
    while e < rows and f < columns:
        row, column = rows - 1 - e, columns - 1 - f
        one, other = expected[e], found[f]
        if one == other or (one.akin(other) and not zeros[column] >> row & 1):
            pairs.append((e, f))
            e, f = e + 1, f + 1
        elif rises[column] >> row & 1:
            pairs.append((e, None))
            e += 1
        else:
            pairs.append((None, f))
            f += 1
    pairs += [(number, None) for number in range(e, rows)]
    pairs += [(None, number) for number in range(f, columns)]
    return pairs


def _columns(expected: Sequence[Shape], found: Sequence[Shape]) -> tuple[list[int], list[int]]:
    """For each column a bit a cell: d is 0; the cell costs 1 more than the one above it.

    ``up`` and ``down`` are where a cell costs 1 more or less than the one above, ``right`` and
    ``left`` 1 more or less than the one before it in its row, ``above_…`` that of the cell above;
    the row above the first counts 0, 1, 2 ….
    """
    equal: dict[Shape, int] = {}
    owners: dict[str, int] = {}
    sizes: dict[int, int] = {}
    for row, shape in enumerate(expected):
        bit = 1 << row
        equal[shape] = equal.get(shape, 0) | bit
        owners[shape.owner] = owners.get(shape.owner, 0) | bit
        sizes[shape.size] = sizes.get(shape.size, 0) | bit
    every = (1 << len(expected)) - 1
    up, down = every, 0
    zeros: list[int] = []
    rises: list[int] = []
    for shape in found:
        same = equal.get(shape, 0)
        akin = owners.get(shape.owner, 0) | sizes.get(shape.size, 0)
        # d = 0: an equal pair, or a step down, or one to the left in the row above (the carry)
        zero = ((((same & up) + up) ^ up) | same | down) & every
        above_left = (up & zero) << 1 & every
        # right: made here, or (where d can be 2) passed on from the row above
        made = down | (every ^ (up | zero))
        passed = up & ~(zero | akin)
        either = made | passed
        above_right = ((either + made + 1) ^ either ^ made) & every
        up = above_left | (every ^ (zero | above_right)) | (passed & above_right)
        down = above_right & zero
        zeros.append(zero)
        rises.append(up)
    return zeros, rises
