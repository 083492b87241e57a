"""Guest RAM that is seen at several addresses of a process, on systems that do not tell.

Emulators map one piece of shared memory more than once, so that a guest's address needs few
changes.  Each of these views looks like RAM of its own, and the frame counter moves in all.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence

from adapters.sources.process.find_ram import Copy, Read, counter_of
from bridge.memory.address_map import MemoryMap, Region
from bridge.prepared import PreparedBuild

__all__ = ["without_mirrors"]

_PAGE = 0x1000
_ENOUGH_PAGES = 6
"""States of a page in which two copies were alike, after which they count as one."""


def without_mirrors(
    live: Sequence[Copy],
    prepared_builds: Mapping[str, PreparedBuild],
    memory: MemoryMap,
    region: Region,
    read: Read,
    *,
    longest: float = 1.5,
    pause: Callable[[float], None] = time.sleep,
) -> list[Copy]:
    """Without those of *live* that are another of them, seen once more.

    Two are one where the page of their counter is found alike in many states.  It counts only when
    the first has not changed while the second was read.
    """
    kept: list[Copy] = []
    for copy in live:
        spot = counter_of(prepared_builds[copy.build], memory, region)
        page = 0 if spot is None else spot[0] - spot[0] % _PAGE
        size = min(_PAGE, region.size - page)
        alike = [
            each
            for each in kept
            if each.area.shared and copy.area.shared and each.order is copy.order
        ]
        if not any(
            _are_one(each.address + page, copy.address + page, size, read, longest, pause)
            for each in alike
        ):
            kept.append(copy)
    return kept


def _are_one(
    first: int,
    second: int,
    size: int,
    read: Read,
    longest: float,
    pause: Callable[[float], None],
) -> bool:
    """Whether what is at two addresses goes on alike, as far as was seen."""
    seen: set[bytes] = set()
    end = time.monotonic() + longest
    while len(seen) < _ENOUGH_PAGES:
        before, other, after = read([(first, size), (second, size), (first, size)])
        if before is None or other is None:
            return False
        if before == after:
            if other != before:
                return False
            seen.add(before)
        if time.monotonic() >= end:
            return False
        pause(0.01)
    return True
