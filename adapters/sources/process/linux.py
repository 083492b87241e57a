"""Linux's word about processes: ``/proc``, ``process_vm_readv``, and why these may be refused."""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Iterator
from pathlib import Path

from adapters.sources.process import process_maps
from adapters.sources.process.mapping import Mapping, ProcessStat
from adapters.sources.process.process_maps import LifeLine
from adapters.sources.process.process_memory import ProcessBytes
from adapters.sources.process.system import START_IT, System

__all__ = ["YAMA", "Linux", "yama"]

YAMA = Path("/proc/sys/kernel/yama/ptrace_scope")
_REFUSED_BY_YAMA = {
    "1": (
        "on this system (kernel.yama.ptrace_scope is 1) only a program that started another one "
        f"may read it; {START_IT}"
    ),
    "2": (
        "on this system (kernel.yama.ptrace_scope is 2) only programs with CAP_SYS_PTRACE may; ask "
        "its administrator, or use push, shared or debugger"
    ),
    "3": (
        "on this system (kernel.yama.ptrace_scope is 3) no program may read another until it is "
        "started anew; use push, shared or debugger"
    ),
}


class Linux(System):
    """What Linux tells of its processes."""

    def processes(self) -> Iterator[int]:
        return process_maps.processes()

    def stat(self, pid: int) -> ProcessStat | None:
        return process_maps.read_stat(pid)

    def is_ours(self, pid: int) -> bool:
        return _owner(pid) == _own_user()

    def program(self, pid: int) -> str:
        return process_maps.first_argument(pid)

    def age(self, stat: ProcessStat) -> float:
        return process_maps.seconds_since_boot() - stat.start / _ticks()

    def mappings(self, pid: int) -> list[Mapping]:
        return process_maps.read_maps(pid)

    def present(self, pid: int, low: int, high: int) -> Iterator[tuple[int, int]]:
        try:
            yield from process_maps.read_present_runs(pid, low, high)
        except PermissionError:
            yield low, high - low

    def reader(self, pid: int) -> ProcessBytes:
        return ProcessBytes(pid)

    def life_line(self, pid: int) -> LifeLine:
        return LifeLine(pid)

    def why_refused(self, pid: int) -> str:
        owner, own = _owner(pid), _own_user()
        if owner not in (None, own):
            return (
                f"it belongs to user {owner}, and lowhalf runs as user {own}; run both as the same "
                "user"
            )
        if _owner(pid, "maps") not in (None, own):
            # the system gives the files of such a process to root
            return (
                "it has rights of its own (set-user-ID, set-group-ID or capabilities) or protects "
                "itself; take those from the emulator, or use push, shared or debugger"
            )
        return _REFUSED_BY_YAMA.get(
            yama(),
            "the system forbids it, perhaps because one of the two runs in a container or sandbox; "
            "run both in the same one, or use push, shared or debugger",
        )


def _own_user() -> int:
    if sys.platform == "win32":
        raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS))
    return os.geteuid()


def _ticks() -> int:
    """Clock ticks in a second."""
    if sys.platform == "win32":
        raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS))
    return os.sysconf("SC_CLK_TCK")


def yama() -> str:
    """Which processes may read others, as the Yama security module says; "" without it."""
    try:
        return YAMA.read_text("utf-8").strip()
    except (OSError, ValueError):
        return ""


def _owner(pid: int, file: str = "") -> int | None:
    """The user to whom a process, or one of its files, belongs."""
    try:
        return (process_maps.PROC / str(pid) / file).stat().st_uid
    except OSError:
        return None
