"""How fast the game's frame counter goes, and whether a step of it can be explained by that.

A reader who is held up misses frames, and then the counter is ahead by what the time explains.  A
state that was loaded puts it anywhere.  The fastest pace that was seen is what tells the two apart,
with room for a game that is suddenly played faster.
"""

from __future__ import annotations

RESET = "the game was reset"
JUMPED = "the game's frame counter jumped"
"""Why what comes next does not follow from what was."""

WINDOW = 1.0
"""Seconds over which a pace is taken at least."""
LEAST = 60.0
"""Frames a second that need not have been seen."""
ROOM = 4.0
"""What is faster than the fastest pace by more than this, is a jump."""


class Pace:
    """Frames a second, seen by who takes frames.  Times are in seconds, of any clock."""

    def __init__(self) -> None:
        self._fastest: float | None = None
        self._first: tuple[int, float] | None = None
        self._last_time = 0.0

    def forget(self) -> None:
        """What comes next does not follow from what was; the fastest pace stays known."""
        self._first = None

    def took(self, number: int, time: float) -> None:
        """Frame *number* was taken."""
        first = self._first
        if first is None or time < first[1]:
            self._first = number, time
        elif time - first[1] >= WINDOW:
            pace = (number - first[0]) / (time - first[1])
            self._fastest = max(self._fastest or LEAST, pace)
            self._first = number, time
        self._last_time = time

    def explains(self, ahead: int, time: float) -> bool:
        """Whether the counter can be *ahead* of the frame taken last; true while no pace is known.

        One second more than has passed is allowed for, since reading takes time.
        """
        if self._fastest is None or self._first is None:
            return True
        return ahead <= ROOM * self._fastest * (1.0 + max(0.0, time - self._last_time))
