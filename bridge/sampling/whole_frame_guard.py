"""Whether a sample is of one whole frame, where the source does not vouch for it.

It is sampled as a seqlock reader samples: the counter that ended a frame is read first, then the
lines, then the counter that began it, in three separate reads, and the sample stands only where
both are equal.  (One counter read before and after does not do: it stands still during the frame's
work.)

Without a guard but with a frame counter, a sample is taken right after the counter changed, twice,
and stands where both are equal; that is likelier to be whole, not certain, and is called unguarded.
"""

from __future__ import annotations

import contextlib

from bridge.ports.source import Consistency, Torn
from bridge.prepared import PreparedBuild
from bridge.sampling.frame_numbers import FrameNumbers
from bridge.sampling.line_fetcher import LineFetcher

__all__ = ["NOT_WHOLE", "WholeFrameGuard"]

NOT_WHOLE = "no whole frame"
"""How the note of a frame begins of which no sample was whole."""


class WholeFrameGuard:
    """Judges the samples of one frame, taken until one is whole.

    *vouched* is what the source itself vouches for.  ``twice`` is whether a sample must be the same
    when it is read again.
    """

    def __init__(
        self,
        prepared: PreparedBuild,
        vouched: Consistency,
        lines: LineFetcher,
        numbers: FrameNumbers,
    ) -> None:
        unvouched = vouched is Consistency.UNGUARDED
        guarded = unvouched or vouched is Consistency.HALTED
        self._counters = prepared.guard if guarded else None
        self._frame = prepared.frame
        self.twice = self._counters is None and prepared.frame is not None and unvouched
        self._lines = lines
        self._numbers = numbers
        self._ended: int | None = None
        self._unheld = ""

    async def begins(self) -> None:
        """A sample begins: its lines are fetched afterwards."""
        if self._counters is not None:
            self._ended = await self._lines.read_counter(self._counters[1])

    async def passes(self) -> bool:
        """Whether no frame has begun since the one that had ended when the sample began."""
        if self._counters is None:
            return True
        first, second = self._counters
        ended, began = self._ended, await self._lines.read_counter(first)
        values = ((second, ended), (first, began))
        self._unheld = next((counter.name for counter, value in values if value is None), "")
        if began is None or ended is None:
            return False  # two counters that are not held would agree
        turn = min(first.turn, second.turn)
        # what may have gone round meanwhile agrees by chance
        numbers = self._numbers
        late = numbers.moment() - max(numbers.earliest, numbers.count.earliest)
        return (began - ended) % turn == 0 and not numbers.count.may_go_round(turn, late)

    def torn_words(self) -> str:
        """Why no sample was whole."""
        if self._counters is None:
            return f"{NOT_WHOLE}: two equal samples were never seen"
        if self._unheld:
            return f"{NOT_WHOLE}: the source does not hold {self._unheld}"
        began, ended = (counter.name for counter in self._counters)
        return f"{NOT_WHOLE}: {began} and {ended} never agreed"

    # behind a sample that was whole

    async def fetch_late(self, lines: set[int]) -> bool:
        """Lines that come after the sample; false, and none of them, where it stands no more."""
        sound = False
        with contextlib.suppress(Torn):
            await self._lines.fetch_lines(lines)
            sound = await self._stands(lines)
        if not sound:
            self._lines.image.drop(lines)
        return sound

    async def _stands(self, lines: set[int]) -> bool:
        """Whether the game is still in the frame of the sample, as far as can be known."""
        if not self.twice:
            return await self.passes()
        frame = self._frame
        assert frame is not None
        counted = self._lines.image.read(frame.address, frame.size)
        return (
            await self._lines.same_again(lines)
            and counted is not None
            and await self._lines.read_counter(frame) == frame.value(counted)
        )
