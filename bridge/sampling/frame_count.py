"""The game's frames, counted on over every turn of its counter.

A counter of 8 bits begins again four times in seventeen seconds, one of 16 bits every 18 minutes.
From two of its values alone nobody can say whether it ran over, how often, or whether the game was
reset.  The time between them can: it is known when the first was read, at the earliest, and when
the second was, at the latest, and how fast the counter goes.  A step of it is, in this order,

unknown   where it may have gone round once more than is seen: at a quarter above the fastest pace
          there was time for that;
in order  where it went on by one at most, or by what the time explains at that pace;
unknown   where it went on by less than the pace says, and a game that began again with 0 would
          stand where it stands;
unknown   where it went on faster, by up to four times the fastest pace: it may be played faster,
          or a state may have been loaded;
a reset   where no time explains it and the counter is lower than it was, or a jump where it is
          higher.

What is unknown counts nothing.  Its number is the least that the counter may have, so that numbers
never go back but where the game did.  Two steps in a row that are too fast by the same measure are
no jumps: the game is played faster.

A game that was late catches up: as many frames as it is behind its pace may come at once.

A counter of few bits is judged by the pace that was seen alone, since every jump of it is small.
One of 24 bits and more has room for a game of which only slow stretches were seen, and for a second
in which the reader was held up without knowing it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum, auto

from bridge.sampling.counter_pace import LEAST, ROOM, Pace

__all__ = [
    "BACKLOG",
    "CATCH_UP",
    "CATCH_UP_PART",
    "EITHER",
    "FASTER",
    "LIKE",
    "NEAR",
    "ROUND",
    "SPARE",
    "WIDE",
    "Count",
    "Follows",
    "FrameCount",
]

NEAR = 1.25
"""By so much a game may go faster than it was seen to, and nothing is said of it."""
SPARE = 3
"""Frames that a step may have more than its time explains: both ends of it are cut somewhere."""
LIKE = 0.02
"""Part by which a step may differ from the present pace and still be of that pace."""
WIDE = 1 << 24
"""Values of a counter that does not go round while anybody waits."""
BACKLOG = 3.0
"""Seconds after which what a game is behind its pace is forgotten, to a third."""
CATCH_UP = 1.0
"""Seconds by which a game catches up that was late itself, of a turn at most this part:"""
CATCH_UP_PART = 16

ROUND = "the frame counter may have gone round once more"
EITHER = "the game may have been reset"
FASTER = "the frame counter went on faster than it was seen to"
"""Why it is not known how many frames were missed."""


class Follows(Enum):
    """How a frame follows the one before."""

    IN_ORDER = auto()
    UNKNOWN = auto()
    RESET = auto()
    JUMPED = auto()


@dataclass(frozen=True, slots=True)
class Count:
    """A frame's number.

    ``raw`` is the counter's own value, ``number`` the same with all turns.  ``reason`` is there
    where it is not known how many frames were missed, and ``seconds`` are those since the frame
    before.
    """

    raw: int
    number: int
    follows: Follows = Follows.IN_ORDER
    reason: str = ""
    seconds: float = 0.0


class FrameCount:
    """Judges one game's frame counter.  Times are in seconds that only go forward.

    ``last`` is the frame taken last, None where nothing is known of one, and ``earliest`` when its
    counter was still so, at the least.
    """

    def __init__(self, pace: Pace | None = None) -> None:
        self.pace = pace or Pace()
        self.last: Count | None = None
        self.earliest = 0.0
        self._taken = 0.0
        self._behind = 0.0
        self._odd: float | None = None

    def forget(self) -> None:
        """What comes next does not follow from what was."""
        self.last = None
        self._behind = 0.0
        self.pace.forget()

    def goes_on(self, before: FrameCount) -> None:
        """The game goes on that another source, or this one until it was lost, has shown."""
        self.last, self.earliest, self.pace = before.last, before.earliest, before.pace
        self._taken = before._taken

    def number_of(self, raw: int, turn: int) -> int:
        """The number of a counter's value that is not behind the frame taken last."""
        return raw if self.last is None else self.last.number + (raw - self.last.raw) % turn

    def same(self, raw: int, turn: int) -> bool:
        """Whether a counter that goes round after *turn* values stands where it stood."""
        return self.last is not None and (raw - self.last.raw) % turn == 0

    def may_go_round(self, turn: int, seconds: float) -> bool:
        """Whether a counter may go round within *seconds* and stand where it stood."""
        return turn <= self._near(turn, seconds)

    def still(self, turn: int, when: float) -> None:
        """The counter was seen, from *when* on, as it was in the frame taken last."""
        if not self.may_go_round(turn, when - self.earliest):
            self.earliest = max(self.earliest, when)

    def without_clock(self, raw: int, turn: int) -> Count:
        """The same as :meth:`judge` of frames that go by no clock, such as dumps."""
        last = self.last
        if last is None:
            return Count(raw, raw)
        ahead = (raw - last.raw) % turn
        number = last.number + ahead
        if raw >= last.raw or ahead == 1:
            return Count(raw, number)
        if turn >= WIDE:
            # one that runs over is near its end
            near_end = ahead <= turn // 2
            return Count(raw, number, Follows.IN_ORDER if near_end else Follows.RESET)
        return Count(raw, number, Follows.UNKNOWN, EITHER)

    def judge(self, raw: int, turn: int, now: float) -> Count:
        """The number of a counter that was *raw*, *now* at the latest; it is below *turn*.

        Nothing changes: the frame may be taken again, or not at all.
        """
        last = self.last
        if last is None:
            return Count(raw, raw)
        seconds = max(0.0, now - self.earliest)
        ahead = (raw - last.raw) % turn
        follows, reason = self._follows(ahead, raw, last.raw, turn, now)
        if follows is Follows.UNKNOWN and ahead <= 1:
            ahead += turn  # that it is unknown must not look like a frame right behind the last
        return Count(raw, last.number + ahead, follows, reason, seconds)

    def _follows(
        self, ahead: int, raw: int, before: int, turn: int, now: float
    ) -> tuple[Follows, str]:
        seconds = max(0.0, now - self.earliest)
        near = self._near(turn, seconds)
        if ahead + turn <= near:
            return Follows.UNKNOWN, ROUND
        wide = turn >= WIDE
        if ahead <= 1 or ahead <= near + self._catch_up(turn, now):
            if ahead <= 1 or self._is_like(ahead, seconds) or not self._may_be_anew(raw, seconds):
                return Follows.IN_ORDER, ""
            return Follows.UNKNOWN, EITHER
        far = ROOM * self._fast(turn) * (seconds + wide) + SPARE + self._behind_at(now)
        if raw > before and self.pace.fastest is None:
            # while no pace is known nothing is a jump
            return (Follows.IN_ORDER, "") if ahead + turn > far else (Follows.UNKNOWN, ROUND)
        if self._is_like_odd(ahead, seconds):
            return Follows.IN_ORDER, ""
        if ahead <= far:
            return Follows.UNKNOWN, FASTER
        return (Follows.RESET if raw < before else Follows.JUMPED), ""

    def took(self, count: Count, earliest: float, now: float) -> None:
        """The frame was taken; its counter was read *earliest* at the earliest, and by *now*."""
        last = self.last
        if last is not None:
            if count.follows is Follows.IN_ORDER and self._is_like_odd(
                count.number - last.number, count.seconds
            ):
                self.pace.goes_at((count.number - last.number) / count.seconds)
            self._odd = None
        if count.follows is Follows.UNKNOWN:
            self.pace.forget()
        if count.reason == FASTER:
            self.was_too_fast(count)
        if last is not None:
            unseen = max(0.0, now - max(self.earliest, self._taken))
            due = (self.pace.present or 0.0) * unseen
            behind = self._behind_at(now) + due - (count.number - last.number)
            self._behind = max(0.0, behind)
        self.last, self.earliest, self._taken = count, earliest, now
        self.pace.took(count.number, now)

    def was_too_fast(self, count: Count) -> None:
        """A step was; where the next is so too by the same measure, the game is played faster."""
        if self.last is not None and count.seconds > 0:
            self._odd = (count.number - self.last.number) / count.seconds

    def _is_like_odd(self, ahead: int, seconds: float) -> bool:
        return self._odd is not None and seconds > 0 and 0.5 < ahead / seconds / self._odd < 2.0

    # what the time explains

    def _fast(self, turn: int) -> float:
        fastest = self.pace.fastest
        if fastest is None:
            return LEAST
        return max(LEAST, fastest) if turn >= WIDE else fastest

    def _near(self, turn: int, seconds: float) -> float:
        return NEAR * self._fast(turn) * seconds + SPARE

    def _behind_at(self, now: float) -> float:
        """How many frames the game is behind its pace, but for the time since it was looked at."""
        late = min(CATCH_UP, max(0.0, self.earliest - self._taken))
        kept = self._behind * math.exp(-max(0.0, now - self._taken) / BACKLOG)
        return kept + late * (self.pace.present or 0.0)

    def _catch_up(self, turn: int, now: float) -> float:
        """Frames that may come at once, since the game or who sends them was late before."""
        behind = self._behind_at(now)
        if turn >= WIDE:
            return behind
        return min(behind, CATCH_UP * (self.pace.present or 0.0), turn / CATCH_UP_PART)

    def _is_like(self, ahead: int, seconds: float) -> bool:
        """Whether it went on at the present pace."""
        present = self.pace.present
        return present is not None and abs(ahead - present * seconds) <= (
            SPARE + LIKE * present * seconds
        )

    def _may_be_anew(self, raw: int, seconds: float) -> bool:
        """Whether a game that began again with 0 since then may stand at *raw*."""
        fastest = self.pace.fastest
        return fastest is not None and raw <= NEAR * fastest * seconds + 1
