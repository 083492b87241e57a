"""What a Windows console tells the programs in it: Ctrl-C, Ctrl-Break, and that it is closed.

Windows calls a routine of the program's, on a thread of its own.  (``signal`` has these too, but a
selector loop notices them only once something else wakes it, and a program is ended at once when
the routine for a closed console returns, as Python's does.)  As documented of SetConsoleCtrlHandler
and of HandlerRoutine in the reference of the Windows console.
"""

from __future__ import annotations

import contextlib
import ctypes
import signal
import threading
from collections.abc import Callable, Iterator
from ctypes import c_int32, c_uint32
from typing import Any, ClassVar, Protocol

from adapters.windows_library import windows_library

__all__ = ["CLOSING", "SIGBREAK", "Console", "Routine", "WindowsConsole", "console_events"]

SIGBREAK = 21
"""As Windows' signal.h has it."""
_CTRL_C, _CTRL_BREAK, _CLOSE, _LOGOFF, _SHUTDOWN = 0, 1, 2, 5, 6
_NUMBERS = {
    _CTRL_C: int(signal.SIGINT),
    **dict.fromkeys((_CTRL_BREAK, _CLOSE, _LOGOFF, _SHUTDOWN), SIGBREAK),
}
CLOSING = 20.0
"""Seconds for which the end of a console is held up at most: Windows allows no program longer."""

Routine = Callable[[int], bool]


class Console(Protocol):
    """Windows' calls about its console."""

    def add(self, routine: Routine) -> None:
        """Have *routine* called, before those that were added earlier, from now on.

        None is ever removed: Windows' list is locked while one of it is called, and the end of the
        program would wait for one that waits for it.
        """


@contextlib.contextmanager
def console_events(
    tell: Callable[[int], None], console: Console, closing: float = CLOSING
) -> Iterator[None]:
    """While it lasts, *tell* is called with a signal's number, on another thread.

    Ctrl-C stays ignored where it was when the program was started.  A console that is closed waits
    for the program to end by itself, for *closing* seconds at most.
    """
    lasts = True

    def routine(event: int) -> bool:
        number = _NUMBERS.get(event) if lasts else None
        if number is None or (
            event == _CTRL_C and signal.getsignal(signal.SIGINT) is signal.SIG_IGN
        ):
            return False
        tell(number)
        if event not in (_CTRL_C, _CTRL_BREAK):
            threading.Event().wait(closing)  # with the return the program would be ended
        return True

    console.add(routine)
    try:
        yield
    finally:
        lasts = False


class WindowsConsole:
    """Kernel32, by ctypes."""

    _kept: ClassVar[list[Any]] = []

    def __init__(self) -> None:
        self._form = getattr(ctypes, "WINFUNCTYPE", ctypes.CFUNCTYPE)(c_int32, c_uint32)
        self._set = windows_library("kernel32").SetConsoleCtrlHandler
        self._set.restype, self._set.argtypes = c_int32, (self._form, c_int32)

    def add(self, routine: Routine) -> None:
        added = self._form(routine)
        self._kept.append(added)
        self._set(added, True)
