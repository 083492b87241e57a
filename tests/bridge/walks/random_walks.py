"""Games of walking drawn at random, and a search that shares nothing with lowhalf's but the steps.

The reference keeps its states in a dict and takes them from a heap, one at a time, in plain Python.
"""

from __future__ import annotations

import heapq
import random
import struct
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from bridge.solvers.walks.model import Position, Step, WalkMove, Walks
from bridge.solvers.walks.plain import performed
from bridge.solvers.walks.sines import sine_rounded
from bridge.solvers.walks.wanted import Wanted

AXES = ("x", "y", "z")


def pattern(value: float) -> int:
    """The bits of a number as a C compiler's ``float`` has them."""
    return int.from_bytes(struct.pack(">f", value), "big")


@dataclass(frozen=True)
class Game:
    """A game with the place where somebody stands, and what is wanted of x there."""

    walks: Walks
    start: Position
    wanted: Wanted
    max_moves: int | None
    max_frames: int | None


def drawn_game(drawn: random.Random) -> Game:
    moves = tuple(_move(drawn, number) for number in range(drawn.randint(1, 4)))
    sine = sine_rounded() if drawn.random() < 0.7 else np.repeat(sine_rounded()[::256], 256)
    walks = Walks(moves, AXES, sine)
    start = Position(
        {axis: pattern(drawn.choice((0.0, -0.0, 1.5, drawn.uniform(-50, 50)))) for axis in AXES},
        drawn.randrange(0x10000),
    )
    wanted = drawn.choice(
        (
            Wanted(low=drawn.randrange(0x10000) & 0xFFF0),
            Wanted(lowest=drawn.uniform(-3, 3), highest=drawn.uniform(3, 4)),
            Wanted(high=pattern(drawn.uniform(-4, 4)) >> 16),
            Wanted(lowest=0, highest=0),
        )
    )
    bounds = drawn.choice(((4, None), (None, 6), (3, 9), (5, 7)))
    return Game(walks, start, wanted, *bounds)


def _move(drawn: random.Random, number: int) -> WalkMove:
    steps = [_step(drawn) for _ in range(drawn.randint(1, 4))]
    frames = drawn.choice((1, 1, 1, 2, 3))
    limit = drawn.choice((None, None, None, 1, 2))
    return WalkMove(f"move {number}", tuple(steps), frames, drawn.random() < 0.4, limit)


def _step(drawn: random.Random) -> Step:
    to = drawn.choice(AXES)
    small = pattern(drawn.choice((0.5, 0.375, -0.25, 0.0, drawn.uniform(-1, 1))))
    kind = drawn.randrange(8)
    if kind == 0:
        return Step("turn", angle=drawn.choice((0x4000, -0x0300, 0x2AAB)))
    if kind == 1:
        return Step("face", angle=drawn.choice((0x4000, 0x1000)))
    if kind == 2:
        return Step("set", to, (pattern(drawn.choice((-15.5, 0.0, -0.0, 2.3))),))
    if kind == 3:
        return Step("clamp", to, (pattern(-2.25), pattern(drawn.choice((3.5, 40.0)))))
    if kind == 4:
        return Step("fused", to, (drawn.choice(("sin", "cos")), small, to))
    if kind == 5:
        return Step("multiply", to, (drawn.choice(("sin", "cos", to)), small))
    if kind == 6:
        return Step("add", to, (to, drawn.choice(AXES)))
    return Step("add", to, (to, small))


def cheapest(game: Game) -> tuple[tuple[int, int] | None, int]:
    """Frames and moves of the cheapest walk, None where there is none, and the states seen.

    A state is all of a position, with how often each move was used: more of them than need be.
    """
    seen: dict[tuple[object, ...], int] = {}
    heap = [(0, 0, 0, game.start, (0,) * len(game.walks.moves))]
    serial = 0
    best: tuple[int, int] | None = None
    while heap:
        frames, moves, _, position, used = heapq.heappop(heap)
        if best is not None and (frames, moves) >= best:
            break
        key = (*position.patterns.values(), position.facing, *used)
        if seen.get(key, 1 << 30) <= moves:
            continue
        seen[key] = moves
        if game.wanted.is_met(position.patterns["x"]):
            return (frames, moves), len(seen)
        if moves == game.max_moves:
            continue
        for number, move in enumerate(game.walks.moves):
            if move.limit is not None and used[number] >= move.limit:
                continue
            for frame, after in _frames(game.walks, position, move):
                if game.max_frames is not None and frames + frame > game.max_frames:
                    break
                if frame < move.frames and game.wanted.is_met(after.patterns["x"]):
                    cost = (frames + frame, moves + 1)
                    best = cost if best is None else min(best, cost)
                if frame == move.frames:
                    uses = (*used[:number], used[number] + 1, *used[number + 1 :])
                    if any(value & 0x7FFF_FFFF > 0x7F80_0000 for value in after.patterns.values()):
                        continue
                    serial += 1
                    heapq.heappush(heap, (frames + frame, moves + 1, serial, after, uses))
    return best, len(seen)


def _frames(walks: Walks, position: Position, move: WalkMove) -> Iterator[tuple[int, Position]]:
    if not move.each_frame:
        yield move.frames, performed(walks, position, move.steps)
        return
    for frame in range(1, move.frames + 1):
        position = performed(walks, position, move.steps)
        yield frame, position
