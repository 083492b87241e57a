"""Operating system's word about processes: what the source asks of it.

``linux`` answers on Linux, ``windows`` on Windows.  Another system needs another :class:`System`
and a line in ``this_system``: which process is meant, and where in it RAM is, is found as
everywhere.
"""

from __future__ import annotations

import abc
from collections.abc import Iterator, Sequence
from typing import ClassVar, Protocol

from adapters.sources.process.mapping import Mapping, ProcessStat

__all__ = ["START_IT", "LifeLine", "Reader", "System"]

START_IT = "start the emulator with: lowhalf run BRIDGE.toml -- EMULATOR …"
"""What to do where a system lets only those read a process who started it."""


class Reader(Protocol):
    """Reads the memory of process ``pid``; never writes."""

    pid: int

    def read(self, ranges: Sequence[tuple[int, int]]) -> list[bytes | None]:
        """The bytes of each (address, length); None for one that cannot be read whole.

        Raises OSError: ProcessLookupError where the process is gone, PermissionError where the
        system forbids it, ENOSYS where the system cannot.
        """

    def read_into(self, address: int, into: memoryview) -> bool:
        """Fill *into* from *address* on; false where not all of it can be read.  Raises as read."""

    def close(self) -> None:
        """Let go of the process; harmless the second time."""


class LifeLine(Protocol):
    """Tells at once whether a process still runs."""

    @property
    def holds(self) -> bool:
        """True while it runs; false where it has ended or the system cannot tell."""

    def close(self) -> None:
        """Let go of it; harmless the second time."""


class System(abc.ABC):
    """What an operating system tells of its processes.  Methods raise OSError as the system does,
    and ValueError where it says what cannot be understood.

    ``tells_mirrors`` is whether mappings of the same memory have the same backing.
    """

    tells_mirrors: ClassVar[bool] = True

    @abc.abstractmethod
    def processes(self) -> Iterator[int]:
        """The numbers of all processes."""

    @abc.abstractmethod
    def stat(self, pid: int) -> ProcessStat | None:
        """What a process is; None where there is none of that number."""

    @abc.abstractmethod
    def is_ours(self, pid: int) -> bool:
        """Whether a process belongs to the user that lowhalf runs as."""

    @abc.abstractmethod
    def program(self, pid: int) -> str:
        """The program as it was started; "" where that cannot be told."""

    @abc.abstractmethod
    def age(self, stat: ProcessStat) -> float:
        """Seconds since a process began."""

    @abc.abstractmethod
    def mappings(self, pid: int) -> list[Mapping]:
        """What a process maps, by address."""

    @abc.abstractmethod
    def present(self, pid: int, low: int, high: int) -> Iterator[tuple[int, int]]:
        """(address, length) of what holds something between two addresses; all of it where the
        system does not tell."""

    @abc.abstractmethod
    def reader(self, pid: int) -> Reader:
        """What reads a process's memory; not for use by two threads at a time."""

    @abc.abstractmethod
    def life_line(self, pid: int) -> LifeLine:
        """What tells of a process's end."""

    @abc.abstractmethod
    def why_refused(self, pid: int) -> str:
        """Why the system does not let lowhalf read a process that runs, and what to do."""

    def alive(self, pid: int) -> ProcessStat | None:
        """What a process is that runs; None where none of that number does, or cannot be seen."""
        try:
            stat = self.stat(pid)
        except (OSError, ValueError):
            return None
        return None if stat is None or stat.ended else stat

    def is_named(self, pid: int, stat: ProcessStat, name: str) -> bool:
        """Whether it is called so: by the system's name for it or by the program that runs."""
        if stat.name == name:
            return True
        program = self.program(pid)
        # a program for Windows is started by its path there
        return bool(program) and program.replace("\\", "/").rsplit("/", 1)[-1] == name

    def mapped(self, pid: int, address: int, size: int) -> int:
        """How many of *size* bytes from an address on are mapped without a gap.

        The last of them can be read; between them may be some that are guarded.
        """
        end = last = address
        for each in self.mappings(pid):
            if each.start <= end < each.end and (each.readable or last > address):
                end = each.end
                last = end if each.readable else last
        return min(last - address, size)
