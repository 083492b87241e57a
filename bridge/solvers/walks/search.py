"""The search for walks: states by what they cost, the cheapest first, each gone on from once.

A state is what has a say in the wanted coordinate: the patterns of the lasting names that lead to
it, the angle faced where a sine is among them, and how often each limited move was used.  All else
is left out, so that more walks come to the same state.

Walks are ordered by frames, then by moves.  Where a bound on moves is given, a state that was
reached by more moves in fewer frames is gone on from again once it is reached by fewer moves, since
that may lead further.  What ends before a bound is reached has looked at every state: then there
is no such walk, and that is a proof.  A state that is no number any more (IEEE 754-2019 6.2) is
not gone on from, and counted: with one of those nothing is proved.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bridge.solvers.walks.binary32 import constant, patterns_of, perform
from bridge.solvers.walks.kept import Kept, kept_for
from bridge.solvers.walks.model import Float32s, Position, Step, Walks
from bridge.solvers.walks.state_set import Numbers, Packing, Rows, StateSet, first_of_each
from bridge.solvers.walks.wanted import Wanted

__all__ = ["Bounds", "Hit", "WalkSearch"]

_AT_ONCE = 1 << 16
"""States of one slice: their arrays still fit a processor's cache."""
_WAITING_FOR_EACH = 4
"""Rows that may wait for each state that may be kept: many of them are known by then."""
_FACING = "facing"
_Key = tuple[int, int]
_Nodes = NDArray[np.int32]


@dataclass(frozen=True, slots=True)
class Bounds:
    """Where a search ends at the latest; None without that bound.  ``states`` bounds memory."""

    moves: int | None = None
    frames: int | None = None
    states: int = 5_000_000


@dataclass(frozen=True, slots=True)
class Hit:
    """A walk after which the coordinate is as wanted: moves by number, and the cost.

    Where the last one performs its steps in each frame, ``last_frames`` is how many of them are
    made; else 0.
    """

    frames: int
    moves: tuple[int, ...]
    last_frames: int = 0


@dataclass(slots=True)
class _Batch:
    """States that are reached at one cost, not yet known to be new.

    ``parents`` are the nodes they were reached from by ``moves``; ``last_frames`` is above 0 where
    they are in the midst of a move, and as wanted.
    """

    rows: Rows
    parents: _Nodes
    moves: NDArray[np.uint8]
    last_frames: int = 0


class WalkSearch:
    """One search, a slice at a time; ``hits`` has what it found so far, the cheapest first."""

    def __init__(
        self, walks: Walks, start: Position, axis: str, wanted: Wanted, bounds: Bounds
    ) -> None:
        self.hits: list[Hit] = []
        self.made = 0
        """States that were made, known ones too."""
        self.not_numbers = 0
        self.bounded = False
        """Whether a bound on moves or frames has left something out."""
        self.full = False
        """Whether the search ended since it has as many states as it may."""
        self._kept: Kept = kept_for(walks, axis)
        self._sine, self._axis, self._wanted, self._bounds = walks.sine, axis, wanted, bounds
        self._start = start
        self._moves = walks.moves
        self._limited = {
            number: move.limit
            for number, move in enumerate(walks.moves)
            if move.limit is not None and number in self._kept.steps
        }
        self._packing = Packing(self._widths())
        self._states = StateSet(self._packing.words)
        costs = {move.frames for move in walks.moves}
        self._again = bounds.moves is not None and len(costs) > 1
        self._least = np.zeros(0, np.int32)  # moves of each state, where they may become fewer
        self._nodes = 0
        self._node_parent, self._node_move = np.zeros(1024, np.int32), np.zeros(1024, np.uint8)
        self._waiting: dict[_Key, list[_Batch]] = {}
        self._keys: list[_Key] = []
        self._waiting_rows = 0
        self._soon = 0
        self._closed_up: dict[_Key, int] = {}
        none = np.full(1, -1, np.int32)
        self._wait((0, 0), _Batch(self._first_rows(), none, np.zeros(1, np.uint8)))

    @property
    def states(self) -> int:
        """How many different states were looked at."""
        return self._states.count

    @property
    def floor(self) -> int:
        """No walk of fewer frames is left to be found."""
        return self._keys[0][0] if self._keys else 0

    def advance(self) -> bool:
        """Search one slice; False where nothing is left to be searched, or there is no room."""
        if not self._keys:
            return False
        most = self._bounds.states
        if self._states.count >= most or self._waiting_rows > _WAITING_FOR_EACH * most:
            self.full = True
            return False
        key, batch = self._next()
        if batch.last_frames:
            for parent, move in zip(batch.parents, batch.moves, strict=True):
                self._hit(key, int(parent), int(move), batch.last_frames)
            return True
        states, new = self._states.add(batch.rows)
        if self._again:
            new = self._fewer_moves(states, new, key[1])
        nodes = self._add_nodes(batch.parents[new], batch.moves[new])
        rows = [word[new] for word in batch.rows]
        met = self._wanted.met(self._patterns(rows, self._axis))
        for node in nodes[met]:
            self._hit(key, int(self._node_parent[node]), int(self._node_move[node]), 0)
        if not met.all():
            self._go_on(key, nodes[~met], [word[~met] for word in rows])
        return True

    # -- states

    def _widths(self) -> dict[str, int]:
        widths = dict.fromkeys(self._kept.changing, 32)
        if self._kept.facing:
            widths[_FACING] = 16
        for number, limit in self._limited.items():
            widths[_uses(number)] = limit.bit_length() or 1
        return widths

    def _first_rows(self) -> Rows:
        fields: dict[str, NDArray[Any]] = {
            name: np.array([self._start.patterns[name]], np.uint32) for name in self._kept.changing
        }
        if self._kept.facing:
            fields[_FACING] = np.array([self._start.facing], np.uint32)
        return self._packing.packed(fields, 1)

    def _patterns(self, rows: Rows, name: str) -> NDArray[np.uint32]:
        if name in self._kept.changing:
            return self._packing.field(rows, name).astype(np.uint32)
        return np.full(len(rows[0]), self._start.patterns[name], np.uint32)

    def _fewer_moves(
        self, states: Numbers, new: NDArray[np.bool_], moves: int
    ) -> NDArray[np.bool_]:
        """Which rows are of a new state, or the first of one that is reached by fewer moves now."""
        if self._states.count > len(self._least):
            grown = np.full(2 * self._states.count, np.iinfo(np.int32).max, np.int32)
            grown[: len(self._least)] = self._least
            self._least = grown
        self._least[states[new]] = moves
        better = np.flatnonzero(self._least[states] > moves)
        _, first = np.unique(states[better], return_index=True)
        self._least[states[better]] = moves
        new = new.copy()
        new[better[first]] = True
        return new

    # -- nodes: the ways to states

    def _add_nodes(self, parents: _Nodes, moves: NDArray[np.uint8]) -> _Nodes:
        first, end = self._nodes, self._nodes + len(parents)
        if end > len(self._node_move):
            room = 2 * end
            self._node_parent = np.resize(self._node_parent, room)
            self._node_move = np.resize(self._node_move, room)
        self._node_parent[first:end] = parents
        self._node_move[first:end] = moves
        self._nodes = end
        return np.arange(first, end, dtype=np.int32)

    def _hit(self, key: _Key, parent: int, move: int, last_frames: int) -> None:
        moves: list[int] = []
        while parent >= 0:
            moves.append(move)
            move, parent = int(self._node_move[parent]), int(self._node_parent[parent])
        self.hits.append(Hit(key[0], tuple(reversed(moves)), last_frames))

    # -- going on

    def _wait(self, key: _Key, batch: _Batch) -> None:
        if key not in self._waiting:
            self._waiting[key] = []
            heapq.heappush(self._keys, key)
        self._waiting[key].append(batch)
        self._waiting_rows += len(batch.parents)
        if not batch.last_frames and key[0] > self._soon:
            self._close_up(key)

    def _close_up(self, key: _Key) -> None:
        """Of states that wait for long, each is kept once; done when they have doubled."""
        batches = [batch for batch in self._waiting[key] if not batch.last_frames]
        size = sum(len(batch.parents) for batch in batches)
        if size < max(_AT_ONCE, 2 * self._closed_up.get(key, 0)):
            return
        whole = _joined(batches)
        kept = first_of_each(whole.rows)
        self._closed_up[key] = len(kept)
        self._waiting_rows -= size - len(kept)
        whole = _Batch([word[kept] for word in whole.rows], whole.parents[kept], whole.moves[kept])
        parts = [_part(whole, first) for first in range(0, len(kept), _AT_ONCE)]
        partial = [batch for batch in self._waiting[key] if batch.last_frames]
        self._waiting[key] = [*partial, *parts]

    def _next(self) -> tuple[_Key, _Batch]:
        """Batches of the least cost, put together up to a slice."""
        key = self._keys[0]
        waiting = self._waiting[key]
        waiting.sort(key=lambda batch: -batch.last_frames)
        taken = [waiting.pop(0)]
        size = len(taken[0].parents)
        while waiting and waiting[0].last_frames == taken[0].last_frames and size < _AT_ONCE:
            size += len(waiting[0].parents)
            taken.append(waiting.pop(0))
        if not waiting:
            heapq.heappop(self._keys)
            del self._waiting[key]
        self._waiting_rows -= size
        self._soon = key[0] + min((move.frames for move in self._moves), default=0)
        self._closed_up.pop(key, None)
        return key, _joined(taken)

    def _go_on(self, key: _Key, nodes: _Nodes, rows: Rows) -> None:
        if key[1] == self._bounds.moves:
            self.bounded = True
            return
        for number, steps in self._kept.steps.items():
            if number in self._limited:
                used = self._packing.field(rows, _uses(number))
                may = used < np.uint64(self._limited[number])
                self._use(key, number, steps, nodes[may], [word[may] for word in rows])
            else:
                self._use(key, number, steps, nodes, rows)

    def _use(
        self, key: _Key, number: int, steps: tuple[Step, ...], nodes: _Nodes, rows: Rows
    ) -> None:
        """What one move makes of these states."""
        move, kept, count = self._moves[number], self._kept, len(nodes)
        (frames, moves), most = key, self._bounds.frames
        left = move.frames if most is None else most - frames
        if not count:
            return
        values = {name: self._patterns(rows, name).view(np.float32) for name in kept.changing}
        values |= {name: constant(self._start.patterns[name]) for name in kept.still}
        facing = np.full(count, self._start.facing, np.uint16)
        if kept.facing:
            facing = self._packing.field(rows, _FACING).astype(np.uint16)
        for frame in range(1, move.times + 1):
            if frame > left:
                break
            facing = perform(steps, values, facing, self._sine)
            if frame < move.times and self._axis in kept.changing:
                met = self._wanted.met(_full(values[self._axis], count))
                made = np.full(count, number, np.uint8)[met]
                if len(made):
                    batch = _Batch([], nodes[met], made, frame)
                    self._wait((frames + frame, moves + 1), batch)
        if left < move.frames:
            self.bounded = True
            return
        self.made += count
        fields: dict[str, NDArray[Any]] = {
            name: _full(values[name], count) for name in kept.changing
        }
        if kept.facing:
            fields[_FACING] = facing
        for each in self._limited:
            fields[_uses(each)] = self._packing.field(rows, _uses(each)) + np.uint64(each == number)
        made = np.full(count, number, np.uint8)
        batch = self._numbers_alone(_Batch(self._packing.packed(fields, count), nodes, made))
        if len(batch.parents):
            self._wait((frames + move.frames, moves + 1), batch)

    def _numbers_alone(self, batch: _Batch) -> _Batch:
        """Without the states that are no numbers."""
        bad = np.zeros(len(batch.parents), bool)
        for name in self._kept.changing:
            bad |= (self._patterns(batch.rows, name) & 0x7FFF_FFFF) > 0x7F80_0000
        if not bad.any():
            return batch
        self.not_numbers += int(bad.sum())
        rows = [word[~bad] for word in batch.rows]
        return _Batch(rows, batch.parents[~bad], batch.moves[~bad])


def _joined(batches: list[_Batch]) -> _Batch:
    if len(batches) == 1:
        return batches[0]
    rows = [np.concatenate(words) for words in zip(*(b.rows for b in batches), strict=True)]
    parents = np.concatenate([batch.parents for batch in batches])
    moves = np.concatenate([batch.moves for batch in batches])
    return _Batch(rows, parents, moves, batches[0].last_frames)


def _part(batch: _Batch, first: int) -> _Batch:
    """One slice of a batch, on its own memory."""
    part = slice(first, first + _AT_ONCE)
    rows = [word[part].copy() for word in batch.rows]
    return _Batch(rows, batch.parents[part].copy(), batch.moves[part].copy())


def _uses(number: int) -> str:
    return f"uses of {number}"


def _full(values: Float32s, count: int) -> NDArray[np.uint32]:
    """The patterns of numbers, or of one for all."""
    return patterns_of(np.broadcast_to(values, (count,)))
