"""The cheapest way from angle to angle against Dijkstra's algorithm, step by step, and the gcd."""

from __future__ import annotations

import heapq
import math
import random
from collections import Counter
from collections.abc import Iterable, Sequence

import pytest

from bridge.solvers.turns import MAX_MOVES, TURN, Move, TurnSearch, TurnSequence, cheapest
from bridge.values.status import Status
from schemas.errors import ExpressionError
from tests.bridge import made_guest


def by_dijkstra(moves: Sequence[Move], start: int) -> dict[int, int]:
    """Angle → least frames, by the textbook: states are an angle and the uses of limited moves.

    Source: Dijkstra 1959, from memory, on the moves as they are given, set moves anywhere.
    """
    limited = [move for move in moves if move.limit is not None]
    first = (start, (0,) * len(limited))
    known = {first: 0}
    found: dict[int, int] = {}
    heap = [(0, first)]
    while heap:
        frames, state = heapq.heappop(heap)
        if frames > known[state]:
            continue
        angle, uses = state
        found.setdefault(angle, frames)
        for move in moves:
            then = list(uses)
            if move.limit is not None:
                place = limited.index(move)
                if then[place] == move.limit:
                    continue
                then[place] += 1
            to = (angle + move.add) % TURN if move.face is None else move.face
            following = (to, tuple(then))
            if frames + move.frames < known.get(following, 1 << 60):
                known[following] = frames + move.frames
                heapq.heappush(heap, (known[following], following))
    return found


def some_moves(chance: random.Random, fine: bool) -> list[Move]:
    """Up to four moves; *fine* ones reach any angle, and fewer of them are limited."""
    moves: list[Move] = []
    limits = int(fine)
    for number in range(chance.randrange(5)):
        limit = None
        if limits < 2 and chance.random() < 0.5:
            limit, limits = chance.choice([0, 1, 2] if fine else [0, 1, 2, 5]), limits + 1
        frames = chance.choice([0, 0, 1, 3, 8, 20])
        name = f"move {number}"
        if chance.random() < 0.25:
            moves.append(Move(name, 0, chance.randrange(TURN), frames, limit))
        else:
            step = chance.choice([0x155] if fine else [0x1000, 0x800, 0x5500, 0x4000])
            moves.append(Move(name, chance.randrange(-20, 21) * step, None, frames, limit))
    return moves


def check_way(way: TurnSequence, moves: Sequence[Move], start: int, to: int) -> None:
    """Make the moves one by one: they lead there, at that cost, within the limits."""
    named = {move.name: move for move in moves}
    angle, frames = start, 0
    for name in way.moves:
        move = named[name]
        angle = (angle + move.add) % TURN if move.face is None else move.face
        frames += move.frames
    assert (angle, frames) == (to, way.frames)
    for name, uses in Counter(way.moves).items():
        limit = named[name].limit
        assert limit is None or uses <= limit


def around(angles: Iterable[int], to: int) -> tuple[int, int]:
    """The nearest of *angles* downwards and upwards."""
    found = list(angles)
    return min(found, key=lambda a: (to - a) % TURN), min(found, key=lambda a: (a - to) % TURN)


SLOW = {5, 10, 25, 30, 35}
"""Seeds whose states are many."""


@pytest.mark.parametrize(
    "seed", [pytest.param(n, marks=[pytest.mark.full] * (n in SLOW)) for n in range(40)]
)
def test_random_sets_of_moves_against_dijkstra(seed: int) -> None:
    chance = random.Random(seed)
    moves = some_moves(chance, fine=seed % 5 == 0)
    start = chance.randrange(TURN)
    wanted = by_dijkstra(moves, start)
    search = TurnSearch(moves)
    for to in [*wanted][:200] + [chance.randrange(TURN) for _ in range(200)]:
        assert search.frames(start, to) == wanted.get(to)
    for to in [*chance.sample([*wanted], min(5, len(wanted))), chance.randrange(TURN)]:
        answer = search.answer(start, to)
        assert answer.count == len(wanted)
        assert (answer.below, answer.above) == around(wanted, to)
        if to not in wanted:
            assert answer.best is None
            assert answer.proof
            continue
        assert answer.best is not None
        assert answer.best.frames == wanted[to]
        ways = [answer.best, *answer.others]
        assert [way.frames for way in ways] == sorted(way.frames for way in ways)
        for number, way in enumerate(ways):
            check_way(way, moves, start, to)
            # no way is a part of a later one
            for earlier in ways[:number]:
                assert not Counter(way.moves) >= Counter(earlier.moves)


@pytest.mark.parametrize("seed", range(30))
def test_turns_without_limits_reach_what_the_gcd_divides(seed: int) -> None:
    """Source: Bézout: sums of multiples of a, b … modulo n are the multiples of gcd(a, b …, n)."""
    chance = random.Random(f"gcd {seed}")
    adds = [
        chance.randrange(-0xFFFF, 0x10000) * chance.choice([1, 2, 64, 0x300]) % TURN
        for _ in range(chance.randrange(1, 4))
    ]
    search = TurnSearch([Move(f"m{n}", add) for n, add in enumerate(adds)])
    step = math.gcd(TURN, *adds)
    start = chance.randrange(TURN)
    for _ in range(300):
        to = chance.randrange(TURN)
        assert (search.frames(start, to) is not None) is ((to - start) % step == 0)
    answer = search.answer(start, start + 1)
    assert answer.count == TURN // step
    if step > 1:
        assert answer.best is None
        assert answer.below == start
        assert answer.above == (start + step) % TURN


def test_every_angle_of_a_long_limited_walk() -> None:
    """k uses of an odd turn, at most 1,000: exactly those angles, at k frames each."""
    search = TurnSearch([Move("step", 0x0123, None, 1, 1000)])
    reached = {k * 0x0123 % TURN: k for k in range(1001)}
    assert len(reached) == 1001
    assert [search.frames(0, to) for to in range(TURN)] == [reached.get(to) for to in range(TURN)]


def test_limits_decide_between_equal_turns() -> None:
    moves = [Move("quick", 0x1000, None, 1, 2), Move("slow", 0x1000, None, 5)]
    answer = TurnSearch(moves).answer(0, 0x4000, 5)
    assert answer.best == TurnSequence(12, ("quick", "quick", "slow", "slow"))
    assert [way.frames for way in answer.others] == [16, 20]
    assert answer.all_others


def test_facing_comes_first_and_beats_the_gcd() -> None:
    moves = [Move("quarter", 0x4000, None, 8), Move("sea", 0, 0x1234, 30)]
    answer = TurnSearch(moves).answer(0, 0x5234)
    assert answer.best == TurnSequence(38, ("sea", "quarter"))
    none = TurnSearch(moves).answer(0, 0x5235)
    assert none.best is None
    assert (none.below, none.above) == (0x5234, 0x8000)
    assert none.proof == (
        "every turn is a multiple of 0x4000, and a turn of 0x5235 is none, "
        "nor is one from an angle that a move faces"
    )


def test_moves_that_cost_nothing_are_used_sparingly() -> None:
    moves = [Move("free", 0x2000, None, 0), Move("half", 0x8000, None, 0)]
    answer = TurnSearch(moves).answer(0, 0xA000)
    assert answer.best == TurnSequence(0, ("free", "half"))
    assert answer.others == (TurnSequence(0, ("free",) * 5),)


def test_where_one_is_there_already_no_move_is_needed() -> None:
    for moves in ([], [Move("round", 0x8000)], [Move("sea", 0, 0x100, 0)]):
        answer = TurnSearch(moves).answer(0x100, 0x100)
        assert answer.best == TurnSequence(0, ())
        assert answer.others == ()
        assert (answer.below, answer.above) == (0x100, 0x100)


def test_without_moves_nothing_else_can_be_reached() -> None:
    answer = TurnSearch([Move("still", 0), Move("spent", 5, None, 1, 0)]).answer(7, 8)
    assert (answer.best, answer.below, answer.above, answer.count) == (None, 7, 7, 1)
    assert answer.proof == "no move turns"


def test_where_only_the_limits_stand_in_the_way_all_angles_were_found() -> None:
    answer = TurnSearch([Move("step", 1, None, 1, 3)]).answer(0, 4)
    assert answer.proof == "the limits of the moves leave 4 angles, all of which were found"
    assert (answer.below, answer.above) == (3, 0)


def test_the_nearest_go_round() -> None:
    answer = TurnSearch([Move("step", 0x4000)]).answer(0x3000, 0x1000)
    assert (answer.below, answer.above) == (0xF000, 0x3000)


def test_a_turn_and_its_undoing_are_no_further_way() -> None:
    moves = [Move("left", -1), Move("right", 1)]
    answer = TurnSearch(moves).answer(0, 5, 1)
    assert answer.best == TurnSequence(5, ("right",) * 5)
    # the only other one goes round the other way, and is not looked for so long
    assert answer.others == ()


@pytest.mark.parametrize(
    ("move", "message"),
    [
        (Move("a", 1, None, -1), "a: expected 0 to 1000000 frames, found -1"),
        (Move("a", 1, None, 1, -2), "a: a limit of -2 uses is below 0"),
    ],
)
def test_wrong_moves_are_refused(move: Move, message: str) -> None:
    with pytest.raises(ValueError) as fault:
        TurnSearch([move])
    assert str(fault.value) == message


def test_too_many_moves_are_refused() -> None:
    with pytest.raises(ValueError, match=r"^expected at most 256 moves, found 257$"):
        TurnSearch([Move(f"m{n}") for n in range(MAX_MOVES + 1)])


@pytest.mark.parametrize("seed", range(0, 40, 7))
def test_the_kept_costs_are_those_of_the_search(seed: int) -> None:
    chance = random.Random(seed)
    moves = tuple(some_moves(chance, fine=False))
    search, kept = TurnSearch(moves), cheapest(moves)
    for _ in range(500):
        start, to = chance.randrange(TURN), chance.randrange(0x20) * 0x800
        assert kept.frames(start, to) == search.frames(start, to)


SEA = """
[moves.sea]
set = 0x1000
frames = 20
limit = 1
"""


@pytest.mark.parametrize("whole", [True, False])
@pytest.mark.parametrize(
    ("to", "frames"),
    [("0xC000", 16), ("courier.facing", 0), ("0x3000 - 0x2000", 20), ("-0x4000", 16)],
)
def test_turn_frames_in_a_watch(to: str, frames: int, whole: bool) -> None:
    guest = made_guest.Guest(made_guest.SCHEMA + SEA)
    guest.poke(made_guest.COURIER + 0x1C, "H", 0x4000)
    outcome = guest.outcome(f"turn_frames({to}, courier.facing)", whole=whole)
    assert (outcome.status, outcome.value) == (Status.OK, frames)


def test_turn_frames_where_no_moves_lead_there() -> None:
    guest = made_guest.Guest(made_guest.SCHEMA + SEA)
    outcome = guest.outcome("turn_frames(1, courier.facing)", whole=True)
    assert outcome.status is Status.ERROR
    assert outcome.reason == "turn_frames(1, courier.facing): no moves of the schema lead there"


def test_turn_frames_needs_moves() -> None:
    without = made_guest.SCHEMA.replace("[moves.quarter]", "[enums.Other]").replace(
        "add = 0x4000\nframes = 8", 'base = "u8"\nvalues = { one = 1 }'
    )
    with pytest.raises(ExpressionError) as fault:
        made_guest.Guest(without).program({"watch": "turn_frames(1, 2)"})
    assert fault.value.detail == "the schema has no moves; add [moves] to it"
