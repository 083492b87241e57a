"""The core in C (``engine.c``, built as ``engine.wasm``), run by the package ``wasmtime``.

A problem is written into the core's memory as the structs that ``engine.c`` has: 32-bit words,
little-endian, masks of kinds as two of them; addresses are those of that memory.  Each search has a
memory of its own, which is given back when it is closed.
"""

from __future__ import annotations

import struct
from array import array
from collections.abc import Iterable, Sequence
from itertools import chain
from pathlib import Path

import wasmtime

from bridge.planning.engine import BeyondBounds, Bounds, End, Progress
from bridge.planning.policy import End as ArenaEnd
from bridge.planning.policy import Fit, HoleOrder, Merge, WhenFull
from bridge.planning.problem import Build, Heap, Problem, Test

__all__ = ["CORE", "CompiledEngine", "CompiledSearch"]

CORE = Path(__file__).with_name("engine.wasm")

NONE = 0xFFFF_FFFF
MOST_BUILDS = 8
MOST_CELLS = 4096
MOST_KINDS = 64
MOST_FRAMES = 1 << 24
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
        stride_bits, kind_bits = widths(problem)
        return stride_bits + kind_bits + age_bits(problem) <= 32 and not any(
            build.pattern or len(build.start.cells) > MOST_CELLS for build in problem.builds
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
        self._written: dict[int, int] = {}
        self._kept: list[object] = []
        self._call("limit_memory", min(bounds.memory, MOST_MEMORY))
        try:
            self._status = self._call("begin", self._problem_words(bounds))
        except MemoryError:
            self._status = FULL
        self._kept.clear()
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

    def _put(self, content: bytes) -> int:
        at = self._call("room", len(content))
        if not at:
            raise MemoryError
        self._memory.write(self._store, content, at)
        return at

    def _words(self, words: Iterable[int]) -> int:
        return self._put(array("I", words).tobytes())

    def _once(self, content: Sequence[int]) -> int:
        """A table that several tests may share, written once."""
        if id(content) not in self._written:
            self._kept.append(content)  # so that its id is no other's
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
                self._words(problem.sweeps),
                self._words(moves),
                self._words(word for build in problem.builds for word in self._build(build)),
                *widths(problem),
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
            list(ArenaEnd).index(policy.tried_from),
            list(ArenaEnd).index(policy.carved_from),
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
            self._words(word for test in build.tests for word in self._test(test)),
        ]

    def _test(self, test: Test) -> list[int]:
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
            self._once(test.prices) if test.prices else 0,
            0,
        ]


def halves(mask: int) -> tuple[int, int]:
    """A 64-bit number as two words."""
    return mask & NONE, mask >> 32


def widths(problem: Problem) -> tuple[int, int]:
    """Bits of a cell's size and of its kind in its word; the rest is for its age."""
    return (
        max(build.units for build in problem.builds).bit_length(),
        (len(problem.names) - 1).bit_length(),
    )


def age_bits(problem: Problem) -> int:
    """Bits that the ages need at the start, and as many again for those to come."""
    if max(problem.groups) < 0 and not any(build.recent for build in problem.builds):
        return 0
    return 1 + max(len(build.start.cells) for build in problem.builds).bit_length()


def packed(problem: Problem, build: Build) -> list[int]:
    """A build's start as the core has it."""
    stride_bits, kind_bits = widths(problem)
    heap = build.start
    words = [len(heap.cells)]
    if build.policy.fit is Fit.NEXT:
        words.append(heap.rover & NONE)
    if problem.follows_held:
        words.append(heap.held & NONE)
    return words + [
        size | kind << stride_bits | age << (stride_bits + kind_bits)
        for size, kind, age in heap.cells
    ]


def unpacked(problem: Problem, words: Sequence[int]) -> tuple[Heap, ...]:
    """The heaps that the core's words stand for."""
    stride_bits, kind_bits = widths(problem)
    heaps = []
    left = iter(words)
    for build in problem.builds:
        count = next(left)
        rover = next(left) if build.policy.fit is Fit.NEXT else NONE
        held = next(left) if problem.follows_held else NONE
        cells = tuple(
            (
                word & ((1 << stride_bits) - 1),
                word >> stride_bits & ((1 << kind_bits) - 1),
                word >> (stride_bits + kind_bits),
            )
            for word in (next(left) for _ in range(count))
        )
        rover, held = (-1 if each == NONE else each for each in (rover, held))
        heaps.append(Heap(cells, rover, held))
    return tuple(heaps)
