"""The search for walks against a plain Dijkstra over games drawn at random, and by hand.

Source of every cheapest cost: ``random_walks.cheapest``, which shares only the single steps, and
these are held to fractions in ``test_walk_arithmetic.py``.
"""

from __future__ import annotations

import random
from collections import Counter

import numpy as np
import pytest

from bridge.solvers.walks.answer import Verdict, find_walks
from bridge.solvers.walks.model import Position, Step, WalkMove, Walks
from bridge.solvers.walks.plain import walk
from bridge.solvers.walks.search import Bounds, WalkSearch
from bridge.solvers.walks.state_set import Packing, StateSet
from bridge.solvers.walks.wanted import Wanted
from tests.bridge.walks.random_walks import cheapest, drawn_game, pattern

HALF = Step("add", "x", ("x", pattern(0.5)))
ORIGIN = Position({"x": 0})


def hop(limit: int | None = None, frames: int = 1) -> WalkMove:
    return WalkMove("hop", (HALF,), frames, limit=limit)


@pytest.mark.parametrize("games", [30, pytest.param(5_000, marks=pytest.mark.full)])
def test_the_cheapest_walk_is_as_cheap_as_dijkstra_s(games: int) -> None:
    drawn = random.Random(7)
    told: Counter[Verdict] = Counter()
    for number in range(games):
        game = drawn_game(drawn)
        bounds = Bounds(game.max_moves, game.max_frames)
        answer = find_walks(game.walks, game.start, "x", game.wanted, bounds, others=2)
        expected, _ = cheapest(game)
        if not answer.not_numbers:
            told[answer.verdict] += 1
            assert (expected is None) == (answer.verdict is not Verdict.CHEAPEST), number
        costs = [(found.frames, len(found.moves)) for found in answer.walks]
        assert costs == sorted(costs)
        assert costs[:1] == ([] if expected is None else [expected]), number
        for found in answer.walks:
            assert game.wanted.is_met(found.end.patterns["x"])
            if not found.last_frames:
                moves = {move.name: move for move in game.walks.moves}
                ways = [moves[name] for name in found.moves]
                assert walk(game.walks, game.start, ways) == found.end
                assert sum(move.frames for move in ways) == found.frames
    assert min(told[each] for each in (Verdict.CHEAPEST, Verdict.NOT_WITHIN)) > games // 10
    assert told[Verdict.IMPOSSIBLE]


def test_that_there_is_none_is_proved_by_all_states() -> None:
    """Half steps up to three, of which a limit allows six: seven places."""
    walks = Walks((hop(limit=6),), ("x",))
    answer = find_walks(walks, ORIGIN, "x", Wanted(lowest=4, highest=5), Bounds())
    assert (answer.verdict, answer.states) == (Verdict.IMPOSSIBLE, 7)
    assert answer.reason == "all 7 states that can be reached were looked at"
    answer = find_walks(walks, ORIGIN, "x", Wanted(lowest=3, highest=5), Bounds(moves=5))
    assert (answer.verdict, answer.states) == (Verdict.NOT_WITHIN, 6)
    assert answer.reason == "all 6 states that can be reached within 5 moves were looked at"
    answer = find_walks(walks, ORIGIN, "x", Wanted(lowest=3, highest=5), Bounds(frames=6))
    assert (answer.verdict, answer.walks[0].moves) == (Verdict.CHEAPEST, ("hop",) * 6)


def test_what_is_cut_short_is_no_proof() -> None:
    walks = Walks((hop(),), ("x",))
    far = Wanted(lowest=1e6)
    answer = find_walks(walks, ORIGIN, "x", far, Bounds(states=1000))
    assert answer.verdict is Verdict.CUT_SHORT
    assert answer.reason.startswith("there is room for no more after 1,0")
    assert "nothing is proved but that it takes at least 1,0" in answer.reason
    answer = find_walks(walks, ORIGIN, "x", far, Bounds(), go_on=lambda search: search.states < 9)
    assert answer.verdict is Verdict.CUT_SHORT
    assert answer.reason == (
        "the search was ended after 9 states: nothing is proved but that it takes at least 9 frames"
    )


def test_states_that_are_no_numbers_prove_nothing() -> None:
    """The root of a negative number is none (IEEE 754-2019 7.2)."""
    walks = Walks((WalkMove("dive", (Step("square_root", "x", ("x",)),)),), ("x",))
    start = Position({"x": pattern(-1.0)})
    answer = find_walks(walks, start, "x", Wanted(lowest=0, highest=1), Bounds())
    assert (answer.verdict, answer.not_numbers) == (Verdict.CUT_SHORT, 1)


def test_a_state_reached_by_fewer_moves_later_is_gone_on_from_again() -> None:
    """Three hops of one frame lead to 1.5 before the leap of 20 frames does, but a bound of three
    moves leaves none behind them: only by the leap can 2.5 be reached."""
    leap = WalkMove("leap", (Step("add", "x", ("x", pattern(1.5))),), 20, limit=1)
    walks = Walks((hop(), leap), ("x",))
    answer = find_walks(walks, ORIGIN, "x", Wanted(lowest=2.5, highest=2.5), Bounds(moves=3))
    assert answer.verdict is Verdict.CHEAPEST
    assert sorted(answer.walks[0].moves) == ["hop", "hop", "leap"]
    leap = WalkMove("leap", leap.steps, 20)
    search = WalkSearch(Walks((hop(), leap), ("x",)), ORIGIN, "x", Wanted(pattern=1), Bounds(3))
    while search.advance():
        pass
    assert search.states == 9  # up to 4.5 in halves, but 4.0 takes four moves


def test_neighbours_tell_how_robust_a_walk_is() -> None:
    """A wall stops whoever goes on: then it does not matter for how long."""
    wall = Step("clamp", "x", (pattern(-9.0), pattern(2.0)))
    walks = Walks((WalkMove("walk", (HALF, wall)),), ("x",))
    found = find_walks(walks, ORIGIN, "x", Wanted(lowest=2, highest=2), Bounds(moves=9)).walks[0]
    assert (found.frames, found.window) == (4, (4, 244))
    assert [(run.move, run.count, run.less, run.more) for run in found.runs] == [
        ("walk", 4, False, True)
    ]
    wide = Wanted(lowest=0.4, highest=1.6)
    found = find_walks(Walks((hop(),), ("x",)), ORIGIN, "x", wide, Bounds(moves=9)).walks[0]
    assert (found.frames, found.window, found.robust) == (1, (1, 3), 1)


def test_a_value_in_the_midst_of_a_move_tells_the_frame() -> None:
    slide = WalkMove("slide", (HALF,), frames=8, each_frame=True)
    walks = Walks((slide,), ("x",))
    found = find_walks(walks, ORIGIN, "x", Wanted(lowest=1.5, highest=1.6), Bounds()).walks[0]
    assert (found.frames, found.last_frames, found.moves) == (3, 3, ("slide",))
    assert found.end.patterns["x"] == pattern(1.5)
    assert found.window == (3, 3)
    whole = find_walks(walks, ORIGIN, "x", Wanted(lowest=4, highest=4), Bounds()).walks[0]
    assert (whole.frames, whole.last_frames) == (8, 0)
    none = find_walks(walks, ORIGIN, "x", Wanted(lowest=1.5, highest=1.6), Bounds(frames=2))
    assert none.verdict is Verdict.NOT_WITHIN


def test_what_has_no_say_in_the_coordinate_makes_no_states() -> None:
    other = WalkMove("aside", (Step("add", "z", ("z", pattern(0.1))), Step("turn", angle=1)))
    walks = Walks((hop(), other), ("x", "z"), np.zeros(0x10000, np.float32))
    start = Position({"x": 0, "z": 0})
    answer = find_walks(walks, start, "x", Wanted(pattern=1), Bounds(moves=6))
    assert answer.states == 7


def test_who_stands_there_already_needs_no_move() -> None:
    answer = find_walks(Walks((hop(),), ("x",)), ORIGIN, "x", Wanted(low=0), Bounds(), others=0)
    assert (answer.walks[0].frames, answer.walks[0].moves) == (0, ())


# the set of states


def test_the_set_of_states_is_a_set() -> None:
    """Against Python's own dict; few different words, so that rows come again and again."""
    drawn = np.random.default_rng(3)
    states, known = StateSet(2), dict[tuple[int, int], int]()
    for size in (1, 5, 3000, 6_000, 2, 9_000):
        rows = [drawn.integers(0, 90, size).astype(np.uint64) for _ in range(2)]
        found, new = states.add(rows)
        for first, second, state, fresh in zip(*rows, found, new, strict=True):
            row = (int(first), int(second))
            assert fresh == (row not in known)
            assert state == known.setdefault(row, len(known))
    assert states.count == len(known)
    rows = states.rows(np.arange(states.count))
    assert list(zip(*(word.tolist() for word in rows), strict=True)) == list(known)


def test_rows_of_one_place_in_the_table_are_not_taken_for_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(
        StateSet, "_places", lambda self, rows: np.full(len(rows[0]), 4090, np.int64)
    )
    states = StateSet(1)
    for _ in range(2):
        found, _ = states.add([np.arange(50, dtype=np.uint64)])
        assert found.tolist() == list(range(50))


def test_fields_come_back_from_rows() -> None:
    packing = Packing({"a": 32, "b": 32, "c": 16, "d": 32, "e": 48, "f": 1})
    assert packing.words == 3
    drawn = np.random.default_rng(4)
    widths = {"a": 32, "b": 32, "c": 16, "d": 32, "e": 48, "f": 1}
    fields = {name: drawn.integers(0, 1 << width, 100) for name, width in widths.items()}
    rows = packing.packed(fields, 100)
    for name, values in fields.items():
        assert packing.field(rows, name).tolist() == values.tolist()
