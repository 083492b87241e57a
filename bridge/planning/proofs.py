"""Why a goal can never be reached, where that shows without any search.

Each proof holds for every number of actions.  Where none applies nothing is said, and the search
decides.
"""

from __future__ import annotations

from bridge.planning.arena import HOLE, WALL
from bridge.planning.lower_bounds import measured, passes
from bridge.planning.model import Covered, LaidOut, Placed, Start, Task
from bridge.planning.plain_heap import PlainHeaps, unpacked
from bridge.planning.problem import (
    NEVER,
    WALL_KIND,
    Build,
    Code,
    Problem,
    Test,
)
from bridge.planning.sweeps import after_sweep, sweeping

__all__ = ["impossible_because"]


def impossible_because(task: Task, problem: Problem) -> str:
    """In words why no sequence of actions reaches the goal; empty where no proof applies.

    The problem is one whose tests speak of all plans (``compiled`` with ``whole``).
    """
    starts = {start.game.build: start for start in task.starts}
    for build in problem.builds:
        heaps = PlainHeaps(problem, build)
        for test in build.tests:
            if passes(test, unpacked(heaps.start)):
                continue
            found = _Proof(task, problem, starts[build.names[0]], build, test, heaps)
            words = found.by_tables() or found.always_released()
            if words:
                return f"{build.names[0]}: {words}" if len(task.starts) > 1 else words
    return ""


class _Proof:
    """One test that does not pass at the start."""

    def __init__(
        self,
        task: Task,
        problem: Problem,
        start: Start,
        build: Build,
        test: Test,
        heaps: PlainHeaps,
    ) -> None:
        self._problem = problem
        self._start = start
        self._build = build
        self._test = test
        self._heaps = heaps
        goal = task.goals[test.goal]
        kind = goal.kind if isinstance(goal, Placed | Covered) else None
        self._covered = isinstance(goal, Covered)
        self._wanted = f"a block of {kind}" if kind else "a block"
        if isinstance(goal, Placed):
            low, high = goal.spans[start.game.build]
            self._where = f"0x{low:08X}" if low == high else f"0x{low:08X} to 0x{high:08X}"
        elif isinstance(goal, LaidOut):
            at = build.base + test.low * build.unit
            if test.kinds:
                at += start.game.policy.header
                number = test.kinds.bit_length() - 1
                named = problem.names[number] if number > WALL_KIND else "its kind"
                self._wanted = f"a block of {named}"
            self._where = f"0x{at:08X}"
        else:
            self._where = f"0x{goal.addresses[start.game.build]:08X}"

    def by_tables(self) -> str:
        """What the heuristic says of the start: its tables are lower bounds over all plans."""
        test, problem = self._test, self._problem
        tables = (test.clear, test.fill, test.links)
        never = [
            (table, row)
            for table, row in measured(test, unpacked(self._heaps.start), problem.controls)
            if table < len(tables)
            and (row < 0 or tables[table][row * problem.controls + problem.control] >= NEVER)
        ]
        if not never:
            return ""
        if test.fill[problem.control] >= NEVER:
            if not test.kinds:
                return f"{self._where} is outside the heap"
            if test.low > test.high and test.kinds != 1 << WALL_KIND:
                return self._nowhere()
            return f"no action that can be reached hands out {self._wanted}"
        for table, row in never:
            if table == 0:
                return self._in_the_way(row)
        if (2, -1) in never:
            return f"no sum of block sizes from any boundary reaches {self._where}"
        return f"too little can be handed out before {self._wanted} could lie at {self._where}"

    def _nowhere(self) -> str:
        unit, header = self._build.unit, self._start.game.policy.header
        first = self._build.base + header
        if self._covered:
            last = self._build.base + self._build.units * unit - 1
            return f"no payload can hold {self._where}: they lie from 0x{first:08X} to 0x{last:08X}"
        return (
            f"no block starts at {self._where}: they do from 0x{first:08X} to "
            f"0x{first + (self._build.units - 1) * unit:08X} every {unit:#x} bytes"
        )

    def _in_the_way(self, kind: int) -> str:
        """The first cell of the game's own heap that is, or has become, one of the kind."""
        build, test, header = self._build, self._test, self._start.game.policy.header
        spans = [
            (start, start + units)
            for start, units, found, _ in unpacked(self._heaps.start)
            if found == kind and start < test.clear_high and start + units > test.clear_low
        ]
        for cell in self._start.arena.cells:
            low = (cell.start - build.base) // build.unit
            high = (cell.end - build.base) // build.unit
            if low >= test.clear_high or high <= test.clear_low:
                continue
            if not any(start <= low and high <= end for start, end in spans):
                continue
            if cell.kind == WALL:
                return f"what lies at 0x{cell.start:08X} is no block and never changes"
            if cell.kind == HOLE:
                return f"the hole at 0x{cell.start:08X} is too small for any block and never grows"
            block = f"the {cell.kind} at 0x{cell.start + header:08X}"
            if kind == WALL_KIND:
                return f"a permanent block lies there: {block}, which no action releases"
            then = f" and hands out {self._wanted} after that" if test.kinds else ""
            return f"{block} lies there, and no action that can be reached releases it{then}"
        raise AssertionError(f"nothing of kind {kind} lies at {self._where}")

    def always_released(self) -> str:
        """Every action that hands it out first releases all that is ever handed out."""
        test, moves = self._test, self._problem.moves
        if not test.kinds:
            return ""
        sweeps = sweeping(self._problem, [self._heaps])
        places: set[int] = set()
        for number, move in enumerate(moves):
            if not any(
                operation.code == Code.ALLOC and test.kinds >> operation.what & 1
                for operation in move.operations
            ):
                continue
            if number not in sweeps:
                return ""
            for heap in after_sweep(self._heaps, move):
                cells = unpacked(heap)
                if passes(test, cells):
                    return ""
                places |= {start for start, _, kind, _ in cells if test.kinds >> kind & 1}
        base = self._build.base + self._build.policy.header
        found = ", ".join(
            f"0x{base + place * self._build.unit:08X}" for place in sorted(places)[:8]
        )
        return (
            f"every action that hands out {self._wanted} first releases all that can be released, "
            + (f"so that one lies at {found} and nowhere else" if found else "and has no room then")
        )
