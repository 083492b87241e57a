"""What a move makes of one build's heap, in whole numbers: the rules of ``problem.py`` as written.

A heap is a tuple: rover, held, then a number for each cell, made by :func:`packed`.
"""

from __future__ import annotations

from collections.abc import Sequence

from bridge.planning.lower_bounds import Cell, is_wanted
from bridge.planning.policy import End, Fit, Merge, WhenFull
from bridge.planning.problem import (
    HOLE_KIND,
    WALL_KIND,
    Build,
    Code,
    Heap,
    Operation,
    Problem,
    Whose,
)

__all__ = ["PackedHeap", "PlainHeaps", "packed", "unpacked"]

PackedHeap = tuple[int, ...]


def packed(units: int, kind: int, age: int) -> int:
    """A cell in one number: 8 bits of kind, 16 of age, then its units."""
    return units << 24 | age << 8 | kind


def unpacked(heap: PackedHeap) -> list[Cell]:
    """The cells with their starts."""
    cells, start = [], 0
    for number in heap[2:]:
        units = number >> 24
        cells.append((start, units, number & 0xFF, number >> 8 & 0xFFFF))
        start += units
    return cells


class _Failed(Exception):
    """The move is not possible here."""


class PlainHeaps:
    """One build's heaps."""

    def __init__(self, problem: Problem, build: Build) -> None:
        self.build = build
        self._policy = build.policy
        groups = list(problem.groups)
        groups[HOLE_KIND] = HOLE_KIND if build.recent else -1
        self._group_of = groups
        self._aged = max(groups) >= 0
        self._permanent = problem.permanent if build.pattern is None else 0
        self._follows_held = problem.follows_held
        self.start = self._normal(*_opened(build.start))

    def after(self, heap: PackedHeap, operations: Sequence[Operation]) -> PackedHeap | None:
        """The heap after all of them, or None where one fails."""
        heap_now = _Changing(unpacked(heap), heap[0], heap[1], len(heap) + 1)
        try:
            for operation in operations:
                self._do(operation, heap_now)
        except _Failed:
            return None
        return self._normal(heap_now.cells, heap_now.rover, heap_now.held)

    def _do(self, operation: Operation, heap: _Changing) -> None:
        if operation.code == Code.ALLOC:
            self._allocate(operation, heap)
        elif operation.code == Code.FREE:
            for cell in self._chosen(operation, heap, self.build.in_order):
                self._release(cell, heap)
        elif operation.code == Code.HOLD:
            (cell,) = self._chosen(operation, heap, True)
            heap.held = cell[0] if self._follows_held else -1
        elif heap.held < 0:
            raise _Failed
        else:
            heap.held = -1

    def _chosen(self, operation: Operation, heap: _Changing, in_order: bool) -> list[Cell]:
        mask, how = operation.what, operation.how
        cells = [cell for cell in heap.cells if mask >> cell[2] & 1]
        if how == Whose.HELD:
            cells = [cell for cell in cells if cell[0] == heap.held]
        count = operation.count or len(cells)
        if len(cells) < count:
            raise _Failed
        if how == Whose.HIGHEST:
            cells.reverse()
        elif how in (Whose.NEWEST, Whose.OLDEST):
            cells.sort(key=_age, reverse=how == Whose.NEWEST)
            for at in range(0 if in_order else count - 1, min(count, len(cells) - 1)):
                if at >= 0 and cells[at][3] == cells[at + 1][3]:
                    raise _Failed
        return cells[:count]

    def _allocate(self, operation: Operation, heap: _Changing) -> None:
        policy = self._policy
        tried, carved = policy.tried_from, policy.carved_from
        if operation.how >= 0:
            tried = carved = End.HIGH if operation.how else End.LOW
        if policy.fit is Fit.NEXT and heap.rover < 0:
            raise _Failed
        stride = self.build.strides[operation.what]
        at = self._hole(heap, stride, tried)
        if at < 0 and policy.merge is Merge.WHEN_FULL:
            self._join(heap)
            at = self._hole(heap, stride, tried)
        if at < 0:
            if policy.when_full is WhenFull.CARRY_ON:
                return
            raise _Failed
        start, units, _, age = heap.cells[at]
        rest = units - stride
        if rest < self.build.least_rest:
            stride, rest = units, 0
        block = (start if carved is End.LOW else start + rest, stride, operation.what, heap.age())
        if not rest:
            heap.cells[at] = block
        elif carved is End.LOW:
            heap.cells[at : at + 1] = [block, (start + stride, rest, HOLE_KIND, age)]
        else:
            heap.cells[at : at + 1] = [(start, rest, HOLE_KIND, age), block]
        if policy.fit is Fit.NEXT:
            heap.rover = block[0] + stride if tried is End.LOW else block[0]

    def _hole(self, heap: _Changing, stride: int, tried: End) -> int:
        """The place among the cells of the hole that is taken, or -1."""
        policy, cells = self._policy, heap.cells
        enough = [at for at, cell in enumerate(cells) if cell[2] == HOLE_KIND and cell[1] >= stride]
        if policy.keeps_last and len(enough) > 1:
            last = len(cells) - 1 if tried is End.LOW else 0
            if last in enough:
                enough.remove(last)
        if not enough:
            return -1
        if policy.fit is Fit.NEXT:
            rover = heap.rover
            if tried is End.LOW:
                return min(enough, key=lambda at: (cells[at][0] < rover, at))
            return min(enough, key=lambda at: (cells[at][0] > rover, -at))
        if self.build.recent:
            enough.sort(key=lambda at: cells[at][3], reverse=True)
        if tried is End.HIGH:
            enough.reverse()
        if policy.fit is Fit.BEST:
            taken = min(enough, key=lambda at: cells[at][1])
        elif policy.fit is Fit.WORST:
            taken = max(enough, key=lambda at: cells[at][1])
        else:
            taken = enough[0]
        if self.build.recent:
            _, units, _, age = cells[taken]
            any_units = policy.fit is Fit.FIRST
            for at in enough:
                if at != taken and cells[at][3] == age and (any_units or cells[at][1] == units):
                    raise _Failed
        return taken

    def _release(self, cell: Cell, heap: _Changing) -> None:
        cells, merge = heap.cells, self._policy.merge
        at = cells.index(cell)
        first, behind = at, at + 1
        if merge in (Merge.BOTH, Merge.PREVIOUS) and at and cells[at - 1][2] == HOLE_KIND:
            first = at - 1
        if (
            merge in (Merge.BOTH, Merge.NEXT)
            and behind < len(cells)
            and cells[behind][2] == HOLE_KIND
        ):
            behind += 1
        start = cells[first][0]
        units = sum(cell[1] for cell in cells[first:behind])
        cells[first:behind] = [(start, units, HOLE_KIND, heap.age())]
        if start < heap.rover < start + units:
            heap.rover = start
        if heap.held == cell[0]:
            heap.held = -1

    def _join(self, heap: _Changing) -> None:
        """All holes that touch are one, in the place of the newest."""
        cells: list[Cell] = []
        for start, units, kind, age in heap.cells:
            if kind == HOLE_KIND and cells and cells[-1][2] == HOLE_KIND:
                first, before, _, newest = cells[-1]
                cells[-1] = (first, before + units, HOLE_KIND, max(age, newest))
            else:
                cells.append((start, units, kind, age))
            first, wide, kind, _ = cells[-1]
            if kind == HOLE_KIND and first < heap.rover < first + wide:
                heap.rover = first
        heap.cells = cells

    def _normal(self, cells: list[Cell], rover: int, held: int) -> PackedHeap:
        build = self.build
        if build.pattern is None:
            cells = self._walled(cells)
        if build.pattern is None and rover >= 0:
            for start, units, kind, _ in cells:
                if kind == WALL_KIND and start < rover < start + units:
                    rover = start + 1
        group_of = self._group_of
        if not self._aged:
            return (rover, held, *[units << 24 | kind for _, units, kind, _ in cells])
        ages: dict[int, set[int]] = {}
        for _, _, kind, age in cells:
            group = group_of[kind]
            if group >= 0:
                if group in ages:
                    ages[group].add(age)
                else:
                    ages[group] = {age}
        ranks = {
            group: {age: rank for rank, age in enumerate(sorted(known))}
            for group, known in ages.items()
        }
        numbers = [rover, held]
        for _, units, kind, age in cells:
            group = group_of[kind]
            if group >= 0:
                numbers.append(units << 24 | ranks[group][age] << 8 | kind)
            else:
                numbers.append(units << 24 | kind)
        return tuple(numbers)

    def _walled(self, cells: list[Cell]) -> list[Cell]:
        """What never changes again is wall, and touching walls are one."""
        build = self.build
        kept: list[Cell] = []
        for cell in cells:
            if self._permanent >> cell[2] & 1 and not any(
                is_wanted(test, cell) for test in build.tests
            ):
                cell = (cell[0], cell[1], WALL_KIND, 0)
            if cell[2] == WALL_KIND:
                if kept and self._shut(kept):
                    kept.pop()
                    start = kept.pop()[0] if kept else 0
                    cell = (start, cell[0] + cell[1] - start, WALL_KIND, 0)
                elif kept and kept[-1][2] == WALL_KIND:
                    start = kept.pop()[0]
                    cell = (start, cell[0] + cell[1] - start, WALL_KIND, 0)
            kept.append(cell)
        if kept and self._shut(kept):
            kept.pop()
            start = kept.pop()[0] if kept else 0
            kept.append((start, build.units - start, WALL_KIND, 0))
        return kept

    def _shut(self, cells: list[Cell]) -> bool:
        """Whether the last is a hole behind a wall, or the arena's beginning, and of no use."""
        start, units, kind, _ = cells[-1]
        return (
            kind == HOLE_KIND
            and units < self.build.least
            and (len(cells) == 1 or cells[-2][2] == WALL_KIND)
            and not any(start <= at < start + units for at in self.build.keeps)
        )


class _Changing:
    """A heap in the middle of a move."""

    __slots__ = ("_next", "cells", "held", "rover")

    def __init__(self, cells: list[Cell], rover: int, held: int, newest: int) -> None:
        self.cells = cells
        self.rover = rover
        self.held = held
        self._next = newest

    def age(self) -> int:
        """Newer than everything so far."""
        self._next += 1
        return self._next


def _opened(heap: Heap) -> tuple[list[Cell], int, int]:
    cells, at = [], 0
    for units, kind, age in heap.cells:
        cells.append((at, units, kind, age))
        at += units
    return cells, heap.rover, heap.held


def _age(cell: Cell) -> int:
    return cell[3]
