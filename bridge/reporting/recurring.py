"""What to say of a trouble that comes and goes many times a second: when it begins, now and then
while it lasts, with a count, and when it is over.

It is over once there has been none for ``CALM`` seconds; until then what comes is the same trouble.
The pauses between reminders double, so that a night of trouble is a dozen lines.
"""

from __future__ import annotations

import time
from collections.abc import Callable

CALM = 1.0
"""Seconds without trouble after which it is over."""
FIRST_REMINDER, MAX_PAUSE = 60.0, 3600.0
"""Seconds until what lasts is told again, at first and at most."""


class RecurringTrouble:
    """One kind of trouble after the other; *ticks* counts seconds, whatever the wall clock does.

    The kind is what stands before the first colon of its words, whose rest may differ each time.
    """

    def __init__(self, ticks: Callable[[], float] = time.monotonic) -> None:
        self._ticks = ticks
        self._kind = ""
        self._began = self._latest = self._remind_at = 0.0
        self._pause = FIRST_REMINDER
        self.count = 0
        """How often there was trouble since it began."""

    def came(self, words: str) -> str:
        """There is trouble; gives what to say of it, most often nothing."""
        now, kind = self._ticks(), words.partition(":")[0]
        self._latest = now
        if kind != self._kind:
            self._kind, self._began, self.count = kind, now, 1
            self._pause = FIRST_REMINDER
            self._remind_at = now + self._pause
            return words
        self.count += 1
        if now < self._remind_at:
            return ""
        self._pause = min(2 * self._pause, MAX_PAUSE)
        self._remind_at = now + self._pause
        return f"{words} ({self.count} times in {round((now - self._began) / 60)} min)"

    def over(self) -> str:
        """There is none; gives the kind that is over now, most often nothing."""
        if not self._kind or self._ticks() - self._latest < CALM:
            return ""
        kind, self._kind = self._kind, ""
        return kind
