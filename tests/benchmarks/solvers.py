"""Speed of the solvers, as ratios within one run: ``python -m tests.benchmarks.solvers``.

(a) the cheapest turn by 9 moves, everything included (costs of all 65,536 turns, the way, the next
    best three, the nearest angles), against a plain Dijkstra over the same 65,536 angles with a
    heap, for those of the moves that have no limit: a limit would give it more states;
(b) halves: counting an interval and finding both neighbours, against stepping through the 65,536
    patterns that have that half.
"""

from __future__ import annotations

import heapq
import random
import struct

from bridge.solvers.halves import half_of, solutions
from bridge.solvers.turns import TURN, Move, TurnSearch
from tests.benchmarks.evaluation import best

MOVES = (
    Move("quarter left", -0x4000, None, 8),
    Move("quarter right", 0x4000, None, 8),
    Move("about", 0x8000, None, 12),
    Move("stride", 0x2AAB, None, 20),
    Move("lean left", -0x0300, None, 3),
    Move("lean right", 0x0123, None, 1),
    Move("nudge", 0x0100, None, 4, 6),
    Move("sea", 0, 0x4000, 30),
    Move("lamp", 0, 0xC000, 45, 1),
)
UNLIMITED = tuple(move for move in MOVES if move.limit is None)
WANT, LOWEST, HIGHEST, NEAR = 0x2B6D, -1000.5, 1000.25, 29.5


def by_dijkstra(moves: tuple[Move, ...], start: int) -> list[int]:
    """Least frames to each angle, -1 where there is no way."""
    frames = [-1] * TURN
    heap = [(0, start)]
    while heap:
        cost, angle = heapq.heappop(heap)
        if frames[angle] >= 0:
            continue
        frames[angle] = cost
        for move in moves:
            to = (angle + move.add) % TURN if move.face is None else move.face
            if frames[to] < 0:
                heapq.heappush(heap, (cost + move.frames, to))
    return frames


def turns(rounds: int = 5) -> tuple[float, float, float]:
    """Seconds for an answer with all moves, with those without a limit, and of Dijkstra."""
    chance = random.Random(3)
    start = chance.randrange(TURN)
    search, plain = TurnSearch(UNLIMITED), by_dijkstra(UNLIMITED, start)
    for to in chance.sample(range(TURN), 500):
        if search.frames(start, to) != plain[to]:
            raise AssertionError(f"the search and Dijkstra differ at 0x{to:04X}")
    to = chance.randrange(TURN)
    whole, unlimited, dijkstra = best(
        [
            lambda: TurnSearch(MOVES).answer(start, to),
            lambda: TurnSearch(UNLIMITED).answer(start, to),
            lambda: by_dijkstra(UNLIMITED, start),
        ],
        rounds,
    )
    return whole, unlimited, dijkstra


def stepping() -> tuple[int, float, float]:
    """Count and neighbours by a look at every pattern with that half."""
    count, below, above = 0, float("-inf"), float("inf")
    for other in range(0x10000):
        pattern = other << 16 | WANT
        value = struct.unpack(">f", pattern.to_bytes(4, "big"))[0]
        if LOWEST <= value <= HIGHEST:
            count += 1
            below = max(below, value) if value <= NEAR else below
            above = min(above, value) if value >= NEAR else above
    return count, below, above


def halves() -> tuple[float, float]:
    """Seconds for a count and both neighbours: by the search, and by stepping."""

    def search() -> tuple[int, int | None, int | None]:
        found = solutions(WANT, lowest=LOWEST, highest=HIGHEST)
        return found.count, found.below(NEAR), found.above(NEAR)

    count, below, _ = search()
    if below is None or half_of(below, high=False) != WANT or count != stepping()[0]:
        raise AssertionError("the search and the stepping differ")
    searched, stepped = best([search, stepping], 10)
    return searched, stepped


def main() -> None:
    whole, unlimited, dijkstra = turns()
    searched, stepped = halves()
    rows = [
        (f"(a) plain Dijkstra, {len(UNLIMITED)} moves without a limit", dijkstra, dijkstra),
        ("    the answer for the same moves", unlimited, dijkstra),
        (f"    the answer for {len(MOVES)} moves, 2 of them limited", whole, dijkstra),
        ("(b) stepping through 65,536 patterns", stepped, stepped),
        ("    count and neighbours by the search", searched, stepped),
    ]
    print(f"{'what':48}  milliseconds     ratio")
    for what, seconds, baseline in rows:
        print(f"{what:48}  {seconds * 1e3:12.3f}  {seconds / baseline:8.4f}")


if __name__ == "__main__":
    main()
