"""What to say of events that anybody can cause many times a second: a line a kind a minute.

The first of a kind is told at once.  What comes within a minute of a line is only counted, and told
as one line when the minute is over; so that no peer writes a user's log full, and none goes untold.
"""

from __future__ import annotations

from collections.abc import Callable

from bridge.reporting.counted_event import CountedEvent

__all__ = ["MAX_KINDS", "MINUTE", "CountedLines"]

MINUTE = 60.0
"""Seconds between two lines of a kind."""
MAX_KINDS = 32
"""Kinds that are told apart; all beyond are one, since kinds may come from a peer's words."""
_OTHER = "other"


class CountedLines:
    """Decides what is said; *now* gives seconds that go on, whatever the wall clock does."""

    def __init__(self, now: Callable[[], float]) -> None:
        self._now = now
        self._kinds: dict[str, CountedEvent] = {}

    def came(self, kind: str, words: str) -> str:
        """One of a kind; gives the line to write of it, "" where it is only counted."""
        now = self._now()
        if kind not in self._kinds and len(self._kinds) >= MAX_KINDS:
            self._forget(now)
            if len(self._kinds) >= MAX_KINDS:
                kind = _OTHER
        known = self._kinds.get(kind)
        if known is None or (not known.untold and known.is_due(now)):
            self._kinds[kind] = CountedEvent(words, now, MINUTE)
            return words
        known.came(words)
        return self._told(known, now) if known.is_due(now) else ""

    def due(self) -> list[str]:
        """The lines on what was counted and is a minute old; to be asked for now and then."""
        return self._counted(MINUTE)

    def rest(self) -> list[str]:
        """The lines on all that was counted; for the end."""
        return self._counted(0.0)

    @property
    def next_due(self) -> float | None:
        """Seconds until ``due`` has something to say; None where nothing is counted."""
        told = [kind.told_at for kind in self._kinds.values() if kind.untold]
        return max(0.0, min(told) + MINUTE - self._now()) if told else None

    def _counted(self, age: float) -> list[str]:
        if not self._kinds:
            return []
        now = self._now()
        old = [kind for kind in self._kinds.values() if kind.untold and kind.age(now) >= age]
        lines = [self._told(kind, now) for kind in old]
        self._forget(now)
        return lines

    def _forget(self, now: float) -> None:
        """Kinds of which nothing is left to tell, and of which the next is the first again."""
        for key, kind in list(self._kinds.items()):
            if not kind.untold and kind.is_due(now):
                del self._kinds[key]

    @staticmethod
    def _told(kind: CountedEvent, now: float) -> str:
        line = f"{kind.words} ({kind.untold} more in {kind.age(now):.0f} s)"
        kind.told(now)
        return line
