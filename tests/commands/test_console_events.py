"""What a Windows console tells ends a command as signals do elsewhere.

On a made-up console here; tests/windows has a real one, Wine's.  Numbers of events: CTRL_C_EVENT
and so on as HandlerRoutine in the reference of the Windows console has them.
"""

from __future__ import annotations

import asyncio
import signal
import threading
import time
from collections.abc import Callable, Iterator

import pytest

from adapters.commands.console.console_events import SIGBREAK, Routine, console_events
from adapters.commands.console.stopped import Stopped
from adapters.commands.console.until_stopped import StopSignals

CTRL_C, CTRL_BREAK, CLOSE, LOGOFF, SHUTDOWN = 0, 1, 2, 5, 6


class MadeConsole:
    """``routines`` are those that are called, the one that was added last first."""

    def __init__(self) -> None:
        self.routines: list[Routine] = []

    def add(self, routine: Routine) -> None:
        self.routines.append(routine)

    def tell(self, event: int) -> Telling:
        return Telling(self.routines[-1], event)


class Telling(threading.Thread):
    """Windows' thread for one event.  ``handled`` is what the routine has returned."""

    def __init__(self, routine: Routine, event: int) -> None:
        super().__init__(daemon=True)
        self.handled: bool | None = None
        self._call: Callable[[], bool] = lambda: routine(event)
        self.start()

    def run(self) -> None:
        self.handled = self._call()

    def ended(self) -> bool | None:
        self.join(10)
        assert not self.is_alive()
        return self.handled


@pytest.mark.parametrize(
    ("event", "number"),
    [(CTRL_C, 2), (CTRL_BREAK, 21), (CLOSE, 21), (LOGOFF, 21), (SHUTDOWN, 21), (3, None)],
)
def test_each_event_is_a_signal(event: int, number: int | None) -> None:
    """signal.h of Windows: SIGINT 2, SIGBREAK 21.  What is not known is left to others."""
    console, told = MadeConsole(), list[int]()
    with console_events(told.append, console, closing=0.01):
        assert console.tell(event).ended() == (number is not None)
    assert told == ([] if number is None else [number])
    assert console.tell(CTRL_C).ended() is False, "it is over"


@pytest.mark.parametrize("event", [CLOSE, LOGOFF, SHUTDOWN])
def test_what_ends_the_program_at_its_return_waits(event: int) -> None:
    console, told = MadeConsole(), list[int]()
    with console_events(told.append, console, closing=0.2):
        began = time.monotonic()
        assert console.tell(event).ended() is True
        # seconds of a clock have no exact differences
        assert time.monotonic() - began > 0.199
    with console_events(told.append, console):
        telling = console.tell(event)
        telling.join(0.2)
        assert telling.is_alive()
    assert told == [SIGBREAK] * 2


@pytest.fixture
def ignored() -> Iterator[None]:
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.usefixtures("ignored")
def test_ctrl_c_stays_ignored_where_it_was() -> None:
    console = MadeConsole()
    with StopSignals(console) as signals:
        assert console.tell(CTRL_C).ended() is False
        assert signals.number == 0
        assert console.tell(CTRL_BREAK).ended() is True
        assert signals.number == SIGBREAK


class Work:
    """Runs until it is cancelled, and then tidies up for a while; told of events meanwhile."""

    def __init__(self, console: MadeConsole, *events: int) -> None:
        self.tellings: list[Telling] = []
        self.tidied = False
        self._console = console
        self._events = events

    async def __call__(self) -> None:
        try:
            self.tellings += [self._console.tell(event) for event in self._events]
            # nothing else wakes the loop
            await asyncio.Event().wait()
        finally:
            self.tellings += [self._console.tell(event) for event in self._events]
            await asyncio.sleep(0.2)
            self.tidied = True


@pytest.mark.parametrize(
    ("events", "code"), [((CTRL_C,), 130), ((CTRL_BREAK,), 149), ((CTRL_C, CTRL_C), 130)]
)
def test_work_ends_in_order_and_once(events: tuple[int, ...], code: int) -> None:
    console = MadeConsole()
    work = Work(console, *events)
    with StopSignals(console) as signals, pytest.raises(Stopped) as stopped:
        signals.run(work())
    assert stopped.value.exit_code == code
    assert work.tidied
    assert [telling.ended() for telling in work.tellings] == [True] * 2 * len(events)
    assert console.tell(CTRL_C).ended() is False, "it is over"


def test_an_event_before_the_work_and_one_behind_it() -> None:
    console, began = MadeConsole(), False

    async def work() -> None:
        nonlocal began
        began = True

    with StopSignals(console) as signals:
        assert console.tell(CTRL_C).ended()
        with pytest.raises(Stopped, match="SIGINT"):
            signals.run(work())
        assert not began
        assert console.tell(CTRL_BREAK).ended()
    assert signals.number == signal.SIGINT


def test_the_work_ends_while_the_console_waits_for_the_program() -> None:
    console = MadeConsole()
    work = Work(console, CLOSE)
    with StopSignals(console) as signals, pytest.raises(Stopped, match=r"\w"):
        signals.run(work())
    assert work.tidied
    # until the interpreter has ended, which ends all threads
    assert [telling.is_alive() for telling in work.tellings] == [True, True]
