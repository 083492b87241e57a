"""The least frames that a test still takes, by control: tables for the heuristic of a problem.

All are distances in the graph of controls alone, as if every heap let every action happen, so that
they never say too much; and no action lowers one by more than its frames.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from bridge.planning.problem import BEYOND, NEVER, WALL_KIND, Code, Move, Operation

__all__ = ["ControlGraph", "chain_of"]


@dataclass(frozen=True, slots=True)
class ControlGraph:
    """The controls, and which move leads from which to which (-1: nowhere)."""

    moves: tuple[Move, ...]
    controls: int
    following: tuple[int, ...]

    def release(self, kinds: int) -> tuple[int, ...]:
        """``[kind * controls + control]``: a block of the kind is released; 0 for a hole."""
        table = [0] * self.controls + [NEVER] * self.controls
        for kind in range(WALL_KIND + 1, kinds):
            ends = [any(_frees(op, kind) for op in move.operations) for move in self.moves]
            table += self._nearest(self._last(ends), [True] * len(self.moves))
        return tuple(table)

    def release_then_hand_out(self, kinds: int, wanted: int) -> tuple[int, ...]:
        """As ``release``, and then, in that action or later, one of ``wanted`` is handed out."""
        then = self.hand_out(wanted, [0] * kinds, 0)
        table = [0] * self.controls + [NEVER] * self.controls
        for kind in range(WALL_KIND + 1, kinds):
            frees = [any(_frees(op, kind) for op in move.operations) for move in self.moves]
            at_once = [_frees_then_hands_out(move, kind, wanted) for move in self.moves]
            start = self._last(at_once)
            for control, number, after in self._edges():
                if frees[number]:
                    cost = self.moves[number].frames + then[after]
                    start[control] = min(start[control], cost)
            table += self._nearest(start, [True] * len(self.moves))
        return tuple(table)

    def hand_out(self, wanted: int, gains: Sequence[int], most: int) -> tuple[int, ...]:
        """``[n * controls + control]`` up to n = ``most``: frames until one of mask ``wanted`` is.

        Before that, blocks are handed out whose ``gains`` by kind add up to n or more.
        """
        before = [_before(move, wanted, gains) for move in self.moves]
        gain = [sum(_gains(move, gains)) for move in self.moves]
        edges = list(self._edges())
        rows: list[list[int]] = []
        for number in range(most + 1):
            row = self._last([best is not None and best >= number for best in before])
            for control, move, after in edges:
                if gain[move]:
                    # where n is 0 nothing is left to gain: such a move stays in its row
                    lower = rows[max(0, number - gain[move])][after] if number else NEVER
                    row[control] = min(row[control], self.moves[move].frames + lower)
            rows.append(self._nearest(row, [not gained or number == 0 for gained in gain]))
        return tuple(frames for row in rows for frames in row)

    def _edges(self) -> list[tuple[int, int, int]]:
        width = len(self.moves)
        return [
            (control, move, self.following[control * width + move])
            for control in range(self.controls)
            for move in range(width)
            if self.following[control * width + move] >= 0
        ]

    def _last(self, ends: Sequence[bool]) -> list[int]:
        """Frames by control where the next action is the last."""
        row = [NEVER] * self.controls
        for control, move, _ in self._edges():
            if ends[move]:
                row[control] = min(row[control], self.moves[move].frames)
        return row

    def _nearest(self, start: list[int], through: Sequence[bool]) -> list[int]:
        """The least by control, when one may go along the moves of ``through`` first."""
        reverse: list[list[tuple[int, int]]] = [[] for _ in range(self.controls)]
        for control, move, after in self._edges():
            if through[move]:
                reverse[after].append((control, self.moves[move].frames))
        frames = [min(cost, NEVER) for cost in start]
        queue = [(cost, control) for control, cost in enumerate(frames) if cost < NEVER]
        heapq.heapify(queue)
        while queue:
            cost, control = heapq.heappop(queue)
            if cost > frames[control]:
                continue
            for before, taken in reverse[control]:
                if cost + taken < frames[before]:
                    frames[before] = cost + taken
                    heapq.heappush(queue, (cost + taken, before))
        return frames


def chain_of(
    targets: Iterable[int], upwards: Sequence[int], downwards: Sequence[int], units: int
) -> bytes:
    """How many blocks it takes at least from each boundary (0 … ``units``) to one of ``targets``.

    A block lies at a boundary and makes another: blocks of ``upwards`` units above it, those of
    ``downwards`` below.  More than 254 count as 254; BEYOND is where no number is enough.
    """
    whole = (1 << (units + 1)) - 1
    new = 0
    for target in targets:
        if 0 <= target <= units:
            new |= 1 << target
    reached, level = new, 0
    levels = bytearray([BEYOND]) * (units + 1)
    while new:
        for at in _ones(new):
            levels[at] = level
        level = min(level + 1, BEYOND - 1)
        wider = 0
        for stride in upwards:
            wider |= new >> stride
        for stride in downwards:
            wider |= new << stride & whole
        new = wider & ~reached
        reached |= new
    return bytes(levels)


def _ones(bits: int) -> list[int]:
    text = bin(bits)[:1:-1]
    found, at = [], text.find("1")
    while at >= 0:
        found.append(at)
        at = text.find("1", at + 1)
    return found


def _frees(operation: Operation, kind: int) -> bool:
    return operation.code == Code.FREE and bool(operation.what >> kind & 1)


def _frees_then_hands_out(move: Move, kind: int, wanted: int) -> bool:
    freed = False
    for operation in move.operations:
        freed = freed or _frees(operation, kind)
        if freed and operation.code == Code.ALLOC and wanted >> operation.what & 1:
            return True
    return False


def _gains(move: Move, gains: Sequence[int]) -> list[int]:
    return [gains[operation.what] for operation in move.operations if operation.code == Code.ALLOC]


def _before(move: Move, wanted: int, gains: Sequence[int]) -> int | None:
    """What is gained before the last block of ``wanted`` that the move hands out."""
    total, best = 0, None
    for operation in move.operations:
        if operation.code == Code.ALLOC:
            if wanted >> operation.what & 1:
                best = total
            total += gains[operation.what]
    return best
