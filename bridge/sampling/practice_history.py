"""The attempts of this run and of those before it: their totals, and where they are kept."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import replace

from bridge.ports.practice_log import PracticeLog
from bridge.practice.attempts import Attempt, Outcome
from bridge.practice.sittings import Sittings
from bridge.practice.totals import Score, Totals
from bridge.sampling.practice_rules import Conditions, Rules
from schemas.errors import OutputError

__all__ = ["LONG_AT_FIRST", "MAX_UNDO", "SHORTEST_LONG", "TIMES_AS_LONG", "PracticeHistory"]

TIMES_AS_LONG = 3
"""An open attempt that is so many times as long as the longest that ended was left by mistake."""
SHORTEST_LONG = 600
LONG_AT_FIRST = 18_000
"""Frames after which an attempt is long at least, and where none has ended yet."""


MAX_UNDO = 64
"""Of the attempts that ended last, as many can be taken back."""


class PracticeHistory:
    """*keeper* is where attempts and tallies are kept; None where that is nowhere.

    ``score`` is of all attempts, those of before included.
    """

    def __init__(self, rules: Rules, keeper: PracticeLog | None = None) -> None:
        self._keeper = keeper
        self._refused = ""
        self._steps = [step.name for step in rules.steps]
        self._totals, self._in_session = Totals(self._steps), Totals(self._steps)
        self.score, self._session_score = self._totals.score(), self._in_session.score()
        self._nothing = self._session_score
        self._sittings = Sittings()
        self._session = 0
        self._ended: deque[Attempt] = deque(maxlen=MAX_UNDO)
        self._longest = 0

    async def open(self) -> Sequence[Attempt]:
        """All that is kept, counted.  Raises OutputError; then nothing is kept from now on."""
        if self._keeper is None:
            return ()
        try:
            history = await self._keeper.open()
        except OutputError as fault:
            self._keeper = None
            self._refused = f"{fault}; nothing is kept in this run"
            raise
        for attempt in history:
            self._count(attempt, self._sittings.take(attempt))
        self._rate()
        return history

    @property
    def notice(self) -> str:
        """What there is to know of how all is kept, as ``PracticeLog.notice``."""
        return self._refused if self._keeper is None else self._keeper.notice

    @property
    def last(self) -> Attempt | None:
        """The attempt that ended last, of those that were not taken back."""
        return next((attempt for attempt in reversed(self._ended) if not attempt.undone), None)

    def session(self, time: float, attempt: Attempt | None) -> tuple[int, Score]:
        """The session of *attempt*, which is open, or of one that would begin at *time*; and what
        the session gave so far."""
        number = self._sittings.at(time) if attempt is None else attempt.session
        return number, self._session_score if number == self._session else self._nothing

    @property
    def unseen_between(self) -> int:
        """As in the score."""
        return self._totals.unseen_between

    def tallied(self, conditions: Conditions) -> None:
        """Keep what the tallies counted in a frame."""
        if self._keeper is None:
            return
        build = conditions.build
        for text, value in conditions.moments():
            self._keeper.tallied(text, build, value)
        for text, value in conditions.moments_apart():
            self._keeper.tallied(text, build, value, whole=False)

    def began(self, attempt: Attempt) -> Attempt:
        """An attempt is open; gives it with its session."""
        attempt = replace(attempt, session=self._sittings.take(attempt))
        if self._keeper is not None:
            self._keeper.began(attempt)
        return attempt

    def ended(self, attempt: Attempt) -> Attempt:
        """An attempt has ended; gives it with its session."""
        attempt = replace(attempt, session=self._sittings.take(attempt))
        self._count(attempt, attempt.session)
        self._rate()
        if self._keeper is not None:
            self._keeper.ended(attempt)
        return attempt

    def undo(self) -> Attempt | None:
        """The last attempt that counts, which does not any more; None where none is left.

        What was cut off counts for nothing, and so is left as it is.
        """
        for place in reversed(range(len(self._ended))):
            attempt = self._ended[place]
            if attempt.undone or attempt.outcome is Outcome.CUT_OFF:
                continue
            self._totals.take_back(attempt)
            if attempt.session == self._session:
                self._in_session.take_back(attempt)
            self._rate()
            self._ended[place] = attempt = replace(attempt, undone=True)
            if self._keeper is not None:
                self._keeper.ended(attempt)
            return attempt
        return None

    def is_long(self, frames: int) -> bool:
        """Whether an open attempt is so long that nothing may ever end it."""
        if not self._longest:
            return frames > LONG_AT_FIRST
        return frames > max(SHORTEST_LONG, TIMES_AS_LONG * self._longest)

    async def close(self) -> None:
        if self._keeper is not None:
            await self._keeper.close()

    def _count(self, attempt: Attempt, session: int) -> None:
        if attempt.outcome is Outcome.OPEN:
            return
        self._totals.add(attempt)
        if session > self._session:
            self._session, self._in_session = session, Totals(self._steps)
        if session == self._session:
            self._in_session.add(attempt)
        self._ended.append(attempt)
        if attempt.outcome is not Outcome.CUT_OFF and not attempt.undone:
            self._longest = max(self._longest, attempt.frames or 0)

    def _rate(self) -> None:
        self.score, self._session_score = self._totals.score(), self._in_session.score()
