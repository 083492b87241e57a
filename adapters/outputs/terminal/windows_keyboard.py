"""Single keys of a Windows console, which is asked for them now and then."""

from __future__ import annotations

import asyncio
import signal
from typing import Protocol

from adapters.outputs.terminal.keyboard import Keyboard, Pressed

__all__ = ["ConsoleKeys", "WindowsKeyboard"]

_LOOK_EVERY = 0.05
"""Seconds after which the console is asked again."""
_INTERRUPT = "\x03"
_PREFIXES = "\0\xe0"
"""Before the code of a key that is no letter, such as an arrow."""


class ConsoleKeys(Protocol):
    """The two calls of Windows' C library (``msvcrt``)."""

    def kbhit(self) -> bool: ...

    def getwch(self) -> str: ...


class WindowsKeyboard(Keyboard):
    """The console of this process."""

    def __init__(self, console: ConsoleKeys, pressed: Pressed) -> None:
        self._console = console
        self._pressed = pressed
        self._looking: asyncio.Task[None] | None = None

    def listen(self) -> bool:
        if self._looking is not None:
            return False
        self._looking = asyncio.get_running_loop().create_task(self._look())
        return True

    def leave(self) -> None:
        looking, self._looking = self._looking, None
        if looking is not None:
            looking.cancel()

    async def _look(self) -> None:
        while True:
            while self._console.kbhit():
                key = self._console.getwch()
                if key == _INTERRUPT:  # read as a key, it is no event any more
                    signal.raise_signal(signal.SIGINT)
                elif key in _PREFIXES:
                    self._console.getwch()
                else:
                    self._pressed(key)
            await asyncio.sleep(_LOOK_EVERY)
