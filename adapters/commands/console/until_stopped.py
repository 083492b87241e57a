"""Running a coroutine until it ends or the user or the system asks for its end.

These ask for it: INT (Ctrl-C), TERM (a service manager), HUP (the terminal was closed) and QUIT
(Ctrl-\\); on Windows the console's events are INT and BREAK (``console_events``).  Each ends the
work in order: it is cancelled, and what it opened is closed.  One that was ignored when the program
was started, as ``nohup`` and ``&`` have it, stays ignored.

The first signal counts: further ones do not cut the ending short, since a guest may have to be let
go in it, and each part of it has its own limit of time.
"""

from __future__ import annotations

import asyncio
import contextlib
import signal
import sys
import threading
from collections.abc import Callable, Coroutine
from concurrent.futures import Future, ThreadPoolExecutor
from types import TracebackType
from typing import Any, ClassVar, TypeVar

from adapters.commands.console.console_events import Console, WindowsConsole, console_events
from adapters.commands.console.stopped import Stopped
from adapters.system_clock import FineLoop

__all__ = ["SIGNALS", "PassingThreads", "StopSignals", "run_until_stopped"]

T = TypeVar("T")
SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGBREAK")


class StopSignals:
    """While it lasts, the signals are noted, and end what runs in :meth:`run`, then or later.

    ``came`` is the last signal that came in any of them; 0 for none.
    """

    came: ClassVar[int] = 0

    def __init__(self, console: Console | None = None) -> None:
        """*console* is that of the Windows that lowhalf runs on, unless another is given."""
        self.number = 0
        """The signal that came first; 0 for none."""
        if console is None and sys.platform == "win32":
            console = WindowsConsole()
        self._console = console
        self._listening = contextlib.ExitStack()
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
        if self._console is not None:
            self._listening.enter_context(console_events(self._stop, self._console))
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._listening.close()
        for number, before in self._before.items():
            signal.signal(number, before if before is not None else signal.SIG_DFL)

    def _stop(self, number: int, frame: object = None) -> None:
        """Also on another thread."""
        if self.number:
            return
        self.number = StopSignals.came = number
        cancel = self._cancel
        if cancel is not None:
            with contextlib.suppress(RuntimeError):  # all has been done, and the loop is closed
                cancel()

    def run(self, work: Coroutine[Any, Any, T]) -> T:
        """Run *work* to its end.  Raises Stopped where a signal has ended it."""
        factory = FineLoop if sys.platform == "win32" else None
        with asyncio.Runner(loop_factory=factory) as runner:
            loop = runner.get_loop()
            loop.set_default_executor(PassingThreads())
            task = loop.create_task(work)

            def cancel() -> None:
                if not task.cancelling():  # told twice, it would cut its ending short
                    task.cancel()

            self._cancel = lambda: loop.call_soon_threadsafe(cancel)
            if self.number:
                cancel()
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
