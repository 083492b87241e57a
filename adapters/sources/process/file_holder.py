"""Holder of a file: the process that keeps its memory there, while it runs (Linux).

A file that holds guest RAM stays when its emulator dies, and its bytes are then as still as those
of a game that waits.  What tells the two apart is whether a process still maps it.
"""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass
from pathlib import Path

from adapters.sources.process import process_maps
from adapters.sources.process.mapping import Mapping, ProcessStat

__all__ = ["FileHolder", "find_holder"]


@dataclass(frozen=True, slots=True)
class FileHolder:
    """A process that maps a file, shared and writable; ``start`` tells it from a later one."""

    pid: int
    start: int
    name: str

    @property
    def ended(self) -> bool:
        """Whether the process is gone."""
        stat = _stat(self.pid)
        return stat is None or stat.ended or stat.start != self.start


def find_holder(path: Path, file: os.stat_result) -> FileHolder | None:
    """The first process that keeps its memory in *file*, which is at *path*.

    None where there is none, or none that we may look into.  It looks at every process of the
    system, which takes some milliseconds.
    """
    if sys.platform != "linux":
        return None
    device = f"{os.major(file.st_dev):02x}:{os.minor(file.st_dev):02x}"
    wanted, own = f"{device} {file.st_ino}", os.getpid()
    text = f" {file.st_ino} ".encode()
    where = str(path.resolve())
    for pid in _processes():
        if pid == own:
            continue
        try:
            maps = (process_maps.PROC / str(pid) / "maps").read_bytes()
            if text not in maps:
                continue
            mappings = process_maps.parse_maps(maps)
            # layered file systems give a device here that stat does not
            holds = any(
                each.shared
                and each.writable
                and (each.backing == wanted or (each.path == where and _inode(each) == file.st_ino))
                for each in mappings
            )
            stat = _stat(pid)
            if holds and stat is not None and not stat.ended:
                return FileHolder(pid, stat.start, stat.name)
        except (OSError, ValueError):
            continue
    return None


def _inode(mapping: Mapping) -> int:
    return int(mapping.backing.rpartition(" ")[2] or 0)


def _processes() -> list[int]:
    try:
        return list(process_maps.processes())
    except OSError:
        return []


def _stat(pid: int) -> ProcessStat | None:
    try:
        return process_maps.read_stat(pid)
    except (OSError, ValueError):
        return None
