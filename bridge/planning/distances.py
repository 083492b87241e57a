"""The least frames that a test still takes, by control: tables for the heuristic of a problem.

All are distances in the graph of controls alone, as if every heap let every action happen, so that
they never say too much; and no action lowers one by more than its frames.
"""

from __future__ import annotations

import heapq
from collections.abc import Collection, Iterable, Mapping, Sequence

from bridge.planning.problem import BEYOND, NEVER, WALL_KIND, Code, Move, Operation

__all__ = ["MAX_EDGES", "ControlGraph", "chain_of", "priced_chain", "prices_of"]

MAX_EDGES = 20_000
"""Pairs of a control and a move that a table of what each control can reach is made for."""


class ControlGraph:
    """The controls, and which move leads from which to which (-1: nowhere)."""

    def __init__(
        self,
        moves: Sequence[Move],
        controls: int,
        following: Sequence[int],
        without: Collection[int] = (),
    ) -> None:
        self.moves = moves
        self.controls = controls
        self.following = following
        self.kept = [number for number in range(len(moves)) if number not in without]
        """The moves that plans may have; the others are left out."""
        self._leads: list[list[tuple[int, int]]] = [[] for _ in moves]
        for number in self.kept:
            column = following[number :: len(moves)]
            self._leads[number] = [pair for pair in enumerate(column) if pair[1] >= 0]
        self._reversed: dict[tuple[int, ...], list[list[tuple[int, int]]]] = {}

    @property
    def parts(self) -> tuple[Sequence[Move], int, Sequence[int]]:
        """What it was made of, with all moves."""
        return self.moves, self.controls, self.following

    @property
    def size(self) -> int:
        """How many pairs of a control and a move that is possible there."""
        return sum(map(len, self._leads))

    def reaches(self) -> tuple[tuple[int, ...], list[frozenset[int]]]:
        """By control which of the sets of moves that follow it can come from there.

        Where that would take long it is all moves from everywhere.
        """
        if self.size > MAX_EDGES:
            return (0,) * self.controls, [frozenset(self.kept)]
        found = [
            frozenset(
                number
                for number in self.kept
                if self.following[control * len(self.moves) + number] >= 0
            )
            for control in range(self.controls)
        ]
        changed = bool(self.kept)
        while changed:
            changed = False
            for number in self.kept:
                for control, after in self._leads[number]:
                    if not found[after] <= found[control]:
                        found[control] |= found[after]
                        changed = True
        kinds = sorted(set(found), key=sorted)
        rows = {moves: row for row, moves in enumerate(kinds)}
        return tuple(rows[moves] for moves in found), kinds

    def release(self, kinds: int) -> tuple[int, ...]:
        """``[kind * controls + control]``: a block of the kind is released; 0 for a hole."""
        table = [0] * self.controls + [NEVER] * self.controls
        for kind in range(WALL_KIND + 1, kinds):
            ends = [any(_frees(op, kind) for op in move.operations) for move in self.moves]
            table += self.nearest(self._last(ends))
        return tuple(table)

    def release_then_hand_out(self, kinds: int, wanted: int) -> tuple[int, ...]:
        """As ``release``, and then, in that action or later, one of ``wanted`` is handed out."""
        then = self.hand_out(wanted, [0] * kinds, 0)
        table = [0] * self.controls + [NEVER] * self.controls
        for kind in range(WALL_KIND + 1, kinds):
            start = self._last([_frees_then_hands_out(move, kind, wanted) for move in self.moves])
            for number in self.kept:
                move = self.moves[number]
                if any(_frees(op, kind) for op in move.operations):
                    for control, after in self._leads[number]:
                        start[control] = min(start[control], move.frames + then[after])
            table += self.nearest(start)
        return tuple(table)

    def hand_out(self, wanted: int, gains: Sequence[int], most: int) -> tuple[int, ...]:
        """``[n * controls + control]`` up to n = ``most``: frames until one of mask ``wanted`` is.

        Before that, blocks are handed out whose ``gains`` by kind add up to n or more.
        """
        before = [_before(move, wanted, gains) for move in self.moves]
        gain = [sum(_gains(move, gains)) for move in self.moves]
        gaining = [number for number in self.kept if gain[number]]
        others = [number for number in self.kept if not gain[number]]
        rows: list[list[int]] = []
        for number in range(most + 1):
            row = self._last([best is not None and best >= number for best in before])
            # where n is 0 nothing is left to gain: such a move stays in its row
            for move in gaining if number else ():
                lower, frames = rows[max(0, number - gain[move])], self.moves[move].frames
                for control, after in self._leads[move]:
                    if frames + lower[after] < row[control]:
                        row[control] = frames + lower[after]
            rows.append(self.nearest(row, others if number else self.kept))
        return tuple(frames for row in rows for frames in row)

    def nearest(self, start: Sequence[int], through: Sequence[int] | None = None) -> list[int]:
        """The least by control, when one may go along the moves of ``through`` (all) first."""
        moves = tuple(self.kept if through is None else through)
        if moves not in self._reversed:
            reverse: list[list[tuple[int, int]]] = [[] for _ in range(self.controls)]
            for move in moves:
                for control, after in self._leads[move]:
                    if control != after:
                        reverse[after].append((control, self.moves[move].frames))
            self._reversed[moves] = reverse
        reverse = self._reversed[moves]
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

    def least_by_ending(self, ends: Mapping[int, Sequence[int]]) -> list[int]:
        """By control the least frames of which the last move is one of ``ends``.

        Behind that move, in the control that it leads to, it takes as many more as ``ends`` has.
        """
        start = [NEVER] * self.controls
        for number, further in ends.items():
            for control, after in self._leads[number]:
                cost = self.moves[number].frames + further[after]
                start[control] = min(start[control], cost)
        return self.nearest(start)

    def _last(self, ends: Sequence[bool]) -> list[int]:
        """Frames by control where the next action is the last."""
        row = [NEVER] * self.controls
        for number in self.kept:
            if ends[number]:
                for control, _ in self._leads[number]:
                    row[control] = min(row[control], self.moves[number].frames)
        return row


def prices_of(
    graph: ControlGraph, some: Collection[int], kinds: int
) -> tuple[list[int], list[int]]:
    """What handing out a block of each kind by some moves costs at least, and releasing one.

    An action's frames are shared by all blocks that it hands out or releases, so that what it does
    together costs no more than its frames; where it releases all of some kinds, these cost nothing.
    NEVER where no move does it.
    """
    alloc, free = [NEVER] * kinds, [NEVER] * kinds
    for number in some:
        move = graph.moves[number]
        changes = [op for op in move.operations if op.code in (Code.ALLOC, Code.FREE)]
        share = move.frames // max(1, sum(op.count for op in changes))
        for operation in changes:
            if operation.code == Code.ALLOC:
                alloc[operation.what] = min(alloc[operation.what], share)
                continue
            for kind in range(kinds):
                if operation.what >> kind & 1:
                    free[kind] = min(free[kind], share if operation.count else 0)
    return alloc, free


def priced_chain(
    targets: Mapping[int, int],
    upwards: Mapping[int, int],
    downwards: Mapping[int, int],
    units: int,
) -> tuple[int, ...]:
    """As ``chain_of`` with the least price of the blocks; each mapping has prices by units."""
    prices = [NEVER] * (units + 1)
    queue = []
    for target, price in targets.items():
        if 0 <= target <= units and price < prices[target]:
            prices[target] = price
            queue.append((price, target))
    heapq.heapify(queue)
    steps = [(-stride, price) for stride, price in upwards.items()]
    steps += downwards.items()
    while queue:
        price, at = heapq.heappop(queue)
        if price > prices[at]:
            continue
        for step, more in steps:
            to = at + step
            if 0 <= to <= units and price + more < prices[to]:
                prices[to] = price + more
                heapq.heappush(queue, (price + more, to))
    return tuple(prices)


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
