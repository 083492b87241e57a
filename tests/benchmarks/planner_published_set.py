"""A published problem set, re-created: ``python -m tests.benchmarks.planner_published_set [best]``.

Heelan, Melham and Kroening, "Automatic Heap Layout Manipulation for Exploitation", USENIX Security
2018, section 4.1 and Table 1: of two blocks one is to lie right behind the other.  72 problems: 36
ordered pairs of sizes, and which of the two is handed out first; with 0, 1 or 4 blocks of noise
that every allocation brings with it; at most 1,000 actions.

Theirs is black-box: it knows nothing of the allocator, tries up to 500,000 sequences at random
against the real one, from heaps of real programs, and is the average of 9 runs.  Ours is white-box:
it has the allocator's rules, and a start state of its own (366 allocations, 205 releases).  So the
two columns do not measure the same, and nothing is won by either.  What the paper leaves open we
chose: the six sizes are from memory of the paper; noise has the size of what it comes with and can
be released as the other fillers can; releases are of the newest, lowest or highest of a kind.  The
planner wants places, not neighbours, so that a problem is tried at some places, one after another.
"""

from __future__ import annotations

import itertools
import random
import sys
from collections.abc import Iterator
from dataclasses import dataclass

from adapters.planning.engines import engine_here
from adapters.system_clock import SystemClock
from bridge.planning.actions import Action, Alloc, Effect, Free, Interval, Which
from bridge.planning.allocation import allocate, release
from bridge.planning.arena import HOLE, Arena, Cell
from bridge.planning.find import find
from bridge.planning.model import GameModel, Limits, Placed, Start, Task
from bridge.planning.outcome import Verdict
from bridge.planning.policy import Fit, Policy

SIZES = (8, 64, 512, 4096, 16384, 65536)
NOISE = (0, 1, 4)
PUBLISHED = {"avrlibc": (100, 51, 41), "dlmalloc": (99, 46, 33)}
"""Per cent solved, by noise."""
ALLOCATIONS, RELEASES = 366, 205
PLACES = 6
SECONDS = 0.5
BASE = 0x1000_0000


@dataclass(frozen=True)
class Problem:
    """Sizes of the two blocks, the lower one first; whether that is handed out first; noise."""

    low: int
    high: int
    in_order: bool
    noise: int


def problems(noise: int) -> Iterator[Problem]:
    for low, high, in_order in itertools.product(SIZES, SIZES, (True, False)):
        yield Problem(low, high, in_order, noise)


def start_state(policy: Policy) -> Arena:
    """A heap that was used: blocks of 8 to 128 bytes came and went, and the rest is one hole."""
    chance = random.Random(2018)
    arena = Arena((Cell(BASE, 128 << 20, HOLE, 0),))
    live: list[int] = []
    waiting = RELEASES
    for number in range(ALLOCATIONS):
        before = {cell.start for cell in arena.cells if cell.used}
        arena = allocate(arena, policy, 8 << chance.randrange(5), "old")
        live += {cell.start for cell in arena.cells if cell.used} - before
        while waiting and live and chance.random() < waiting / (ALLOCATIONS - number):
            arena = release(arena, policy, live.pop(chance.randrange(len(live))))
            waiting -= 1
    return arena


def task(problem: Problem, arena: Arena, policy: Policy, place: int) -> Task:
    sizes = {"old": 8}
    for kind, size in (("low", problem.low), ("high", problem.high)):
        sizes |= {kind: size, f"{kind}_filler": size}
    first, second = ("low", "high") if problem.in_order else ("high", "low")

    def made(kind: str, beside: str) -> tuple[Effect, ...]:
        noise = [Alloc(f"{beside}_filler", problem.noise)] if problem.noise else []
        return (Alloc(kind), *noise)

    actions = []
    for stage, kind in enumerate((first, second)):
        needs = {"stage": (Interval(stage, stage),)}
        actions.append(Action(kind, 1, 0, needs, {"stage": stage + 1}, effects=made(kind, kind)))
    for kind in ("low", "high"):
        filler = f"{kind}_filler"
        actions.append(Action(f"make_{filler}", 1, effects=made(filler, kind)))
        for which in (Which.NEWEST, Which.LOWEST, Which.HIGHEST):
            actions.append(Action(f"{which}_{filler}", 1, effects=(Free((filler,), which),)))
    payload = place + policy.header
    goals = (
        Placed("low", {"it": (payload, payload)}),
        Placed("high", {"it": (payload + policy.stride(problem.low),) * 2}),
    )
    start = Start(GameModel("it", policy, sizes), arena)
    return Task((start,), {"stage": 0}, tuple(actions), goals)


def places(problem: Problem, arena: Arena, policy: Policy) -> list[int]:
    """Where the lower block might lie: the first holes for both, and what the last hole offers."""
    low, high = policy.stride(problem.low), policy.stride(problem.high)
    holes = [cell.start for cell in arena.cells if not cell.used and cell.stride >= low + high]
    top = holes[-1]
    return sorted({*holes[: PLACES - 3], top, top + low, top + high})


def solved(problem: Problem, arena: Arena, policy: Policy) -> tuple[bool, bool]:
    """Whether a plan was found, and whether no place of those tried has a cheaper one."""
    best: int | None = None
    proved = True
    engine = engine_here().engine
    for place in places(problem, arena, policy):
        most = 1000 if best is None else best - 1
        limits = Limits(frames=most, seconds=SECONDS)
        outcome = find(task(problem, arena, policy, place), limits, SystemClock(), engine)
        proved = proved and outcome.verdict is not Verdict.CUT_SHORT
        if outcome.plans:
            best = outcome.plans[0].frames
    return best is not None, best is not None and proved


def main(fit: Fit) -> None:
    policy = Policy(fit=fit, header=8, alignment=8, least_rest=16)
    arena = start_state(policy)
    print(f"{len(arena.cells)} blocks and holes; {fit} fit; {SECONDS} s for each of the places")
    print("noise", *(f"{name:>9}" for name in PUBLISHED), "   lowhalf", "  of it proved")
    for at, noise in enumerate(NOISE):
        results = [solved(problem, arena, policy) for problem in problems(noise)]
        ours = [100 * sum(each) / len(results) for each in zip(*results, strict=True)]
        theirs = [table[at] for table in PUBLISHED.values()]
        columns = [f"{share:8} %" for share in theirs] + [f"{share:8.0f} %" for share in ours]
        print(f"{noise:5}", *columns, flush=True)
    print("published: pseudo-random, black-box; lowhalf: white-box, other heaps: no comparison")


if __name__ == "__main__":
    main(Fit(sys.argv[1]) if sys.argv[1:] else Fit.FIRST)
