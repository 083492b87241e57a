"""The core in C (``engine.c``, built as ``engine.wasm``), run by the package ``wasmtime``.

Each search has a memory of its own, into which the problem is written (``problem_tables.py``), and
which is given back when it is closed.
"""

from __future__ import annotations

import struct
from array import array
from pathlib import Path

import wasmtime

from adapters.planning.problem_tables import MOST_FRAMES, NONE, ProblemTables, unpacked
from bridge.planning.engine import BeyondBounds, Bounds, End, Progress
from bridge.planning.problem import Heap, Problem

__all__ = [
    "CORE",
    "DONE",
    "FULL",
    "GOING",
    "MOST_BUILDS",
    "MOST_CELLS",
    "MOST_KINDS",
    "MOST_MEMORY",
    "MOST_UNITS",
    "TOLD",
    "TOO_LARGE",
    "CompiledEngine",
    "CompiledSearch",
]

CORE = Path(__file__).with_name("engine.wasm")

MOST_BUILDS = 8
MOST_CELLS = 4096
MOST_KINDS = 64
MOST_UNITS = (1 << 32) - 1
MOST_MEMORY = (1 << 32) - (1 << 16)
GOING, DONE, FULL, TOO_LARGE = range(4)
TOLD = struct.Struct("<QQ10I")
"""As struct Told of engine.c."""


class CompiledEngine:
    """An engine of ``bridge/planning/engine.py``: some hundred thousand states a second."""

    name = "compiled"
    slice = 5_000
    wandering = 200_000

    def __init__(self) -> None:
        self._engine = wasmtime.Engine()
        self._module = wasmtime.Module.from_file(self._engine, str(CORE))

    def takes(self, problem: Problem) -> bool:
        """Whether its states fit into the core's words, and no pattern is to be asked."""
        if len(problem.names) > MOST_KINDS or len(problem.builds) > MOST_BUILDS:
            return False
        return not any(
            build.pattern or len(build.start.cells) > MOST_CELLS or build.units > MOST_UNITS
            for build in problem.builds
        )

    def begin(self, problem: Problem, bounds: Bounds) -> CompiledSearch:
        """A search that has expanded nothing yet; BeyondBounds where it cannot hold the problem."""
        return CompiledSearch(self._engine, self._module, problem, bounds)


class CompiledSearch:
    """One search in a memory of its own."""

    def __init__(
        self, engine: wasmtime.Engine, module: wasmtime.Module, problem: Problem, bounds: Bounds
    ) -> None:
        if bounds.frames > MOST_FRAMES:
            raise BeyondBounds(f"a bound of {bounds.frames} frames; at most {MOST_FRAMES}")
        self._store = wasmtime.Store(engine)
        self._exports = wasmtime.Instance(self._store, module, []).exports(self._store)
        memory = self._exports["memory"]
        assert isinstance(memory, wasmtime.Memory)
        self._memory = memory
        self._problem = problem
        self._told_at = self._call("tell")
        self._call("limit_memory", min(bounds.memory, MOST_MEMORY))
        self._status = self._begin(bounds)
        if self._status > TOO_LARGE:
            raise ValueError("the prefix cannot be done, or passes a state twice")
        self._check()

    def run(self, expansions: int) -> Progress:
        """Expand at most so many states more; GOING where there is more to do."""
        if self._status == GOING:
            self._status = self._call("search", expansions)
        return self._progress()

    def wander(self, moves: int, seed: int) -> Progress:
        """Try so many moves at random from where the search begins."""
        if self._status == GOING:
            self._status = self._call("wander", moves, seed)
        return self._progress()

    @property
    def states(self) -> int:
        """How many different ones it has met."""
        return self._told()[2]

    def stand(self) -> None:
        """Stand where the search begins."""
        self._call("stand")

    def perform(self, move: int) -> tuple[int, tuple[Heap, ...], int, bool] | None:
        """Do one move where one stands: None where that is not possible.

        Else the control and heaps that it leads to, how far they are from the goal at least, and
        whether they are one.
        """
        length = self._call("perform", move)
        if not length:
            return None
        *_, words, far, reached = self._told()
        state = array("I", self._read(words, 4 * length))
        return state[0], unpacked(self._problem, state[1:]), far, bool(reached)

    def close(self) -> None:
        """Give back the memory."""
        self._store.close()

    def _begin(self, bounds: Bounds) -> int:
        base = self._call("room", 0)
        tables = ProblemTables(self._problem, bounds, base)
        if self._call("room", len(tables.content)) != base:
            return FULL
        self._memory.write(self._store, tables.content, base)
        return self._call("begin", tables.address)

    def _call(self, name: str, *words: int) -> int:
        function = self._exports[name]
        assert isinstance(function, wasmtime.Func)
        # what WebAssembly has are signed numbers
        answer = function(self._store, *(word - ((word >> 31) << 32) for word in words))
        return (answer or 0) & NONE

    def _read(self, at: int, size: int) -> bytes:
        return bytes(self._memory.read(self._store, at, at + size))

    def _told(self) -> tuple[int, ...]:
        return TOLD.unpack(self._read(self._told_at, TOLD.size))

    def _check(self) -> None:
        if self._status == TOO_LARGE:
            raise BeyondBounds(
                f"a heap of more than {MOST_CELLS} cells, or too many ages among its blocks"
            )

    def _progress(self) -> Progress:
        self._check()
        expanded, generated, _, floor, cost, memory, bounded, steps, path, *_ = self._told()
        best = None
        if cost != NONE:
            best = tuple(reversed(array("I", self._read(path, 4 * steps))))
        end = End.GOING
        if self._status == FULL:
            end = End.FULL
        elif self._status == DONE:
            end = End.FOUND if best is not None else End.BOUND if bounded else End.EXHAUSTED
        frames = None if best is None else cost
        return Progress(end, expanded, generated, floor, memory, best, frames)
