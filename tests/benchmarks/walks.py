"""Speed of the search for walks, as ratios within one run: ``python -m tests.benchmarks.walks``.

Five moves of the demo game to a depth of eight and of ten, for a value that is never reached, so
that all states are looked at; against

(a) a plain Python loop over the same states, with a set and ``struct``;
(b) ``np.sort`` of as many 64-bit numbers as the search makes states: that alone would find the
    different ones, without making them, packing them, or keeping the way to each.
"""

from __future__ import annotations

import struct
from dataclasses import replace

import numpy as np

from bridge.solvers.walks.model import Position, Walks
from bridge.solvers.walks.search import Bounds, WalkSearch
from bridge.solvers.walks.tables import walks_of
from bridge.solvers.walks.wanted import Wanted
from schemas.moves_file import load_walks
from tests.benchmarks.evaluation import best
from tests.benchmarks.live_heap import SCHEMA

MOVES = {
    "run": (0.5, 0),
    "stroll": (0.3125, 0),
    "creep": (0.25, 0),
    "circle": (0.375, 0x0100),
    "lean_right": (0.0, 0x0123),
}
"""Name → speed, and units that are turned before."""
START = Position({"x": 0x3FD9_999A, "z": 0x41E5_999A}, 0x1234)
NEVER = Wanted(pattern=0x7F7F_FFFF)


def five_moves() -> Walks:
    """The moves of MOVES, of the demo game's schema."""
    whole = walks_of(load_walks(SCHEMA))
    return replace(whole, moves=tuple(move for move in whole.moves if move.name in MOVES))


def searched(walks: Walks, depth: int) -> WalkSearch:
    """A search that has looked at every state within so many moves."""
    search = WalkSearch(walks, START, "x", NEVER, Bounds(moves=depth))
    while search.advance():
        pass
    assert search.bounded
    assert not search.full
    return search


def looped(walks: Walks, depth: int) -> int:
    """The states that a plain loop finds within so many moves."""
    assert walks.sine is not None
    packing = struct.Struct(">f")

    def rounded(value: float) -> float:
        number: float = packing.unpack(packing.pack(value))[0]
        return number

    sine = [float(value) for value in walks.sine]
    known = {(rounded(1.7), START.facing)}
    layer = list(known)
    for _ in range(depth):
        following = []
        for x, facing in layer:
            for speed, turn in MOVES.values():
                faced = (facing + turn) & 0xFFFF
                state = (rounded(x + rounded(sine[faced] * speed)), faced)
                if state not in known:
                    known.add(state)
                    following.append(state)
        layer = following
    return len(known)


def against_a_loop(depth: int = 8, rounds: int = 3) -> tuple[float, float, int]:
    """Seconds of the search and of the plain loop, and the states of both."""
    walks = five_moves()
    states = searched(walks, depth).states
    if looped(walks, depth) != states:
        raise AssertionError("the search and the loop differ")
    search, loop = best([lambda: searched(walks, depth), lambda: looped(walks, depth)], rounds)
    return search, loop, states


def against_sorting(depth: int = 10, rounds: int = 2) -> tuple[float, float, int, int]:
    """Seconds of the search and of ``np.sort``, the states found, and all that were made."""
    walks = five_moves()
    found = searched(walks, depth)
    numbers = np.random.default_rng(5).integers(0, 1 << 48, found.made).astype(np.uint64)
    search, sorting = best([lambda: searched(walks, depth), lambda: np.sort(numbers)], rounds)
    return search, sorting, found.states, found.made


def main() -> None:
    search, loop, states = against_a_loop()
    print(f"(a) {states:,} states, 5 moves to depth 8")
    print(f"    plain loop  {loop * 1e3:9.1f} ms  {states / loop:12,.0f} states a second")
    print(f"    the search  {search * 1e3:9.1f} ms  {states / search:12,.0f}  {search / loop:.4f}")
    search, sorting, states, made = against_sorting()
    print(f"(b) {states:,} states of {made:,} that are made, 5 moves to depth 10")
    print(f"    np.sort     {sorting * 1e3:9.1f} ms")
    print(
        f"    the search  {search * 1e3:9.1f} ms  {states / search:12,.0f}  {search / sorting:.2f}"
    )


if __name__ == "__main__":
    main()
