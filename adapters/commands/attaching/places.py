"""Places on this machine where a guest's RAM may lie: shared files, and other processes.

Only recognise bytes are looked for, in every byte order.  Everything is opened for reading only.
Whether a place is alive is not asked here.
"""

from __future__ import annotations

import contextlib
import functools
import itertools
import os
import stat
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from adapters.sources.process import find_ram
from adapters.sources.process.find_ram import Area, Copy, Signature
from adapters.sources.process.mapping import Mapping, ProcessStat
from adapters.sources.process.system import System
from adapters.sources.process.this_system import no_way_in, this_system
from adapters.sources.shared import read_at
from bridge.memory.address_map import Region

__all__ = [
    "MAX_FILE_SIZE",
    "MAX_REFUSED",
    "SEARCH_FOR",
    "SHARED_MEMORY",
    "Process",
    "Search",
    "own_processes",
    "search",
    "shared_files",
]

SHARED_MEMORY = Path("/dev/shm")
SEARCH_FOR = 20.0
"""Seconds for all files, and again for all processes."""
MAX_FILE_SIZE = 4 << 30
MAX_REFUSED = 4
"""Processes of which it is told that they may not be read."""


@dataclass(frozen=True, slots=True)
class Process:
    """A process that may be read, and its mappings."""

    pid: int
    name: str
    mappings: tuple[Mapping, ...]


@dataclass(slots=True)
class Search:
    """What was found, and in words what was tried."""

    files: list[tuple[Path, Copy]] = field(default_factory=list)
    processes: list[tuple[Process, Copy]] = field(default_factory=list)
    tried: list[str] = field(default_factory=list)


def own_processes(only: str) -> list[Process]:
    """The user's processes but for this one, or those of them with that name or number.

    Empty where the system does not tell of processes.
    """
    system = this_system()
    found: list[Process] = []
    for pid in _processes(system):
        if system is None or pid == os.getpid():
            continue
        try:
            if system.is_ours(pid) and (about := _meant(system, pid, only)) is not None:
                found.append(Process(pid, about.name, tuple(system.mappings(pid))))
        except (OSError, ValueError):  # it has ended meanwhile, or is not ours after all
            continue
    return found


def _processes(system: System | None) -> list[int]:
    try:
        return [] if system is None else sorted(system.processes())
    except OSError:
        return []


def _meant(system: System, pid: int, only: str) -> ProcessStat | None:
    """What a process is that runs and has that name or number, or any; else None."""
    about = system.alive(pid)
    if about is None or only in ("", str(pid)) or system.is_named(pid, about, only):
        return about
    return None


def _why_refused(only: str) -> Iterable[str]:
    """Of those with that name or number, in words, why they may not be looked into."""
    system = this_system()
    for pid in _processes(system):
        if system is None or pid == os.getpid():
            continue
        about = _meant(system, pid, only)
        if about is not None:
            why = system.why_refused(pid)
            yield f"processes: {about.name} ({pid}) may not be read: {why}"


def search(wanted: Sequence[Signature], region: Region, only: str = "") -> Search:
    """Look through shared files, then through processes; *only* is a process's name or number."""
    result = Search()
    processes = own_processes(only)
    _search_files(result, wanted, region, processes, everything=not only)
    _search_processes(result, wanted, region, processes)
    if only and not processes:
        result.tried += itertools.islice(_why_refused(only), MAX_REFUSED)
    return result


# shared files


def shared_files(processes: Sequence[Process], *, everything: bool) -> list[Path]:
    """Files that processes map shared; with *everything* also all POSIX shared memory."""
    paths: dict[Path, None] = {}
    if everything:
        with contextlib.suppress(OSError):
            paths.update(dict.fromkeys(sorted(SHARED_MEMORY.iterdir())))
    for process in processes:
        for mapping in process.mappings:
            if mapping.shared and mapping.writable and mapping.path.startswith("/"):
                paths[Path(mapping.path)] = None
    return list(paths)


def _search_files(
    result: Search,
    wanted: Sequence[Signature],
    region: Region,
    processes: Sequence[Process],
    *,
    everything: bool,
) -> None:
    looked = refused = 0
    seen: set[tuple[int, int]] = set()
    late = _deadline()
    for path in shared_files(processes, everything=everything):
        try:
            about = path.stat()
            identity = (about.st_dev, about.st_ino)
            # a device or a pipe may do something when it is opened
            if not stat.S_ISREG(about.st_mode) or identity in seen:
                continue
            if not region.size <= about.st_size <= MAX_FILE_SIZE:
                continue
            seen.add(identity)
            found = _search_file(path, about.st_size, wanted, region, late)
        except find_ram.SearchAborted:
            result.tried.append(f"shared files: given up after {SEARCH_FOR:g} s at {path}")
            break
        except OSError:
            refused += 1
            continue
        looked += 1
        result.files += [(path, copy) for copy in found]
    words = f"shared files: {looked} of at least {region.size >> 10} KiB looked through"
    result.tried.append(words + (f", {refused} may not be read" if refused else ""))


def _search_file(
    path: Path,
    size: int,
    wanted: Sequence[Signature],
    region: Region,
    late: Callable[[], bool],
) -> list[Copy]:
    file = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0))

    def read(ranges: Sequence[tuple[int, int]]) -> list[bytes | None]:
        parts = [read_at(file, length, at) for at, length in ranges]
        return [
            part if len(part) == length else None
            for part, (_, length) in zip(parts, ranges, strict=True)
        ]

    def runs(low: int, high: int) -> Iterable[tuple[int, int]]:
        return [(low, high - low)]

    try:
        area = Area(0, size, "", 0, str(path))
        return find_ram.copies([area], wanted, region.size, read, runs, late)
    finally:
        os.close(file)


# processes


def _search_processes(
    result: Search, wanted: Sequence[Signature], region: Region, processes: Sequence[Process]
) -> None:
    system = this_system()
    if system is None:
        result.tried.append(f"processes: lowhalf {no_way_in()}")
        return
    known = {str(path) for path, _ in result.files}
    late = _deadline()
    refused: list[str] = []
    looked: set[int] = set()
    areas = {process.pid: find_ram.areas(process.mappings, region.size) for process in processes}
    try:
        # RAM-sized mappings of all processes first: larger ones are mostly something else
        for size_class in (0, 1):
            for process in processes:
                where = [a for a in areas[process.pid][size_class] if a.path not in known]
                if not where:
                    continue
                present = functools.partial(system.present, process.pid)
                try:
                    with contextlib.closing(system.reader(process.pid)) as reader:
                        found = find_ram.copies(
                            where, wanted, region.size, reader.read, present, late
                        )
                except (OSError, ValueError):
                    refused.append(f"{process.name} ({process.pid})")
                    continue
                looked.add(process.pid)
                result.processes += [(process, copy) for copy in found]
            if result.processes:
                break
    except find_ram.SearchAborted:
        result.tried.append(f"processes: given up after {SEARCH_FOR:g} s")
    result.tried.append(
        f"processes: {len(processes)} of yours, memory of {region.size >> 10} KiB or more in "
        f"{len(looked)} looked through"
    )
    if refused:
        some = ", ".join(dict.fromkeys(refused[:4]))
        result.tried.append(
            f"processes: {some} may not be read: start the emulator with "
            "lowhalf run BRIDGE.toml -- EMULATOR …"
        )


def _deadline() -> Callable[[], bool]:
    end = time.monotonic() + SEARCH_FOR
    return lambda: time.monotonic() > end
