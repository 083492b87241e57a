"""How many connections the pages' server has room for.

Each takes a descriptor of the process, and so do the source, the broker's connection and what is
opened for a moment, such as a dump.  Where none is left, a source is lost.  So connections get half
of the descriptors at most, and none whose number shows that few are left: POSIX hands out the
lowest number that is free.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

__all__ = ["MAX_EACH", "MAX_SELECTED", "MOST", "Room"]

MOST = 512
"""Connections at a time, where the system allows enough descriptors."""
MAX_SELECTED = 256
"""The same on Windows, whose ``select`` looks at 512 sockets at most."""
MAX_EACH = 64
"""Connections at a time from one address that is not of this machine."""


@dataclass(frozen=True)
class Room:
    """Limits of how many connections there may be.

    ``most`` in all, ``most_each`` from one address off loopback.

    ``live`` of them, and ``asked``, may be WebSockets that are sent frames and answers, so that
    there are always some for requests.  A descriptor of number ``ceiling`` or above is not taken.
    """

    most: int
    most_each: int
    live: int
    asked: int
    ceiling: int

    @classmethod
    def within(cls, descriptors: int | None) -> Room:
        """What fits into a process of *descriptors*; None where there is no such limit."""
        most = MAX_SELECTED if sys.platform == "win32" else MOST
        ceiling = sys.maxsize
        if descriptors is not None:
            most = max(4, min(most, descriptors // 2))
            ceiling = descriptors - descriptors // 4
        return cls(most, min(MAX_EACH, most // 2), most // 2, max(1, most // 8), ceiling)

    @classmethod
    def of_process(cls) -> Room:
        """By the limit that this process has now."""
        return cls.within(_descriptors())


def _descriptors() -> int | None:
    if sys.platform == "win32":
        return None
    import resource

    soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    return None if soft == resource.RLIM_INFINITY else soft
