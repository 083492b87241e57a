"""Seconds that pass, whatever is done to the time of day.

Everything that measures how long something took counts these; the time of day only says when it
was.  They go on while the machine is suspended, where the system can tell: what happened elsewhere
meanwhile has happened.
"""

from __future__ import annotations

import time

_WITH_SUSPENSION: int | None = getattr(time, "CLOCK_BOOTTIME", None)


def ticks() -> float:
    """Seconds since some moment that stays the same while the machine runs."""
    if _WITH_SUSPENSION is None:
        return time.monotonic()
    return time.clock_gettime(_WITH_SUSPENSION)
