"""When the game's next frame is likely to end, from when the last ones did.

A guest cannot tell a reader of its memory that a frame is over: the counter must be looked at.
Looking all the time costs a processor, looking every so often is late by half of that.  But games
keep time: once some frames have been seen to end, the next end is known to a fraction of a
millisecond, so it is enough to look often in that short while.

This is a phase-locked loop of the second order.  ``_at`` is where the last frame's end is taken to
be and ``_period`` the time between two; each end that is seen moves both by a part of the error, so
that the jitter of one frame moves them little.  A frame that comes late by much (the game had more
to do than fits) seats the phase anew, and several of those unlock it.

Times are in seconds of a monotonic clock that the caller reads; nothing here sleeps.
"""

from __future__ import annotations

import math

__all__ = [
    "ACQUIRE",
    "COARSE",
    "FINE",
    "FINE_FOR",
    "LEAST_MARGIN",
    "MAX_LAG",
    "MAX_STRAYS",
    "PERIOD_GAIN",
    "PHASE_GAIN",
    "SHORTEST_PERIOD",
    "FramePhase",
]

PHASE_GAIN = 0.25
PERIOD_GAIN = 0.02
"""Parts of an error that the phase and the period follow; the loop is damped well below ringing."""
ACQUIRE = 8
"""Frames over which the period is taken at first."""
MAX_STRAYS = 8
"""Frames in a row far from where they were expected, after which the period is taken again."""
SHORTEST_PERIOD = 0.004
"""Below this frames follow so closely that any moment is as good as another."""
MAX_LAG = 0.5
"""What comes later than this, in s, was held back by its user and not by its work."""
LEAST_MARGIN = 0.0003
FINE = 0.0002
"""Between two looks while the end is expected: a frame is seen late by half of it on average."""
FINE_FOR = 0.002
COARSE = 0.001
"""Between two looks while nothing is known of the phase, and when a frame is late."""


class FramePhase:
    """The phase of one game's frames.

    ``longest`` is the longest pause between two looks, in seconds.  ``lag`` counts the frames' time
    that the game has lost so far: 1 for each period by which a frame ended too late.  Only what was
    looked for and not there counts, so that a reader who was held up himself calls nothing lag.
    """

    def __init__(self, longest: float) -> None:
        self.lag = 0
        self._longest = max(longest, COARSE)
        self._number: int | None = None
        self._at = 0.0
        self._period = 0.0
        self._first: tuple[int, float] | None = None
        self._spread = 0.0005
        self._strays = 0

    @property
    def period(self) -> float | None:
        """Seconds from one frame's end to the next; None while that is not known."""
        return self._period or None

    @property
    def margin(self) -> float:
        """How long before the expected end it is worth to begin to look, in seconds."""
        return min(max(LEAST_MARGIN, 3 * self._spread + FINE), self._period / 6)

    def first_look(self, earliest: float) -> float:
        """When to look first for the frame behind the last one seen, not before *earliest*.

        Where several frames end before *earliest*, it is the end of the first one behind it.
        """
        period = self._period
        if period < SHORTEST_PERIOD:
            return earliest
        frames = max(1, math.ceil((earliest - self._at) / period - 0.5))
        return max(earliest, self._at + frames * period - self.margin)

    def pause(self, looking_for: float) -> float:
        """How long to wait after a look that saw no new frame, *looking_for* s after the first."""
        if self._period >= SHORTEST_PERIOD and looking_for < 2 * self.margin + FINE_FOR:
            return FINE
        is_idle = looking_for > 2 * max(self._period, self._longest)
        return self._longest if is_idle else COARSE

    def saw(self, number: int, at: float, not_before: float | None) -> None:
        """Frame *number* was seen to have ended *at*; at *not_before* it had not.

        *not_before* is None where the first look saw it, so that it may have ended long ago.
        """
        last, self._number = self._number, number
        ended = at if not_before is None else (at + not_before) / 2
        if last is None or not 0 < number - last <= ACQUIRE:
            self._unlock(number, ended)
            return
        if not self._period:
            self._acquire(number, ended)
            return
        self._follow(number - last, at, not_before)

    def _unlock(self, number: int, ended: float) -> None:
        self._period, self._strays = 0.0, 0
        self._first = (number, ended)
        self._at = ended

    def _acquire(self, number: int, ended: float) -> None:
        assert self._first is not None
        first, began = self._first
        self._at = ended
        if number - first >= ACQUIRE:
            self._period = (ended - began) / (number - first)

    def _follow(self, frames: int, at: float, not_before: float | None) -> None:
        expected = self._at + frames * self._period
        is_vague = not_before is None or at - not_before > self._period / 4
        if is_vague and (not_before or 0.0) <= expected <= at:
            self._at = expected  # it may have come in time and been seen late
            return
        error = (at if not_before is None else (at + not_before) / 2) - expected
        if abs(error) > self._period / 4:
            self._stray(expected + error, expected, not_before)
            return
        self._strays = 0
        if not_before is None:
            # it had ended before the first look: begin earlier, until one look is in vain again
            self._spread = min(self._spread * 1.25, self._period / 8)
            self._at = expected + PHASE_GAIN * (error - self.margin)
            return
        self._spread += 0.05 * (abs(error) - self._spread)
        self._at = expected + PHASE_GAIN * error
        self._period += PERIOD_GAIN * error / frames

    def _stray(self, ended: float, expected: float, not_before: float | None) -> None:
        """A frame far from where it was expected."""
        self._strays += 1
        if self._strays > MAX_STRAYS:
            assert self._number is not None
            self._unlock(self._number, ended)
            return
        if not_before is not None and 0 < not_before - expected < MAX_LAG:
            self.lag += round((not_before - expected) / self._period)
        self._at = ended
