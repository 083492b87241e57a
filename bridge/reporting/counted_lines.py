"""What to say of events that anybody can cause many times a second: a line a kind a minute.

The first of a kind is told at once.  What comes within a minute of a line is only counted, and told
as one line when the minute is over; so that no peer writes a user's log full, and none goes untold.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

MINUTE = 60.0
"""Seconds between two lines of a kind."""
MAX_KINDS = 32
"""Kinds that are told apart; all beyond are one, since kinds may come from a peer's words."""
_OTHER = "other"


@dataclass
class _Kind:
    told_at: float
    words: str
    more: int = 0


class CountedLines:
    """Decides what is said; *ticks* counts seconds, whatever the wall clock does."""

    def __init__(self, ticks: Callable[[], float] = time.monotonic) -> None:
        self._ticks = ticks
        self._kinds: dict[str, _Kind] = {}

    def came(self, kind: str, words: str) -> str:
        """One of a kind; gives the line to write of it, "" where it is only counted."""
        now = self._ticks()
        if kind not in self._kinds and len(self._kinds) >= MAX_KINDS:
            self._forget(now)
            if len(self._kinds) >= MAX_KINDS:
                kind = _OTHER
        known = self._kinds.get(kind)
        if known is None or (not known.more and now - known.told_at >= MINUTE):
            self._kinds[kind] = _Kind(now, words)
            return words
        known.words = words
        known.more += 1
        return self._told(known, now) if now - known.told_at >= MINUTE else ""

    def due(self) -> list[str]:
        """The lines on what was counted and is a minute old; to be asked for now and then."""
        return self._counted(MINUTE)

    def rest(self) -> list[str]:
        """The lines on all that was counted; for the end."""
        return self._counted(0.0)

    @property
    def next_due(self) -> float | None:
        """Seconds until ``due`` has something to say; None where nothing is counted."""
        told = [kind.told_at for kind in self._kinds.values() if kind.more]
        return max(0.0, min(told) + MINUTE - self._ticks()) if told else None

    def _counted(self, age: float) -> list[str]:
        now = self._ticks()
        old = [key for key, kind in self._kinds.items() if now - kind.told_at >= age]
        lines = [self._told(self._kinds[key], now) for key in old if self._kinds[key].more]
        self._forget(now)
        return lines

    def _forget(self, now: float) -> None:
        """Kinds of which nothing is left to tell, and of which the next is the first again."""
        for key, kind in list(self._kinds.items()):
            if not kind.more and now - kind.told_at >= MINUTE:
                del self._kinds[key]

    @staticmethod
    def _told(kind: _Kind, now: float) -> str:
        line = f"{kind.words} ({kind.more} more in {now - kind.told_at:.0f} s)"
        kind.told_at, kind.more = now, 0
        return line
