"""A Windows whose time a test counts: clocks in steps, and waits that end at a tick."""

from __future__ import annotations

import asyncio
import contextlib
import math
import selectors
import time
from collections.abc import Iterator
from typing import Any
from unittest import mock

from adapters.system_clock import FineLoop, WindowsClock

TICK = 0.015625
"""Seconds between two ticks where nobody asks for finer ones: 64 a second, common practice; CPython
says so of GetTickCount64 in ``time.get_clock_info("monotonic")`` there, before 3.13."""
NAP = 0.0005
"""Seconds that the shortest wait on a high-resolution timer takes: common practice, no source."""


class MadeWindows:
    """``asked`` are the periods that are in force now, in ms; ``calls`` each call, in order.

    ``napped`` are the seconds for which the thread was held, and no other had its turn.
    """

    def __init__(self, *, has_fine_ticks: bool = True) -> None:
        self.seconds = 1000.0
        self.napped = 0.0
        self.asked: list[int] = []
        self.calls: list[tuple[str, int]] = []
        self._has_fine_ticks = has_fine_ticks

    # what lowhalf calls

    def begin_period(self, milliseconds: int) -> bool:
        self.calls.append(("begin", milliseconds))
        if self._has_fine_ticks:
            self.asked.append(milliseconds)
        return self._has_fine_ticks

    def end_period(self, milliseconds: int) -> None:
        self.calls.append(("end", milliseconds))
        self.asked.remove(milliseconds)

    def file_time(self) -> int:
        return 116_444_736_000_000_000 + round(self.seconds * 10_000_000)

    # how time goes

    def wait(self, seconds: float) -> None:
        """Until the first tick behind *seconds*."""
        tick = min([ms / 1000 for ms in self.asked], default=TICK)
        self.seconds = math.ceil((self.seconds + seconds) / tick + 1e-6) * tick

    def nap(self, seconds: float) -> None:
        self.seconds += max(seconds, NAP)
        self.napped += max(seconds, NAP)

    def coarse(self) -> float:
        return math.floor(self.seconds / TICK) * TICK

    @contextlib.contextmanager
    def installed(self) -> Iterator[None]:
        """While it lasts, it is the clock of the process."""

        def info(name: str) -> Any:
            return mock.Mock(resolution=1e-7 if name == "perf_counter" else TICK)

        with contextlib.ExitStack() as patches:
            for name, made in {
                "perf_counter": lambda: self.seconds,
                "monotonic": self.coarse,
                "sleep": self.nap,
                "get_clock_info": info,
            }.items():
                patches.enter_context(mock.patch.object(time, name, made))
            yield

    def clock(self) -> WindowsClock:
        """lowhalf's, on this Windows."""
        return _Clock(self)

    def loop(self, *, fine: bool = True) -> asyncio.AbstractEventLoop:
        """lowhalf's event loop, or Python's own, on this Windows."""
        selector = _Selector(self)
        return FineLoop(selector) if fine else asyncio.SelectorEventLoop(selector)


class _Selector(selectors.DefaultSelector):
    def __init__(self, windows: MadeWindows) -> None:
        super().__init__()
        self._windows = windows

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        assert timeout is not None, "nothing will ever happen"
        if timeout > 0:
            self._windows.wait(timeout)
        return []


class _Clock(WindowsClock):
    def __init__(self, windows: MadeWindows) -> None:
        super().__init__(windows)
        self._windows = windows

    def now(self) -> float:
        return self._windows.seconds

    def processor_time(self) -> float:
        return 0.0
