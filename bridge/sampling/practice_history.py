"""The attempts of this run and of those before it: their totals, and where they are kept."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.ports.practice_log import PracticeLog
from bridge.practice.attempts import Attempt, Outcome
from bridge.practice.totals import Score, Totals
from bridge.sampling.practice_rules import Conditions, Rules
from schemas.errors import OutputError

__all__ = ["LONG_AT_FIRST", "SHORTEST_LONG", "TIMES_AS_LONG", "PracticeHistory"]

TIMES_AS_LONG = 3
"""An open attempt that is so many times as long as the longest that ended was left by mistake."""
SHORTEST_LONG = 600
LONG_AT_FIRST = 18_000
"""Frames after which an attempt is long at least, and where none has ended yet."""


class PracticeHistory:
    """*keeper* is where attempts and tallies are kept; None where that is nowhere."""

    def __init__(self, rules: Rules, keeper: PracticeLog | None = None) -> None:
        self._keeper = keeper
        self._refused = ""
        self._totals = Totals(step.name for step in rules.steps)
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
            self._count(attempt)
        return history

    @property
    def notice(self) -> str:
        """What there is to know of how all is kept, as ``PracticeLog.notice``."""
        return self._refused if self._keeper is None else self._keeper.notice

    @property
    def score(self) -> Score:
        return self._totals.score()

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

    def began(self, attempt: Attempt) -> None:
        if self._keeper is not None:
            self._keeper.began(attempt)

    def ended(self, attempt: Attempt) -> None:
        self._count(attempt)
        if self._keeper is not None:
            self._keeper.ended(attempt)

    def is_long(self, frames: int) -> bool:
        """Whether an open attempt is so long that nothing may ever end it."""
        if not self._longest:
            return frames > LONG_AT_FIRST
        return frames > max(SHORTEST_LONG, TIMES_AS_LONG * self._longest)

    async def close(self) -> None:
        if self._keeper is not None:
            await self._keeper.close()

    def _count(self, attempt: Attempt) -> None:
        self._totals.add(attempt)
        if attempt.outcome not in (Outcome.OPEN, Outcome.CUT_OFF):
            self._longest = max(self._longest, attempt.frames or 0)
