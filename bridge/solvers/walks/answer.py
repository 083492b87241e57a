"""What a search for walks comes to: the cheapest ones, how robust they are, or why there are none.

Every walk is walked again in plain Python (``plain.py``) before anybody sees it, with all of its
coordinates, and so are its neighbours: the same walk with one frame more or less of a move.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from bridge.solvers.walks.model import Position, WalkMove, Walks
from bridge.solvers.walks.plain import NotAllowed, walk_frames
from bridge.solvers.walks.search import Bounds, Hit, WalkSearch
from bridge.solvers.walks.wanted import Wanted

__all__ = ["MAX_WINDOW", "FoundWalk", "Run", "Verdict", "WalkAnswer", "find_walks"]

MAX_WINDOW = 240
"""Uses more or less of the last move that are tried for the frames in which to act."""

_OTHERS_WITHIN = 2
"""Further walks take at most so many times the frames of the cheapest one, and one more."""


class Verdict(StrEnum):
    """What is proved: ``cut short`` proves nothing."""

    CHEAPEST = "cheapest"
    NOT_WITHIN = "not within the bounds"
    IMPOSSIBLE = "impossible"
    CUT_SHORT = "cut short"


@dataclass(frozen=True, slots=True)
class Run:
    """A move that is used ``count`` times in a row, as one that is held for so many frames.

    ``less`` and ``more`` are whether the coordinate is as wanted with one use less or more.
    """

    move: str
    count: int
    less: bool
    more: bool


@dataclass(frozen=True, slots=True)
class FoundWalk:
    """A walk: the coordinate is as wanted ``frames`` frames after its begin.

    ``window`` are the frames, first and last, in which it is so too when the last move is held for
    less or for longer.  Where the last move does its steps in each of its frames, ``last_frames``
    is how many of these have passed; else 0.  ``end`` is the position then.
    """

    frames: int
    moves: tuple[str, ...]
    runs: tuple[Run, ...]
    window: tuple[int, int]
    end: Position
    last_frames: int = 0

    @property
    def robust(self) -> int:
        """How many of the neighbouring walks work too."""
        return sum(run.less + run.more for run in self.runs)


@dataclass(frozen=True, slots=True)
class WalkAnswer:
    """The walks found, the cheapest first, and what is proved.

    ``states`` are all different ones that were looked at, ``made`` counts known ones again;
    ``all_others`` is False where the search for further walks was ended before it had as many, or
    where they would take more than twice the frames;
    ``not_numbers`` states were not gone on from, since they were no numbers.
    """

    verdict: Verdict
    reason: str
    walks: tuple[FoundWalk, ...]
    states: int
    made: int
    all_others: bool = True
    not_numbers: int = 0


def find_walks(
    walks: Walks,
    start: Position,
    axis: str,
    wanted: Wanted,
    bounds: Bounds,
    others: int = 3,
    go_on: Callable[[WalkSearch], bool] = lambda search: True,
) -> WalkAnswer:
    """The cheapest walk after which *axis* is as wanted, and the next best *others*.

    *go_on* is asked after each slice of some ten thousand states; where it says no, the search is
    cut short.
    """
    search = WalkSearch(walks, start, axis, wanted, bounds)
    complete = False
    while len(search.hits) <= others:
        if search.hits and search.floor > _OTHERS_WITHIN * search.hits[0].frames + 1:
            break
        if not search.advance():
            complete = not search.full
            break
        if not go_on(search):
            break
    hits = [_found(walks, start, axis, wanted, hit) for hit in search.hits]
    hits.sort(key=lambda found: (found.frames, len(found.moves), -found.robust))
    verdict, reason = _verdict(search, bounds, complete)
    return WalkAnswer(
        verdict,
        reason,
        tuple(hits[: others + 1]),
        search.states,
        search.made,
        complete or len(hits) > others,
        search.not_numbers,
    )


def _verdict(search: WalkSearch, bounds: Bounds, complete: bool) -> tuple[Verdict, str]:
    states = f"{search.states:,} state{'s' * (search.states != 1)}"
    if search.not_numbers:
        return Verdict.CUT_SHORT, (
            f"{search.not_numbers:,} states were no numbers and were not gone on from: nothing is "
            f"proved by the {states} that were looked at"
        )
    if search.hits:
        return Verdict.CHEAPEST, "every cheaper walk was looked at"
    if not complete:
        why = "there is room for no more" if search.full else "the search was ended"
        proved = "nothing is proved"
        if search.floor > 1:
            proved += f" but that it takes at least {search.floor:,} frames"
        return Verdict.CUT_SHORT, f"{why} after {states}: {proved}"
    if not search.bounded:
        return Verdict.IMPOSSIBLE, f"all {states} that can be reached were looked at"
    within = " and ".join(
        f"{bound:,} {what}"
        for bound, what in ((bounds.moves, "moves"), (bounds.frames, "frames"))
        if bound is not None
    )
    return Verdict.NOT_WITHIN, f"all {states} that can be reached within {within} were looked at"


def _found(walks: Walks, start: Position, axis: str, wanted: Wanted, hit: Hit) -> FoundWalk:
    moves = [walks.moves[number] for number in hit.moves]
    neighbours = _Neighbours(walks, start, axis, wanted, moves, hit.last_frames)
    end = neighbours.end(neighbours.counts)
    assert end is not None
    assert wanted.is_met(end.patterns[axis]), "the search and plain arithmetic differ"
    return FoundWalk(
        hit.frames,
        tuple(move.name for move in moves),
        tuple(neighbours.runs()),
        neighbours.window(hit.frames),
        end,
        hit.last_frames,
    )


class _Neighbours:
    """A walk as runs, each of a count of uses; the last may count single frames of one use."""

    def __init__(
        self,
        walks: Walks,
        start: Position,
        axis: str,
        wanted: Wanted,
        moves: Sequence[WalkMove],
        last_frames: int,
    ) -> None:
        self._walks, self._start, self._axis, self._wanted = walks, start, axis, wanted
        whole = moves[:-1] if last_frames else moves
        grouped = [list(group) for _, group in itertools.groupby(whole)]
        self._moves = [group[0] for group in grouped]
        self.counts = [len(group) for group in grouped]
        self._partial = bool(last_frames)
        if last_frames:
            self._moves.append(moves[-1])
            self.counts.append(last_frames)

    def end(self, counts: Sequence[int]) -> Position | None:
        """Where these counts lead; None where a limit forbids it, or the last move has no more."""
        moves = [
            move
            for number, (move, count) in enumerate(zip(self._moves, counts, strict=True))
            for _ in range(1 if self._is_last(number) and self._partial and count else count)
        ]
        performances = sum(move.times for move in moves)
        if self._partial:
            if counts[-1] > self._moves[-1].times:
                return None
            performances += (counts[-1] - self._moves[-1].times) * bool(counts[-1])
        position = self._start
        try:
            for position in itertools.islice(  # noqa: B007
                walk_frames(self._walks, self._start, moves), performances
            ):
                pass
        except NotAllowed:
            return None
        return position

    def runs(self) -> list[Run]:
        """Each run, and whether one use less or more of it works too."""
        return [
            Run(move.name, count, self._works(number, -1), self._works(number, 1))
            for number, (move, count) in enumerate(zip(self._moves, self.counts, strict=True))
        ]

    def window(self, frames: int) -> tuple[int, int]:
        """The frames around *frames* up to which the last move may be held for less or longer."""
        if not self.counts:
            return frames, frames
        last, least, most = len(self.counts) - 1, 0, 0
        while least > -min(self.counts[-1], MAX_WINDOW) and self._works(last, least - 1):
            least -= 1
        while most < MAX_WINDOW and self._works(last, most + 1):
            most += 1
        each = 1 if self._partial else self._moves[-1].frames
        return frames + least * each, frames + most * each

    def _is_last(self, number: int) -> bool:
        return number == len(self._moves) - 1

    def _works(self, number: int, more: int) -> bool:
        counts = list(self.counts)
        counts[number] += more
        end = self.end(counts)
        return end is not None and self._wanted.is_met(end.patterns[self._axis])
