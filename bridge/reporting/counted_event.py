"""An event that comes many times a second: told at once, then counted until a pause is over."""

from __future__ import annotations

__all__ = ["CountedEvent"]


class CountedEvent:
    """One kind of event since it came first, at *now*; all times are in seconds of one clock.

    ``words`` are those of the last, ``count`` is how often it came, and ``untold`` how often since
    it was told of.  ``pause`` is how long nothing more is said of it then.
    """

    def __init__(self, words: str, now: float, pause: float) -> None:
        self.words = words
        self.began = self.told_at = now
        self.pause = pause
        self.count, self.untold = 1, 0

    def came(self, words: str) -> None:
        """It came again."""
        self.words = words
        self.count += 1
        self.untold += 1

    def age(self, now: float) -> float:
        """Seconds since it was told of."""
        return now - self.told_at

    def is_due(self, now: float) -> bool:
        """Whether the pause is over."""
        return self.age(now) >= self.pause

    def told(self, now: float) -> None:
        """It is told of now; the next pause begins."""
        self.told_at, self.untold = now, 0
