"""Whether lowhalf itself stood still: its process was stopped, or the machine was suspended.

Frames do not tell by themselves.  A game on the same machine may have stood still just as long, so
that not one of its frames is missing, and yet what is seen is not what was played.  Whoever runs
beats once in a while; a beat that is late by much tells.
"""

from __future__ import annotations

from collections.abc import Callable

__all__ = ["EVERY", "LEAST", "Standstill"]

EVERY = 1.0
"""Seconds from one beat to the next."""
LEAST = 5.0
"""A beat may be late by less, in seconds: a busy machine makes wait for as long."""


class Standstill:
    """*now* gives seconds that go on while the process is stopped."""

    def __init__(self, now: Callable[[], float]) -> None:
        self._now = now
        self._beaten = now()
        self._stood = 0.0

    def beat(self) -> None:
        """To be called once in EVERY seconds."""
        now = self._now()
        late = now - self._beaten - EVERY
        if late >= LEAST:
            self._stood += late + EVERY
        self._beaten = now

    def noticed(self) -> float:
        """Seconds that were stood still since this was asked last; most often 0."""
        self.beat()
        stood, self._stood = self._stood, 0.0
        return stood
