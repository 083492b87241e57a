"""The engine in plain Python: the reference for others, and what runs where there is none.

A* over whole states.  Heaps are numbered as they are met and found again by all that is in them,
and what a move makes of one is worked out once; so a state is two small numbers: all builds' heaps
together, and a control.
"""

from __future__ import annotations

import heapq
import random

from bridge.planning.engine import Bounds, End, Progress
from bridge.planning.plain_tables import JointHeaps
from bridge.planning.problem import NEVER, Problem

__all__ = ["PlainEngine", "PlainSearch"]

_STATE_BYTES = 300
"""Of one state in the tables of costs and ways, and in the queue; measured, see
tests/benchmarks/planner.py."""


class PlainEngine:
    """Runs everywhere, and takes every problem."""

    name = "plain Python"
    slice = 200
    wandering = 3_000

    def takes(self, problem: Problem) -> bool:
        """It always can."""
        return True

    def begin(self, problem: Problem, bounds: Bounds) -> PlainSearch:
        """A search that has expanded nothing yet."""
        return PlainSearch(problem, bounds)


class PlainSearch:
    """One search, with all states that it has met."""

    def __init__(self, problem: Problem, bounds: Bounds) -> None:
        self._problem = problem
        self._bounds = bounds
        self._heaps = JointHeaps(problem)
        self._controls = problem.controls
        self._width = len(problem.moves)
        self._frames = [move.frames for move in problem.moves]
        self._cost: dict[int, int] = {}
        self._way: dict[int, int] = {}
        self._queue: dict[int, list[tuple[int, int]]] = {}
        self._levels: list[int] = []
        self._expanded = self._generated = 0
        self._dropped = False
        self._best: tuple[int, ...] | None = None
        self._best_frames = bounds.frames + 1
        self._root = self._enter()

    def close(self) -> None:
        """Give back the memory."""
        self._heaps = JointHeaps(self._problem)
        for table in (self._cost, self._way, self._queue, self._levels):
            table.clear()

    def run(self, expansions: int) -> Progress:
        """Expand at most so many states more."""
        levels, queue = self._levels, self._queue
        while expansions > 0 and levels and levels[0] < self._best_frames:
            level = levels[0]
            states = queue[level]
            while states and expansions > 0:
                state, cost = states.pop()
                if self._cost[state] == cost:
                    self._expand(state, cost)
                    expansions -= 1
                    if self._expanded % 32 == 0 and self._memory() > self._bounds.memory:
                        return self._progress(full=True)
                    if levels[0] < level or level >= self._best_frames:
                        break
            if not states and levels[0] == level:
                heapq.heappop(levels)
                del queue[level]
        return self._progress()

    def wander(self, moves: int, seed: int) -> Progress:
        """Do about so many moves at random."""
        chance = random.Random(seed)
        most, done = 4, 0
        while done < moves:
            state, cost, way = self._root[0], self._root[1], list(self._bounds.prefix)
            if self._heaps.reached[state // self._controls]:
                break
            for step in range(most):
                open_moves = [
                    move for move in range(self._width) if step or move not in self._bounds.not_next
                ]
                after = -1
                done += 1
                while open_moves and after < 0:
                    at = chance.randrange(len(open_moves))
                    open_moves[at], open_moves[-1] = open_moves[-1], open_moves[at]
                    move = open_moves.pop()
                    after = self._after(state, move)
                    if after in self._closed:
                        after = -1
                if after < 0:
                    break
                state = after
                cost += self._frames[move]
                way.append(move)
                if self._heaps.reached[state // self._controls]:
                    if cost < self._best_frames:
                        self._best, self._best_frames = tuple(way), cost
                    break
                if cost + self._estimate(state) >= self._best_frames:
                    break
            most = most % 32 + 1 if most < 32 else 4
            if self._memory() > self._bounds.memory:
                break
        return self._progress()

    def _enter(self) -> tuple[int, int]:
        """Where the search begins: behind the prefix, whose states are closed."""
        state, cost = self._problem.control, 0
        self._closed: set[int] = set()
        for move in self._bounds.prefix:
            self._closed.add(state)
            state = self._after(state, move)
            if state < 0:
                raise AssertionError(f"the prefix {self._bounds.prefix} is not possible")
            cost += self._frames[move]
        for closed in self._closed:
            self._cost[closed] = -1
        if self._heaps.reached[state // self._controls]:
            if cost <= self._bounds.frames:
                self._best, self._best_frames = self._bounds.prefix, cost
        elif self._push(state, cost):
            self._cost[state] = cost
        return state, cost

    def _push(self, state: int, cost: int) -> bool:
        """Put a state into the queue, if a plan through it can still be of use."""
        least = self._estimate(state)
        level = cost + least
        if least >= NEVER or level >= self._best_frames:
            self._dropped = self._dropped or least < NEVER
            return False
        states = self._queue.get(level)
        if states is None:
            states = self._queue[level] = []
            heapq.heappush(self._levels, level)
        states.append((state, cost))
        return True

    def _expand(self, state: int, cost: int) -> None:
        self._expanded += 1
        refused = self._bounds.not_next if state == self._root[0] else ()
        costs, reached, frames = self._cost, self._heaps.reached, self._frames
        for move in range(self._width):
            if move in refused:
                continue
            after = self._after(state, move)
            if after < 0:
                continue
            self._generated += 1
            total = cost + frames[move]
            known = costs.get(after)
            if known is not None and known <= total:
                continue
            if reached[after // self._controls]:
                if total < self._best_frames:
                    self._best_frames = total
                    self._best = (*self._path(state), move)
                else:
                    self._dropped = True
                continue
            if self._push(after, total):
                costs[after] = total
                self._way[after] = state * self._width + move

    def _after(self, state: int, move: int) -> int:
        """The state behind a move, -1 where it is not possible."""
        heaps, control = divmod(state, self._controls)
        control = self._problem.next_control[control * self._width + move]
        if control < 0:
            return -1
        heaps = self._heaps.after(heaps, move)
        return -1 if heaps < 0 else heaps * self._controls + control

    def _estimate(self, state: int) -> int:
        heaps, control = divmod(state, self._controls)
        return self._heaps.least[heaps][control]

    def _path(self, state: int) -> tuple[int, ...]:
        moves: list[int] = []
        while state != self._root[0]:
            state, move = divmod(self._way[state], self._width)
            moves.append(move)
        return (*self._bounds.prefix, *reversed(moves))

    def _memory(self) -> int:
        return len(self._cost) * _STATE_BYTES + self._heaps.memory

    def _progress(self, full: bool = False) -> Progress:
        found = self._best is not None
        floor = min(self._levels[0] if self._levels else self._best_frames, self._best_frames)
        end = End.GOING
        if not self._levels or floor >= self._best_frames:
            end = End.FOUND if found else End.BOUND if self._dropped else End.EXHAUSTED
        elif full:
            end = End.FULL
        return Progress(
            end=end,
            expanded=self._expanded,
            generated=self._generated,
            floor=floor,
            memory=self._memory(),
            best=self._best,
            frames=self._best_frames if found else None,
        )
