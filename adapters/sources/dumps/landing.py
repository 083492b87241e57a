"""Landing of dumps: which files of a folder are complete.  Bookkeeping only, no I/O.

A file is told from what it was before by its *mark* (inode, size, time of its last change).  It is
complete once its mark has not changed for the settling time, and it is given out once for each
mark: a file that is written anew is a new one, a file that is only renamed after it was given out
is not.
"""

from __future__ import annotations

import heapq
from collections.abc import Mapping
from dataclasses import dataclass

__all__ = ["Landed", "Landing", "Mark"]


@dataclass(frozen=True, slots=True)
class Mark:
    """``mtime`` is in nanoseconds, ``size`` in bytes."""

    inode: int
    size: int
    mtime: int


@dataclass(frozen=True, slots=True, order=True)
class Landed:
    """A complete file; ordered by time, then name."""

    mtime: int
    name: str
    mark: Mark


class Landing:
    """Times are in seconds on any clock that only runs forwards."""

    def __init__(self, settle: float) -> None:
        self.settle = settle
        self._given: dict[str, Mark] = {}
        self._growing: dict[str, tuple[Mark, float]] = {}
        self._ready: list[Landed] = []

    def look(self, files: Mapping[str, Mark], now: float) -> float | None:
        """Take in what the folder holds; gives when the next file will have settled, if any."""
        gone = {mark for name, mark in self._given.items() if name not in files}
        self._given = {name: mark for name, mark in self._given.items() if name in files}
        growing: dict[str, tuple[Mark, float]] = {}
        for name, mark in files.items():
            if self._given.get(name) == mark:
                continue
            if mark in gone:
                self._given[name] = mark
                continue
            before = self._growing.get(name)
            since = before[1] if before is not None and before[0] == mark else now
            if now - since >= self.settle:
                self._given[name] = mark
                heapq.heappush(self._ready, Landed(mark.mtime, name, mark))
            else:
                growing[name] = (mark, since)
        self._growing = growing
        if not growing:
            return None
        return min(since for _, since in growing.values()) + self.settle

    def know(self, files: Mapping[str, Mark]) -> None:
        """These are there already and are not given out."""
        self._given.update(files)

    def again(self, name: str) -> None:
        """What was given out could not be read: let it settle and give it out once more."""
        self._given.pop(name, None)

    def next(self) -> Landed | None:
        """The oldest complete file that was not given out yet."""
        return heapq.heappop(self._ready) if self._ready else None
