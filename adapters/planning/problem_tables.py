"""A problem as the compiled core reads it: the structs of ``engine.c`` in its memory.

All are 32-bit words, little-endian; a mask of kinds is two of them, the lower one first.  Addresses
are those of that memory.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Sequence
from itertools import chain

from bridge.planning.engine import Bounds
from bridge.planning.policy import End, Fit, HoleOrder, Merge, WhenFull
from bridge.planning.problem import Build, Heap, Problem, Test

__all__ = [
    "MOST_FRAMES",
    "NONE",
    "ProblemTables",
    "halves",
    "is_wide",
    "packed",
    "unpacked",
    "widths",
]

NONE = 0xFFFF_FFFF
MOST_FRAMES = 1 << 24


class ProblemTables:
    """``content`` belongs at ``base``, a multiple of 8; struct Problem lies at ``address``."""

    def __init__(self, problem: Problem, bounds: Bounds, base: int) -> None:
        self.content = bytearray()
        self._base = base
        self._problem = problem
        self._written: dict[int, int] = {}
        self.address = self._problem_words(bounds)

    def _put(self, content: bytes) -> int:
        at = self._base + len(self.content)
        self.content += content + bytes(-len(content) % 8)
        return at

    def _words(self, words: Iterable[int]) -> int:
        return self._put(array("I", words).tobytes())

    def _once(self, content: Sequence[int]) -> int:
        """A table that several tests may share, written once."""
        if id(content) not in self._written:
            put = self._put(content) if isinstance(content, bytes) else self._words(content)
            self._written[id(content)] = put
        return self._written[id(content)]

    def _problem_words(self, bounds: Bounds) -> int:
        problem = self._problem
        moves = [
            word
            for move in problem.moves
            for word in (
                min(move.frames, MOST_FRAMES + 1),
                len(move.operations),
                self._words(
                    word
                    for each in move.operations
                    for word in (*halves(each.what), each.code, each.how & NONE, each.count, 0)
                ),
            )
        ]
        starts = (packed(problem, build) for build in problem.builds)
        start = [problem.control, *chain.from_iterable(starts)]
        unwanted = set(bounds.not_next)
        groups = sorted({-1, *problem.groups})  # those of kinds that have one: 1, 2 …
        return self._words(
            [
                *halves(problem.permanent),
                problem.follows_held,
                len(groups) - 1,
                problem.controls,
                len(problem.moves),
                len(problem.builds),
                self._words(groups.index(group) for group in problem.groups),
                self._put(array("i", problem.next_control).tobytes()),
                self._words(problem.reaches),
                self._words(problem.sweeps),
                self._words(moves),
                self._words(word for build in problem.builds for word in self._build(build)),
                *widths(problem),
                is_wide(problem),
                self._words(start),
                bounds.frames,
                len(bounds.prefix),
                self._words(bounds.prefix),
                self._words(move in unwanted for move in range(len(problem.moves))),
            ]
        )

    def _build(self, build: Build) -> list[int]:
        policy = build.policy
        return [
            list(Fit).index(policy.fit),
            list(HoleOrder).index(policy.order),
            list(End).index(policy.tried_from),
            list(End).index(policy.carved_from),
            policy.keeps_last,
            list(Merge).index(policy.merge),
            policy.when_full is WhenFull.CARRY_ON,
            build.least_rest,
            build.least,
            build.recent,
            build.in_order,
            self._words(build.strides),
            len(build.keeps),
            self._words(build.keeps),
            len(build.tests),
            self._words(word for test in build.tests for word in self._test(test, build)),
        ]

    def _test(self, test: Test, build: Build) -> list[int]:
        controls = self._problem.controls
        return [
            *halves(test.kinds),
            *(max(0, bound) for bound in (test.low, test.high, test.end)),
            *(max(0, bound) for bound in (test.clear_low, test.clear_high)),
            self._once(test.clear),
            test.side,
            max(0, test.fill_at),
            test.fill_by,
            len(test.fill) // controls - 1,
            self._once(test.fill),
            self._once(test.chain) if test.chain else 0,
            *(max(0, bound) for bound in (test.chain_low, test.chain_high)),
            len(test.links) // controls - 1 if test.chain else 0,
            self._once(test.links) if test.chain else 0,
            build.units + 1,
            len(build.strides),
            self._once(test.prices) if test.prices else 0,
            self._once(test.releases) if test.releases else 0,
        ]


def halves(mask: int) -> tuple[int, int]:
    """A 64-bit number as two words."""
    return mask & NONE, mask >> 32


def widths(problem: Problem) -> tuple[int, int]:
    """Bits of a cell's size and of its kind in its number; the higher ones are its age."""
    return (
        max(build.units for build in problem.builds).bit_length(),
        (len(problem.names) - 1).bit_length(),
    )


def is_wide(problem: Problem) -> bool:
    """Whether a cell takes two words, so that there are ages for twice the cells of the start."""
    aged = max(problem.groups) >= 0 or any(build.recent for build in problem.builds)
    most = 2 * max(len(build.start.cells) for build in problem.builds)
    return sum(widths(problem)) + (most.bit_length() if aged else 0) > 32


def packed(problem: Problem, build: Build) -> list[int]:
    """A build's start as the core has it."""
    stride_bits, kind_bits = widths(problem)
    heap = build.start
    words = [len(heap.cells)]
    if build.policy.fit is Fit.NEXT:
        words.append(heap.rover & NONE)
    if problem.follows_held:
        words.append(heap.held & NONE)
    wide = is_wide(problem)
    for size, kind, age in heap.cells:
        number = size | kind << stride_bits | age << (stride_bits + kind_bits)
        words += halves(number) if wide else (number,)
    return words


def unpacked(problem: Problem, words: Sequence[int]) -> tuple[Heap, ...]:
    """The heaps that the core's words stand for."""
    stride_bits, kind_bits = widths(problem)
    wide = is_wide(problem)
    heaps = []
    left = iter(words)
    for build in problem.builds:
        count = next(left)
        rover = next(left) if build.policy.fit is Fit.NEXT else NONE
        held = next(left) if problem.follows_held else NONE
        cells = []
        for _ in range(count):
            number = next(left) | (next(left) << 32 if wide else 0)
            kind = number >> stride_bits & ((1 << kind_bits) - 1)
            size, age = number & ((1 << stride_bits) - 1), number >> (stride_bits + kind_bits)
            cells.append((size, kind, age))
        rover, held = (-1 if each == NONE else each for each in (rover, held))
        heaps.append(Heap(tuple(cells), rover, held))
    return tuple(heaps)
