"""Moves that first release all blocks there are: what they leave is always the same.

That is so where holes are what they cover and nothing else: gone through by address from an end of
the arena, and joined with both neighbours.  What lay in the heap before makes no difference then.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from itertools import pairwise

from bridge.planning.distances import ControlGraph
from bridge.planning.lower_bounds import bound_of, passes
from bridge.planning.plain_heap import PackedHeap, PlainHeaps, packed, unpacked
from bridge.planning.policy import Fit, HoleOrder, Merge
from bridge.planning.problem import HOLE_KIND, WALL_KIND, Code, Move, Problem, Whose

__all__ = ["after_sweep", "can_be_swept", "sweeping", "sweeps_of"]


def can_be_swept(heaps: PlainHeaps) -> bool:
    """Whether the build's heap without blocks is always the same."""
    policy, cells = heaps.build.policy, unpacked(heaps.start)
    return (
        policy.merge is Merge.BOTH
        and policy.fit is not Fit.NEXT
        and policy.order is HoleOrder.ADDRESS
        and not any(one[2] == other[2] == HOLE_KIND for one, other in pairwise(cells))
    )


def sweeping(problem: Problem, all_heaps: Sequence[PlainHeaps]) -> tuple[int, ...]:
    """The moves that are sweeps on all builds."""
    if not all(map(can_be_swept, all_heaps)):
        return ()
    ever = {op.what for move in problem.moves for op in move.operations if op.code == Code.ALLOC}
    for heaps in all_heaps:
        ever |= {cell[2] for cell in unpacked(heaps.start)} - {HOLE_KIND, WALL_KIND}
    return tuple(number for number, move in enumerate(problem.moves) if _releases_first(move, ever))


def after_sweep(heaps: PlainHeaps, move: Move) -> list[PackedHeap]:
    """The heaps after each operation from the first block on; fewer where one fails."""
    codes = [operation.code for operation in move.operations]
    then = move.operations[codes.index(Code.ALLOC) :] if Code.ALLOC in codes else ()
    swept = _swept(unpacked(heaps.start))
    stages = []
    for count in range(len(then) + 1):
        heap = heaps.after(swept, then[:count])
        if heap is None:
            break
        stages.append(heap)
    return stages


def sweeps_of(
    problem: Problem,
    all_heaps: Sequence[PlainHeaps],
    moves: Collection[int],
    graph: ControlGraph,
) -> tuple[int, ...]:
    """``Problem.sweeps``, when these moves are sweeps; ``graph`` has all moves."""
    further: dict[int, Sequence[int]] = {}
    for number in moves:
        move = problem.moves[number]
        left: list[int] | None = [0] * problem.controls
        for heaps in all_heaps:
            stages = after_sweep(heaps, move)
            codes = [operation.code for operation in move.operations]
            whole = len(codes) - codes.index(Code.ALLOC) if Code.ALLOC in codes else 0
            if len(stages) <= whole:
                left = None  # it never is possible
                break
            cells = unpacked(stages[-1])
            for test in heaps.build.tests:
                if left is not None and not passes(test, cells):
                    least = bound_of(test, cells, problem.reaches)
                    left = [max(pair) for pair in zip(left, least, strict=True)]
        if left is not None:
            further[number] = left
    return tuple(graph.least_by_ending(further))


def _releases_first(move: Move, ever: Collection[int]) -> bool:
    """Whether all blocks of the kinds go before the first is handed out, and no hold decides."""
    if any(
        operation.code in (Code.HOLD, Code.LET_GO)
        or (operation.code == Code.FREE and operation.how == Whose.HELD)
        for operation in move.operations
    ):
        return False
    released: set[int] = set()
    for operation in move.operations:
        if operation.code == Code.ALLOC:
            break
        if not operation.count:
            released |= {kind for kind in ever if operation.what >> kind & 1}
    return released.issuperset(ever)


def _swept(cells: Sequence[tuple[int, int, int, int]]) -> PackedHeap:
    """The heap when nothing but its walls is left."""
    kept: list[list[int]] = []
    for _, units, kind, _ in cells:
        kind = WALL_KIND if kind == WALL_KIND else HOLE_KIND
        if kept and kept[-1][1] == kind:
            kept[-1][0] += units
        else:
            kept.append([units, kind])
    return (-1, -1, *(packed(units, kind, 0) for units, kind in kept))
