"""The cheapest way from one binary angle to another by a given set of moves, exactly.

An angle is one of 65,536.  A move turns by a constant or faces an absolute angle, costs whole
frames, and may be limited to a count of uses.  Two facts make the search small:

- What stands before a move that faces an absolute angle does nothing, so a cheapest way has at most
  one such move, and it comes first.  Each of them is one more angle to start from.
- Turns commute.  So the best cost of every turn is found move by move: ``costs[m][d]`` is the least
  cost of turning by d with the first m moves alone, and one more move of v units and cost c gives
  the minimum over k of ``costs[m][d - k * v] + k * c``.  Where the uses are not limited that is one
  walk along the cycle d, d + v, d + 2v …; where they are, it is a minimum over a window, which is
  made of windows half as wide.

So the work is a few passes over 65,536 numbers a move, limits included, and nothing is cut short.
Among ways of equal frames the one with the fewest moves is the cheaper one; frames and uses are
kept in one number.

The next best ways differ in how often moves are used, not in the order of the turns, and come by
the same cost.  A way of which another one is a part is left out: what it adds only comes back to
where it was.  They are found best first, with ``costs`` as the rest of a way begun at its end.
"""

from __future__ import annotations

import functools
import heapq
import math
from array import array
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

__all__ = [
    "MAX_FRAMES",
    "MAX_MOVES",
    "TURN",
    "CheapestTurns",
    "Move",
    "TurnAnswer",
    "TurnSearch",
    "TurnSequence",
    "cheapest",
]

TURN = 0x10000
MAX_MOVES = 256
MAX_FRAMES = 1_000_000
_USE_BITS = 24
"""Enough for 256 moves of 65,535 uses each."""
_FRAME = 1 << _USE_BITS
_NEVER = 1 << 62
_MAX_STEPS = 40_000
"""Steps of the search for further ways, after which it ends with what it has."""

_Costs = list[int]


@dataclass(frozen=True, slots=True)
class Move:
    """A move: it turns by ``add`` units or, where ``face`` is an angle, faces that.

    ``frames`` is its cost; ``limit`` is how often it may be used, None for any count.
    """

    name: str
    add: int = 0
    face: int | None = None
    frames: int = 1
    limit: int | None = None


@dataclass(frozen=True, slots=True)
class TurnSequence:
    """What a way costs, and its moves by name in an order in which they can be made."""

    frames: int
    moves: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TurnAnswer:
    """``best`` is None where the angle cannot be reached; ``proof`` says then in words why not.

    ``below`` and ``above`` are the nearest angles that can be reached, going round downwards and
    upwards from the wanted one, which both are where it can be reached itself; ``count`` is how
    many can be.  ``others`` are the next best ways; ``all_others`` is False where the search for
    them was ended before as many were found.
    """

    best: TurnSequence | None
    others: tuple[TurnSequence, ...]
    below: int
    above: int
    count: int
    proof: str = ""
    all_others: bool = True


@dataclass(frozen=True, slots=True)
class _Start:
    """An angle to turn from, what getting there costs, and the move that does it."""

    angle: int
    cost: int
    move: str | None


class TurnSearch:
    """The costs of every turn by a set of moves, from which any pair of angles is answered.

    Raises ValueError for moves that are not as ``Move`` says, or too many.
    """

    def __init__(self, moves: Sequence[Move]) -> None:
        _check(moves)
        usable = [move for move in moves if move.limit != 0]
        self._faces = [move for move in usable if move.face is not None]
        self._turns = [move for move in usable if move.face is None and move.add % TURN]
        self._costs: list[_Costs] = [[0] + [_NEVER] * (TURN - 1)]
        for move in self._turns:
            self._costs.append(_with_move(self._costs[-1], move))

    def frames(self, start: int, to: int) -> int | None:
        """The least frames from one angle to another; None where it cannot be reached."""
        costs = self._costs[-1]
        cost = min(begin.cost + costs[(to - begin.angle) % TURN] for begin in self._starts(start))
        return None if cost >= _NEVER else cost >> _USE_BITS

    def turn_frames(self, way: int) -> int:
        """The least frames of turning by *way* without facing an angle; -1 where it cannot be."""
        cost = self._costs[-1][way % TURN]
        return -1 if cost >= _NEVER else cost >> _USE_BITS

    def within(self, start: int, to: int, units: int) -> list[tuple[int, int]]:
        """Angles within so many *units* of the wanted one, with their frames: the cheapest first.

        Each that follows costs more and lies nearer; of equal costs the nearest is taken.  Empty
        where none of these angles can be reached.
        """
        starts, costs = self._starts(start % TURN), self._costs[-1]
        found = []
        for way in range(-min(units, TURN // 2), min(units, TURN // 2 - 1) + 1):
            angle = (to + way) % TURN
            cost = min(begin.cost + costs[(angle - begin.angle) % TURN] for begin in starts)
            if cost < _NEVER:
                found.append((cost, abs(way), angle))
        kept: list[tuple[int, int]] = []
        nearest = TURN
        for cost, away, angle in sorted(found):
            if away < nearest:
                nearest = away
                kept.append((angle, cost >> _USE_BITS))
        return kept

    def answer(self, start: int, to: int, others: int = 3) -> TurnAnswer:
        """The cheapest way, the next best *others*, and the nearest angles that can be reached.

        Angles are binary angles: only their low 16 bits count.
        """
        start, to = start % TURN, to % TURN
        starts = self._starts(start)
        reached = self._reached(starts)
        below = reached.rfind(1, 0, to + 1)
        above = reached.find(1, to)
        below = below if below >= 0 else reached.rfind(1)
        above = above if above >= 0 else reached.find(1)
        count = reached.count(1)
        if not reached[to]:
            return TurnAnswer(None, (), below, above, count, self._proof(starts, to, count))
        best = self._cheapest(starts, to)
        found = [best]
        complete = True
        # where no move is needed, every way that comes back is one of which it is a part
        if best and others:
            complete = self._further(starts, to, found, others + 1)
        first, *more = map(self._way, found)
        return TurnAnswer(first, tuple(more), below, above, count, "", complete)

    def _starts(self, start: int) -> list[_Start]:
        faced = [_Start(move.face or 0, _cost(move), move.name) for move in self._faces]
        return [_Start(start % TURN, 0, None), *faced]

    def _reached(self, starts: Sequence[_Start]) -> bytes:
        """One byte an angle: 1 where it can be reached."""
        turns = bytes(cost < _NEVER for cost in self._costs[-1])
        together = 0
        for begin in starts:
            shift = begin.angle
            turned = turns[TURN - shift :] + turns[: TURN - shift]
            together |= int.from_bytes(turned, "big")
        return together.to_bytes(TURN, "big")

    def _proof(self, starts: Sequence[_Start], to: int, count: int) -> str:
        step = math.gcd(TURN, *(move.add for move in self._turns))
        if any((to - begin.angle) % step == 0 for begin in starts):
            return f"the limits of the moves leave {count:,} angles, all of which were found"
        if step == TURN:
            return "no move turns" if not self._faces else "no move turns, and none faces it"
        way = (to - starts[0].angle) % TURN
        text = f"every turn is a multiple of 0x{step:04X}, and a turn of 0x{way:04X} is none"
        return text if not self._faces else f"{text}, nor is one from an angle that a move faces"

    def _cheapest(self, starts: Sequence[_Start], to: int) -> Counter[int]:
        """How often the cheapest way uses each turn by its number; -1 - n is facing by start n."""
        costs = self._costs[-1]
        totals = [begin.cost + costs[(to - begin.angle) % TURN] for begin in starts]
        number = totals.index(min(totals))
        uses: Counter[int] = Counter()
        if number:
            uses[-1 - number] = 1
        rest = (to - starts[number].angle) % TURN
        for stage in range(len(self._turns), 0, -1):
            move, cost = self._turns[stage - 1], _cost(self._turns[stage - 1])
            wanted = self._costs[stage][rest]
            while self._costs[stage - 1][rest] != wanted:
                rest, wanted = (rest - move.add) % TURN, wanted - cost
                uses[stage - 1] += 1
        return uses

    def _further(
        self, starts: Sequence[_Start], to: int, found: list[Counter[int]], wanted: int
    ) -> bool:
        """Add the next best ways to *found* until it has *wanted*.

        False where the search was ended before.
        """
        turns, table = self._turns, self._costs
        costs, most = [_cost(move) for move in turns], [_most_uses(move) for move in turns]
        against = [
            sum(1 << n for n, other in enumerate(turns) if (move.add + other.add) % TURN == 0)
            for move in turns
        ]
        # an entry: least cost of a way that goes on from here, a number against ties, what has been
        # spent, turns that may still be used, uses of the last of them, the rest to turn, which
        # turns were used, and the uses so far as nested pairs
        heap: list[tuple[int, int, int, int, int, int, int, _Chain]] = []
        for number, begin in enumerate(starts):
            rest = (to - begin.angle) % TURN
            bound = begin.cost + table[-1][rest]
            chain: _Chain = (-1 - number, None) if number else None
            if bound < _NEVER:
                heap.append((bound, number, begin.cost, len(turns), 0, rest, 0, chain))
        heapq.heapify(heap)
        serial = len(starts)
        for _ in range(_MAX_STEPS):
            if not heap:
                return True
            _, _, spent, stage, used, rest, mask, chain = heapq.heappop(heap)
            if not stage:
                uses = _counted(chain)
                if not any(uses >= known for known in found):
                    found.append(uses)
                    if len(found) == wanted:
                        return True
                continue
            bound = spent + table[stage - 1][rest]
            if bound < _NEVER:
                serial += 1
                heapq.heappush(heap, (bound, serial, spent, stage - 1, 0, rest, mask, chain))
            last = stage - 1
            # a turn and the one that undoes it are never both of use
            if used < most[last] and not mask & against[last]:
                rest = (rest - turns[last].add) % TURN
                spent += costs[last]
                bound = spent + table[stage][rest]
                if bound < _NEVER:
                    serial += 1
                    mask |= 1 << last
                    entry = (bound, serial, spent, stage, used + 1, rest, mask, (last, chain))
                    heapq.heappush(heap, entry)
        return False

    def _way(self, uses: Counter[int]) -> TurnSequence:
        names: list[str] = []
        cost = 0
        for number in sorted(uses):
            move = self._turns[number] if number >= 0 else self._faces[-2 - number]
            names += [move.name] * uses[number]
            cost += move.frames * uses[number]
        return TurnSequence(cost, tuple(names))


class CheapestTurns:
    """The least frames of a set of moves between any two angles, and no more than that.

    It keeps one number an angle, and answers at once.
    """

    def __init__(self, moves: Sequence[Move]) -> None:
        search = TurnSearch(moves)
        self._frames = array("q", (search.turn_frames(way) for way in range(TURN)))
        self._faces = [
            (move.face, move.frames) for move in moves if move.face is not None and move.limit != 0
        ]

    def frames(self, start: int, to: int) -> int | None:
        """The least frames from one angle to another; None where it cannot be reached."""
        begun = [(start, 0), *self._faces]
        ways = [(self._frames[(to - angle) % TURN], frames) for angle, frames in begun]
        return min((turned + frames for turned, frames in ways if turned >= 0), default=None)


@functools.lru_cache(8)
def cheapest(moves: tuple[Move, ...]) -> CheapestTurns:
    """The same for every build and every watch that asks for the same moves."""
    return CheapestTurns(moves)


_Chain = tuple[int, "_Chain"] | None


def _counted(chain: _Chain) -> Counter[int]:
    uses: Counter[int] = Counter()
    while chain is not None:
        number, chain = chain
        uses[number] += 1
    return uses


def _check(moves: Sequence[Move]) -> None:
    if len(moves) > MAX_MOVES:
        raise ValueError(f"expected at most {MAX_MOVES} moves, found {len(moves)}")
    for move in moves:
        if not 0 <= move.frames <= MAX_FRAMES:
            raise ValueError(f"{move.name}: expected 0 to {MAX_FRAMES} frames, found {move.frames}")
        if move.limit is not None and move.limit < 0:
            raise ValueError(f"{move.name}: a limit of {move.limit} uses is below 0")


def _cost(move: Move) -> int:
    """Frames, and below them one use, so that fewer moves are cheaper among equal frames."""
    return (move.frames << _USE_BITS) + 1


def _most_uses(move: Move) -> int:
    """Uses after which the next one repeats an angle, or the limit where that is less."""
    most = TURN // math.gcd(move.add, TURN) - 1
    return most if move.limit is None else min(most, move.limit)


def _with_move(before: _Costs, move: Move) -> _Costs:
    """The costs with one more move, which turns."""
    cycle, most = TURN // math.gcd(move.add, TURN), _most_uses(move)
    if most == cycle - 1 and cycle > _SHORT_CYCLE:
        return _walked(before, move.add, _cost(move))
    costs, width = before, 1
    while width <= most:
        # so far up to width - 1 uses; a window beside it, which may overlap it, is added
        step = min(width, most + 1 - width)
        costs = _shifted_least(costs, move.add * step % TURN, _cost(move) * step)
        width += step
    return costs


def _shifted_least(costs: _Costs, turn: int, cost: int) -> _Costs:
    """Of each angle the lesser of its cost and that of *turn* before it plus *cost*."""
    shifted = costs[TURN - turn :] + costs[: TURN - turn]
    pairs = zip(costs, shifted, strict=True)
    return [one if one <= (other := two + cost) else other for one, two in pairs]


def _walked(before: _Costs, turn: int, cost: int) -> _Costs:
    """Costs with any count of uses: along each cycle, once round from its cheapest angle."""
    costs = before[:]
    common = math.gcd(turn, TURN)
    ring = [place & (TURN - 1) for place in range(0, turn * (TURN // common), turn)]
    for first in range(common):
        places = [place + first & (TURN - 1) for place in ring] if first else ring
        row = [before[place] for place in places]
        best = min(row)
        if best >= _NEVER:
            continue
        begin = row.index(best)
        for place in places[begin + 1 :] + places[:begin]:
            best += cost
            known = before[place]
            if known < best:
                best = known
            else:
                costs[place] = best
    return costs


_SHORT_CYCLE = 16
"""Up to this many angles in a cycle, passes over all of them at once are faster than walks."""
