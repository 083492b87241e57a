"""The heaps that the plain engine has met: each with a number, and worked out once."""

from __future__ import annotations

import sys
from collections.abc import Sequence

from bridge.planning.arena import Arena, Cell
from bridge.planning.lower_bounds import PRICE, measured, passes, priced
from bridge.planning.plain_heap import PackedHeap, PlainHeaps, unpacked
from bridge.planning.problem import NEVER, Build, Problem

__all__ = ["JointHeaps"]

_NOT_YET = -2
_IMPOSSIBLE = -1
_Row = tuple[int, int, int]
"""Test, which of its tables, and where in it: frames by control."""


class JointHeaps:
    """The heaps of all builds together, numbered from 0, the start.

    ``reached`` is by number whether the goal is, ``least`` the least frames to it by control.
    """

    def __init__(self, problem: Problem) -> None:
        self._problem = problem
        self._builds = [_BuildHeaps(problem, build) for build in problem.builds]
        self._numbers: dict[tuple[int, ...], int] = {}
        self._parts: list[tuple[int, ...]] = []
        self._after: list[list[int]] = []
        self._rows: dict[tuple[frozenset[_Row], ...], Sequence[int]] = {}
        self.reached: list[bool] = []
        self.least: list[Sequence[int]] = []
        self._number(tuple(0 for _ in self._builds))

    @property
    def memory(self) -> int:
        """Bytes, about: by the sizes of what stands for one."""
        each = 250 + 8 * len(self._problem.moves) + 8 * len(self._builds)
        return (
            len(self._parts) * each
            + sum(build.memory for build in self._builds)
            + len(self._rows) * (300 + 8 * self._problem.controls)
        )

    def after(self, heaps: int, move: int) -> int:
        """The number of what a move makes of them, -1 where it is not possible."""
        known = self._after[heaps][move]
        if known == _NOT_YET:
            parts: list[int] = []
            for build, part in zip(self._builds, self._parts[heaps], strict=True):
                after = build.after(part, move)
                if after == _IMPOSSIBLE:
                    break
                parts.append(after)
            done = len(parts) == len(self._builds)
            known = self._number(tuple(parts)) if done else _IMPOSSIBLE
            self._after[heaps][move] = known
        return known

    def _number(self, parts: tuple[int, ...]) -> int:
        number = self._numbers.get(parts)
        if number is None:
            number = self._numbers[parts] = len(self._parts)
            self._parts.append(parts)
            self._after.append([_NOT_YET] * len(self._problem.moves))
            both = list(zip(self._builds, parts, strict=True))
            self.reached.append(all(build.reached[part] for build, part in both))
            self.least.append(self._least(tuple(build.rows[part] for build, part in both)))
        return number

    def _least(self, rows: tuple[frozenset[_Row], ...]) -> Sequence[int]:
        """The greatest of all rows by control; many heaps share them."""
        least = self._rows.get(rows)
        if least is None:
            tables = [
                build.row(row)
                for build, of_build in zip(self._builds, rows, strict=True)
                for row in of_build
            ]
            tables.append((0,) * self._problem.controls)
            without = [max(column) for column in zip(*tables, strict=True)]
            least = [min(pair) for pair in zip(without, self._problem.sweeps, strict=True)]
            self._rows[rows] = least
        return least


class _BuildHeaps:
    """One build's heaps, numbered from 0, the start.

    ``rows`` is by number what the tests that do not pass say of it.
    """

    def __init__(self, problem: Problem, build: Build) -> None:
        self._problem = problem
        self._build = build
        self._heaps = PlainHeaps(problem, build)
        self._numbers: dict[PackedHeap, int] = {}
        self._known: list[PackedHeap] = []
        self._after: dict[int, int] = {}
        self._bytes = 0
        self.reached: list[bool] = []
        self.rows: list[frozenset[_Row]] = []
        self._number(self._heaps.start)

    @property
    def memory(self) -> int:
        """Bytes, about."""
        return self._bytes + len(self._after) * 100

    def after(self, heap: int, move: int) -> int:
        """The number of the heap after a move, or -1."""
        key = heap * len(self._problem.moves) + move
        known = self._after.get(key)
        if known is None:
            after = self._heaps.after(self._known[heap], self._problem.moves[move].operations)
            known = self._after[key] = _IMPOSSIBLE if after is None else self._number(after)
        return known

    def row(self, row: _Row) -> Sequence[int]:
        """Frames by control."""
        test, table, at = row
        controls = self._problem.controls
        if at < 0:
            return (NEVER,) * controls
        if table >= PRICE:
            return priced(self._problem.reaches, table - PRICE, at)
        chosen = self._build.tests[test]
        frames = (chosen.clear, chosen.fill, chosen.links)[table]
        return frames[at * controls : (at + 1) * controls]

    def _number(self, heap: PackedHeap) -> int:
        number = self._numbers.get(heap)
        if number is None:
            number = self._numbers[heap] = len(self._known)
            self._known.append(heap)
            self._bytes += sys.getsizeof(heap) + 32 * len(heap) + 500
            cells = unpacked(heap)
            rows: set[_Row] = set()
            reached = True
            for at, test in enumerate(self._build.tests):
                if not passes(test, cells):
                    reached = False
                    rows.update(
                        (at, table, row)
                        for table, row in measured(test, cells, self._problem.controls)
                    )
            self.rows.append(frozenset(rows))
            self.reached.append(reached and self._as_laid_out(heap))
        return number

    def _as_laid_out(self, heap: PackedHeap) -> bool:
        build = self._build
        if build.pattern is None:
            return True
        cells = tuple(
            Cell(build.base + start * build.unit, units * build.unit, self._problem.names[kind])
            for start, units, kind, _ in unpacked(heap)
        )
        return build.pattern(Arena(cells), build.policy)
