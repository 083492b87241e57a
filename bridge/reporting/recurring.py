"""What to say of a trouble that comes and goes many times a second: when it begins, now and then
while it lasts, with a count, and when it is over.

It is over once there has been none for ``CALM`` seconds; until then what comes is the same trouble.
The pauses between reminders double, so that a night of trouble is a dozen lines.
"""

from __future__ import annotations

from collections.abc import Callable

from bridge.reporting.counted_event import CountedEvent

__all__ = ["CALM", "FIRST_REMINDER", "MAX_PAUSE", "RecurringTrouble"]

CALM = 1.0
"""Seconds without trouble after which it is over."""
FIRST_REMINDER, MAX_PAUSE = 60.0, 3600.0
"""Seconds until what lasts is told again, at first and at most."""


class RecurringTrouble:
    """One kind of trouble after the other; *now* gives seconds, whatever the wall clock does.

    The kind is what stands before the first colon of its words, whose rest may differ each time.
    ``count`` is how often there was the last since it began.
    """

    def __init__(self, now: Callable[[], float]) -> None:
        self._now = now
        self._kind = ""
        self._latest = 0.0
        self._trouble: CountedEvent | None = None

    @property
    def count(self) -> int:
        return 0 if self._trouble is None else self._trouble.count

    def came(self, words: str) -> str:
        """There is trouble; gives what to say of it, most often nothing."""
        now, kind = self._now(), words.partition(":")[0]
        self._latest = now
        trouble = self._trouble
        if trouble is None or kind != self._kind:
            self._kind, self._trouble = kind, CountedEvent(words, now, FIRST_REMINDER)
            return words
        trouble.came(words)
        if not trouble.is_due(now):
            return ""
        trouble.told(now)
        trouble.pause = min(2 * trouble.pause, MAX_PAUSE)
        return f"{words} ({trouble.count} times in {round((now - trouble.began) / 60)} min)"

    def over(self) -> str:
        """There is none; gives the kind that is over now, most often nothing."""
        if not self._kind or self._now() - self._latest < CALM:
            return ""
        kind, self._kind = self._kind, ""
        return kind
