"""The processor time of a thread's own work: what Python's garbage collector takes does not count.

A full collection goes through every object of the program, so in a large one, as where lowhalf is
imported by another, it takes longer than a frame's watches may, whoever happens to be at work when
it comes.  The collector is the cause then, and no watch and no heap becomes an error by it.
"""

from __future__ import annotations

import gc
import threading
import time

__all__ = ["processor_time"]

_FULL = 2
"""The oldest generation, whose collection looks at everything; others are short."""


class _Collections(threading.local):
    """What full collections took of this thread, in seconds."""

    taken = 0.0
    _began = 0.0

    def note(self, phase: str, info: dict[str, int]) -> None:
        """Python calls this in the thread that collects."""
        if info["generation"] == _FULL:
            now = time.thread_time()
            if phase == "start":
                self._began = now
            else:
                self.taken += now - self._began


_collections = _Collections()
gc.callbacks.append(_collections.note)


def processor_time() -> float:
    """Seconds of processor time of this thread without full garbage collections."""
    return time.thread_time() - _collections.taken
