"""What a terminal tells a program by signals: that its size changed, and the stop key.

Windows has none of them; there the size is seen at the next drawing.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
from collections.abc import Awaitable, Callable, Iterator

__all__ = ["terminal_signals"]


@contextlib.contextmanager
def terminal_signals(
    resized: Callable[[], None],
    stopping: Callable[[], Awaitable[None]],
    resumed: Callable[[], None],
) -> Iterator[None]:
    """While it lasts, call *resized*, and *stopping* and *resumed* around the stop key.

    Everything is called on the event loop; where that is not the main thread's, nothing is.  The
    program stops when *stopping* has returned.
    """
    loop = asyncio.get_running_loop()
    stop_key = _number("SIGTSTP")
    stops: list[asyncio.Task[None]] = []

    async def stop() -> None:
        await stopping()
        loop.remove_signal_handler(stop_key)  # by default it stops the program
        os.kill(os.getpid(), stop_key)
        await asyncio.sleep(0)  # here again when it was told to go on
        _handle(loop, stop_key, asked)
        resumed()

    def asked() -> None:
        if not stops or stops[-1].done():
            stops[:] = [asyncio.ensure_future(stop())]

    # a program that was started to ignore the stop key goes on ignoring it
    wanted = [(_number("SIGWINCH"), resized), (stop_key, asked)]
    taken = [
        number
        for number, handler in wanted
        if number and signal.getsignal(number) != signal.SIG_IGN and _handle(loop, number, handler)
    ]
    try:
        yield
    finally:
        for task in stops:
            task.cancel()
        for number in taken:
            with contextlib.suppress(ValueError, RuntimeError):
                loop.remove_signal_handler(number)


def _number(name: str) -> int:
    """The signal of that name; 0 where the system has none."""
    return int(getattr(signal, name, 0))


def _handle(loop: asyncio.AbstractEventLoop, number: int, handler: Callable[[], None]) -> bool:
    try:
        loop.add_signal_handler(number, handler)
    except (NotImplementedError, RuntimeError, ValueError):
        return False
    return True
