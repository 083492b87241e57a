"""A process and its mappings, as every operating system has them in some form."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Mapping", "ProcessStat"]


@dataclass(frozen=True, slots=True)
class Mapping:
    """The addresses from ``start`` up to ``end`` of a process, and what lies behind them.

    ``backing`` names the file behind a file's mapping, which begins at ``offset`` bytes into it (on
    Linux by its device and inode); it is empty for anonymous memory.
    """

    start: int
    end: int
    readable: bool
    writable: bool
    shared: bool
    offset: int
    backing: str
    path: str

    @property
    def size(self) -> int:
        return self.end - self.start


@dataclass(frozen=True, slots=True)
class ProcessStat:
    """A process's name (on Linux at most 15 bytes of it), state letter, parent, and start.

    ``start`` tells it from a later process with the same number: on Linux it counts clock ticks
    since the system began.
    """

    name: str
    state: str
    parent: int
    start: int

    @property
    def ended(self) -> bool:
        """True for a process that only waits for its parent to notice its end."""
        return self.state in "ZXx"
