"""How fast the game's frame counter goes.

A reader who is held up misses frames, and then the counter is ahead by what the time explains.  A
state that was loaded puts it anywhere.  The pace that was seen is what tells the two apart: see
``bridge.sampling.frame_count``.
"""

from __future__ import annotations

from collections import deque

__all__ = ["AGAIN", "JUMPED", "LEAST", "RESET", "ROOM", "WINDOW", "WINDOWS", "Pace"]

RESET = "the game was reset"
JUMPED = "the game's frame counter jumped"
AGAIN = "what is played began again"
"""Why what comes next does not follow from what was."""

WINDOW = 1.0
"""Seconds over which a pace is taken at least."""
WINDOWS = 10
"""Of so many windows in a row the present pace is taken, to know it to some thousandths."""
LEAST = 60.0
"""Frames a second that need not have been seen."""
ROOM = 4.0
"""What is faster than the fastest pace by more than this, is a jump."""


class Pace:
    """Frames a second, seen by who takes frames.  Times are in seconds that only go forward.

    ``fastest`` is the fastest pace that was seen over a window, and ``present`` that of the last
    few; both are None while none is known.
    """

    def __init__(self) -> None:
        self.fastest: float | None = None
        self.present: float | None = None
        self._marks: deque[tuple[int, float]] = deque(maxlen=WINDOWS + 1)

    def forget(self) -> None:
        """What comes next does not follow from what was; the paces stay known."""
        self._marks.clear()

    def took(self, number: int, time: float) -> None:
        """Frame *number*, in which all turns of the counter are counted, was taken."""
        marks = self._marks
        if not marks or time < marks[-1][1]:
            marks.clear()
            marks.append((number, time))
        elif time - marks[-1][1] >= WINDOW:
            self._learn((number - marks[-1][0]) / (time - marks[-1][1]))
            marks.append((number, time))
            self.present = (number - marks[0][0]) / (time - marks[0][1])

    def goes_at(self, pace: float) -> None:
        """It goes at *pace* from now on, as two steps in a row have told."""
        self._marks.clear()
        self._learn(pace)
        self.present = pace

    def _learn(self, pace: float) -> None:
        self.fastest = max(self.fastest or 0.0, pace)
