"""Windows' console that was made for lowhalf alone, which closes with it.

The desktop makes one for a program that is started by a double click, or by a file that is dropped
on it.  Whatever lowhalf has written there is gone at its end, errors above all, so that a key is
waited for.  In a console in which somebody works it is not.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Collection, Sequence
from pathlib import PureWindowsPath
from typing import Protocol

from adapters.commands.console.telling import tell

__all__ = ["ConsoleCalls", "Process", "has_own_console", "is_own", "wait_in_own_console"]


class Process(Protocol):
    """A running process, as the list of all of them has it."""

    @property
    def pid(self) -> int: ...
    @property
    def parent(self) -> int: ...
    @property
    def name(self) -> str: ...


class ConsoleCalls(Protocol):
    """What is asked of Windows."""

    def console_processes(self) -> Sequence[int]:
        """The numbers of all processes of this one's console; none without a console."""

    def processes(self) -> Sequence[Process]:
        """All processes."""


def has_own_console() -> bool:
    """Whether lowhalf reads and writes a console that was made for it; False on other systems."""
    if sys.platform != "win32":
        return False
    if not all(os.isatty(stream) for stream in (0, 1, 2)):
        return False
    from adapters.sources.windows.calls import Calls

    programs = {sys.argv[0], sys.executable, getattr(sys, "_base_executable", "")}
    try:
        return is_own(Calls(), os.getpid(), programs)
    except OSError:
        return False


def is_own(calls: ConsoleCalls, pid: int, programs: Collection[str]) -> bool:
    """Whether all in the console is process *pid* and what it was started through.

    That is the launcher beside it, which pip makes, and in a virtual environment its Python, which
    starts another (``venv``); *programs* are their paths.  A shell is none of them.
    """
    ours = {PureWindowsPath(path).name.lower().removesuffix(".exe") for path in programs} | {"py"}
    there = set(calls.console_processes())
    known = {each.pid: each for each in calls.processes()}
    seen = {pid}
    while (each := known.get(pid)) is not None and (parent := known.get(each.parent)) is not None:
        if parent.pid in seen or parent.name.lower().removesuffix(".exe") not in ours:
            break
        pid = parent.pid
        seen.add(pid)
    return bool(there) and there <= seen


def wait_in_own_console() -> None:
    """Wait for a key where the window is to close; not where a signal has asked for the end."""
    from adapters.commands.console.until_stopped import StopSignals  # loads asyncio

    if StopSignals.came or not has_own_console():
        return
    sys.stdout.flush()
    tell("press a key to close this window", "\n")
    _key()


def _key() -> None:
    if sys.platform == "win32":
        import msvcrt

        while msvcrt.kbhit():  # pressed before it was asked for
            msvcrt.getwch()
        msvcrt.getwch()
