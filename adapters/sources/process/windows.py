"""Windows' word about processes: Toolhelp's list, VirtualQueryEx and ReadProcessMemory."""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
from collections.abc import Iterator
from typing import ClassVar

from adapters.sources.process.mapping import Mapping, ProcessStat
from adapters.sources.process.system import LifeLine, System
from adapters.sources.windows.calls import Calls
from adapters.sources.windows.kernel32 import Handle, Kernel32, runs
from adapters.sources.windows.region_reader import RegionReader
from adapters.sources.windows.structures import MemoryRegion, ProcessEntry

__all__ = ["POINTER_SIZE", "Windows"]

POINTER_SIZE = ctypes.sizeof(ctypes.c_void_p)
"""Bytes of an address in lowhalf itself."""

_TICKS = 10_000_000
"""Units of Windows' time in a second."""


class Windows(System):
    """What Windows tells of its processes."""

    tells_mirrors: ClassVar[bool] = False

    def __init__(self, kernel32: Kernel32 | None = None) -> None:
        """*kernel32* is that of the Windows that lowhalf runs on, unless another is given."""
        self._kernel32 = Calls() if kernel32 is None else kernel32
        self._listed: dict[int, tuple[ProcessEntry, int | None]] = {}

    def processes(self) -> Iterator[int]:
        self._list()
        return iter(tuple(self._listed))

    def stat(self, pid: int) -> ProcessStat | None:
        start = self._start(pid)
        entry = None if start is None else self._entry(pid, start)
        if start is None or entry is None:
            return None
        # a number outlives its process here: what began later is nobody's parent
        parent = self._start(entry.parent)
        known = parent is not None and parent <= start
        return ProcessStat(entry.name, "R", entry.parent if known else 0, start)

    def is_named(self, pid: int, stat: ProcessStat, name: str) -> bool:
        """In letters of either case, and with or without what programs' names end with."""
        wanted = name.casefold()
        return stat.name.casefold() in (wanted, f"{wanted}.exe")

    def is_ours(self, pid: int) -> bool:
        try:
            with self._opened(pid):
                return self._kernel32.session(pid) == self._kernel32.session(os.getpid())
        except OSError:
            return False

    def program(self, pid: int) -> str:
        try:
            with self._opened(pid) as process:
                return self._kernel32.image(process)
        except OSError:
            return ""

    def age(self, stat: ProcessStat) -> float:
        return (self._kernel32.now() - stat.start) / _TICKS

    def mappings(self, pid: int) -> list[Mapping]:
        """What a process has taken or reserved; Windows does not tell where in a file it lies."""
        found: list[Mapping] = []
        paths: dict[int, str] = {}
        with self._opened(pid) as process:
            for region in self._regions(process):
                at = region.allocation
                if (region.mapped or region.image) and at not in paths:
                    paths[at] = self._kernel32.mapped_file(process, region.start)
                found.append(_mapping(region, paths.get(at, "")))
        return found

    def present(self, pid: int, low: int, high: int) -> Iterator[tuple[int, int]]:
        yield low, high - low

    def reader(self, pid: int) -> RegionReader:
        process = self._keep_open(pid)
        # an address of 64 bits does not fit into a 32-bit program
        if POINTER_SIZE == 4 and not self._kernel32.is_32_bit(process.number):
            raise ValueError(
                "it may be a 64-bit program, and lowhalf runs on a 32-bit Python: install a 64-bit "
                "one"
            )
        return RegionReader(self._kernel32, process, pid)

    def life_line(self, pid: int) -> LifeLine:
        return _Running(self._kernel32, self._keep_open(pid))

    def why_refused(self, pid: int) -> str:
        return (
            "Windows denies it; run lowhalf and the emulator as the same user, and not as "
            "administrator unless the emulator is; where the emulator protects itself, use push, "
            "shared or debugger"
        )

    def _regions(self, process: int) -> Iterator[MemoryRegion]:
        """All that is not free, by address."""
        address = 0
        while (region := self._kernel32.query(process, address)) and region.end > address:
            address = region.end
            if not region.free:
                yield region

    def _keep_open(self, pid: int) -> Handle:
        """Raises ProcessLookupError where it has ended, though its number may still be in use."""
        process = Handle(self._kernel32, self._kernel32.open_process(pid))
        if not runs(self._kernel32, process.number):
            raise ProcessLookupError(errno.ESRCH, os.strerror(errno.ESRCH))
        return process

    @contextlib.contextmanager
    def _opened(self, pid: int) -> Iterator[int]:
        """A process's handle for as long as this lasts; raises the same."""
        process = self._keep_open(pid)
        try:
            yield process.number
        finally:
            process.close()

    def _start(self, pid: int) -> int | None:
        """When a process began, 0 where that is not told; None where there is none."""
        try:
            with self._opened(pid) as process:
                return self._kernel32.start(process)
        except ProcessLookupError:
            return None
        except PermissionError:
            return 0

    def _entry(self, pid: int, start: int) -> ProcessEntry | None:
        """What is listed of the process that began then."""
        listed = self._listed.get(pid)
        if listed is None or listed[1] not in (None, start):
            self._list()
            listed = self._listed.get(pid)
        if listed is None:
            return None
        self._listed[pid] = listed[0], start
        return listed[0]

    def _list(self) -> None:
        self._listed = {each.pid: (each, None) for each in self._kernel32.processes()}


class _Running:
    """Tells of a process's end; its number is given to no other meanwhile."""

    def __init__(self, kernel32: Kernel32, process: Handle) -> None:
        self._kernel32 = kernel32
        self._process: Handle | None = process

    @property
    def holds(self) -> bool:
        """True while it runs; also once it has ended with 259, which its reader tells of."""
        process = self._process
        return process is not None and self._kernel32.exit_code(process.number) is None

    def close(self) -> None:
        """Let go of it; harmless the second time."""
        if self._process is not None:
            self._process.close()
            self._process = None


def _mapping(region: MemoryRegion, path: str) -> Mapping:
    backing = f"{region.kind:x} {region.allocation:x}" if region.mapped or region.image else ""
    return Mapping(
        *(region.start, region.end, region.readable, region.writable),
        shared=region.mapped,
        offset=region.start - region.allocation if backing else 0,
        backing=backing,
        path=path,
    )
