"""The system's own clocks, for the core, and an event loop whose timers are as fine.

Windows' need care.  There ``time.monotonic`` and ``time.time`` go in steps of 15.6 ms before Python
3.13 (``time.get_clock_info``), and an event loop counts its timers by the first; ``perf_counter``
goes on in between.  A wait ends at the system's next tick, which comes every 15.6 ms as well,
unless a program asks for finer ones while it needs them (``timeBeginPeriod``).
"""

from __future__ import annotations

import asyncio
import contextlib
import ctypes
import sys
import time
from collections.abc import Callable, Iterator
from functools import partial
from selectors import BaseSelector
from typing import ClassVar, Protocol

from adapters.processor_time import processor_time
from adapters.windows_library import windows_library
from bridge.ports.clock import Clock

__all__ = ["FineLoop", "SystemClock", "WindowsClock", "WindowsTime", "seconds", "system_clock"]

_FINE = 0.0002
"""Seconds that others wait at most while the rest is slept through."""
_TICKS = 10_000_000
"""A FILETIME's in a second."""
_TO_1970 = 11_644_473_600
"""Seconds from 1601, where a FILETIME begins, to the Unix epoch."""


def _seconds() -> Callable[[], float]:
    """What goes on while the machine is suspended, where the system can tell."""
    with_suspension: int | None = getattr(time, "CLOCK_BOOTTIME", None)
    if sys.platform == "win32" or with_suspension is None:
        return time.monotonic
    return partial(time.clock_gettime, with_suspension)


class SystemClock(Clock):
    """Real time.  Its clocks are the system's own functions, since each frame asks them often."""

    now = staticmethod(_seconds())
    time_of_day = staticmethod(time.time)
    processor_time = staticmethod(processor_time)

    _too_late: ClassVar[float] = 0.0011
    """Event loops wait in whole milliseconds, and rather longer than asked."""

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)

    async def sleep_until(self, when: float) -> None:
        left = when - self.now()
        if left > self._too_late:
            await asyncio.sleep(left - self._too_late)
            left = when - self.now()
        while left > 0:
            # others have their turn in between
            time.sleep(min(left, _FINE))  # noqa: ASYNC251
            await asyncio.sleep(0)
            left = when - self.now()

    def timeout(self, seconds: float | None) -> asyncio.Timeout:
        return asyncio.timeout(seconds)


class WindowsTime(Protocol):
    """Windows' calls about time."""

    def begin_period(self, milliseconds: int) -> bool:
        """Ask for ticks that are so far apart at most; False where there are none."""

    def end_period(self, milliseconds: int) -> None:
        """Take back what was asked for, once each time."""

    def file_time(self) -> int:
        """The time of day in 100 ns since 1601."""


class WindowsClock(SystemClock):
    """Windows' real time.  ``processor_time`` is charged there by whole ticks."""

    now = staticmethod(time.perf_counter)

    _too_late = 0.0021
    """A wait ends at the tick behind its end, and the ticks are 1 ms apart."""

    def __init__(self, calls: WindowsTime | None = None) -> None:
        """*calls* are those of the Windows that lowhalf runs on, unless others are given."""
        self._calls = calls or _Calls()

    def time_of_day(self) -> float:
        return self._calls.file_time() / _TICKS - _TO_1970

    @contextlib.contextmanager
    def fine_waits(self) -> Iterator[None]:
        taken = self._calls.begin_period(1)
        try:
            yield
        finally:
            if taken:
                self._calls.end_period(1)


class _Calls:
    """Winmm and kernel32, by ctypes.  As documented in the Win32 API reference."""

    def __init__(self) -> None:
        self._winmm = windows_library("winmm")
        self._precise = windows_library("kernel32").GetSystemTimePreciseAsFileTime
        for name in ("timeBeginPeriod", "timeEndPeriod"):
            function = getattr(self._winmm, name)
            function.restype, function.argtypes = ctypes.c_uint32, (ctypes.c_uint32,)
        self._precise.restype, self._precise.argtypes = None, (ctypes.c_void_p,)

    def begin_period(self, milliseconds: int) -> bool:
        no_error: bool = self._winmm.timeBeginPeriod(milliseconds) == 0  # TIMERR_NOERROR
        return no_error

    def end_period(self, milliseconds: int) -> None:
        self._winmm.timeEndPeriod(milliseconds)

    def file_time(self) -> int:
        time = ctypes.c_uint64()  # its low half comes first, in memory as in a FILETIME
        self._precise(ctypes.byref(time))
        return time.value


class FineLoop(asyncio.SelectorEventLoop):
    """The event loop that the MQTT client can run on, whose timers are fine on every system.

    By a clock that goes in steps a timer is due up to a step early where something else wakes the
    loop, and one that is further ahead than a step becomes due up to a step late.
    """

    def __init__(self, selector: BaseSelector | None = None) -> None:
        super().__init__(selector)
        # asyncio takes what is due within its clock's resolution for due
        self._clock_resolution = time.get_clock_info("perf_counter").resolution

    def time(self) -> float:
        return time.perf_counter()


def system_clock() -> Clock:
    """The clock of the system that lowhalf runs on."""
    return WindowsClock() if sys.platform == "win32" else SystemClock()


def seconds() -> float:
    """Seconds that only go forward, in fine steps on every system: for what lasts milliseconds."""
    return time.perf_counter() if sys.platform == "win32" else time.monotonic()
