"""Running a coroutine until it ends or the user or the system asks for its end."""

from __future__ import annotations

import asyncio
import signal
import sys
from collections.abc import Coroutine
from typing import Any


def run_until_stopped(work: Coroutine[Any, Any, None]) -> bool:
    """Run *work*; SIGINT and SIGTERM cancel it.  True where it was stopped so.

    On Windows the selector loop is used, which is the one that the MQTT client runs on.
    """
    factory = asyncio.SelectorEventLoop if sys.platform == "win32" else None
    stopped = False
    with asyncio.Runner(loop_factory=factory) as runner:
        loop = runner.get_loop()
        task = loop.create_task(work)

        def stop(*_: object) -> None:
            nonlocal stopped
            stopped = True
            loop.call_soon_threadsafe(task.cancel)

        before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
        for number in before:
            signal.signal(number, stop)
        try:
            loop.run_until_complete(task)
        except asyncio.CancelledError:
            if not stopped:
                raise
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)
    return stopped
