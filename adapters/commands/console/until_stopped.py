"""Running a coroutine until it ends or the user or the system asks for its end.

These ask for it: INT (Ctrl-C), TERM (a service manager), HUP (the terminal was closed) and QUIT
(Ctrl-\\); on Windows BREAK is what Ctrl-Break and a closed console send.  Each ends the work
in order: it is cancelled, and what it opened is closed.  One that was ignored when the program was
started, as ``nohup`` and ``&`` have it, stays ignored.

The first signal counts: further ones do not cut the ending short, since a guest may have to be let
go in it, and each part of it has its own limit of time.
"""

from __future__ import annotations

import asyncio
import signal
import sys
import threading
from collections.abc import Callable, Coroutine
from concurrent.futures import Future, ThreadPoolExecutor
from types import TracebackType
from typing import Any, ClassVar, TypeVar

from adapters.commands.console.stopped import Stopped

__all__ = ["SIGNALS", "PassingThreads", "StopSignals", "run_until_stopped"]

T = TypeVar("T")
SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGBREAK")


class StopSignals:
    """While it lasts, the signals are noted, and end what runs in :meth:`run`, then or later.

    ``came`` is the last signal that came in any of them; 0 for none.
    """

    came: ClassVar[int] = 0

    def __init__(self) -> None:
        self.number = 0
        """The signal that came first; 0 for none."""
        self._cancel: Callable[[], object] | None = None
        self._before: dict[int, Any] = {}

    def __enter__(self) -> StopSignals:
        if threading.current_thread() is not threading.main_thread():
            return self  # signals are the main thread's
        for name in SIGNALS:
            number = getattr(signal, name, None)  # no system has them all
            if number is None:
                continue
            before = signal.getsignal(number)
            if before is not signal.SIG_IGN:
                self._before[number] = before
                signal.signal(number, self._stop)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for number, before in self._before.items():
            signal.signal(number, before if before is not None else signal.SIG_DFL)

    def _stop(self, number: int, frame: object) -> None:
        if self.number:
            return
        self.number = StopSignals.came = number
        if self._cancel is not None:
            self._cancel()

    def run(self, work: Coroutine[Any, Any, T]) -> T:
        """Run *work* to its end.  Raises Stopped where a signal has ended it.

        On Windows the selector loop is used, which is the one that the MQTT client runs on.
        """
        factory = asyncio.SelectorEventLoop if sys.platform == "win32" else None
        with asyncio.Runner(loop_factory=factory) as runner:
            loop = runner.get_loop()
            loop.set_default_executor(PassingThreads())
            task = loop.create_task(work)
            self._cancel = lambda: loop.call_soon_threadsafe(task.cancel)
            if self.number:
                task.cancel()
            try:
                return loop.run_until_complete(task)
            except asyncio.CancelledError:
                if not self.number:
                    raise
                raise Stopped(self.number) from None
            finally:
                self._cancel = None


def run_until_stopped(work: Coroutine[Any, Any, T]) -> T:
    """Run *work* to its end.  Raises Stopped where a signal has ended it."""
    with StopSignals() as signals:
        return signals.run(work)


class PassingThreads(ThreadPoolExecutor):
    """A thread for each piece of work, which does not keep the program from ending.

    A thread cannot be cancelled: one that reads a large file, or waits for a name to be looked up,
    would else be waited for when nobody wants what it finds any more.
    """

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        future: Future[T] = Future()

        def work() -> None:
            if not future.set_running_or_notify_cancel():
                return
            try:
                result = fn(*args, **kwargs)
            except BaseException as fault:
                future.set_exception(fault)
            else:
                future.set_result(result)

        threading.Thread(target=work, name="lowhalf-work", daemon=True).start()
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Nothing is waited for."""
        super().shutdown(wait=False, cancel_futures=cancel_futures)
