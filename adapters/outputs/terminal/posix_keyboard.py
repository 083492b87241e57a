"""Single keys of a POSIX terminal.

The terminal itself gathers a line until its end, and shows what is typed: both are turned off
meanwhile.  Its keys for signals, such as Ctrl-C, work as ever.  How it was is put back at every end
that a program has a say in, and before the stop key stops it; in the background, where it belongs
to another program, it is left alone.
"""

from __future__ import annotations

import asyncio
import atexit
import contextlib
import os
import sys

from adapters.outputs.terminal.keyboard import Keyboard, Pressed

__all__ = ["PosixKeyboard"]

_MOST = 1024
"""Bytes that are read at a time."""


class PosixKeyboard(Keyboard):
    """The terminal with descriptor *number*."""

    def __init__(self, number: int, pressed: Pressed) -> None:
        self._number = number
        self._pressed = pressed
        self._before: list[int | list[bytes | int]] | None = None

    def listen(self) -> bool:
        if sys.platform == "win32":
            return False
        import termios  # where it is missing the module must still load

        if self._before is not None or not self._is_ours():
            return False
        try:
            before = termios.tcgetattr(self._number)
            ours = termios.tcgetattr(self._number)
            ours[3] &= ~(termios.ICANON | termios.ECHO)
            ours[6][termios.VMIN], ours[6][termios.VTIME] = 1, 0
            # a terminal that is held by a key would never have shown what is written by now
            termios.tcsetattr(self._number, termios.TCSANOW, ours)
            asyncio.get_running_loop().add_reader(self._number, self._read)
        except (termios.error, OSError, NotImplementedError):
            return False
        self._before = before
        atexit.register(self._put_back)
        return True

    def leave(self) -> None:
        if self._before is None:
            return
        with contextlib.suppress(RuntimeError, ValueError, OSError):
            asyncio.get_running_loop().remove_reader(self._number)
        self._put_back()
        atexit.unregister(self._put_back)

    def _put_back(self) -> None:
        if sys.platform == "win32":
            return
        import termios

        before, self._before = self._before, None
        if before is not None and self._is_ours():
            with contextlib.suppress(termios.error, OSError):
                termios.tcsetattr(self._number, termios.TCSANOW, before)

    def _is_ours(self) -> bool:
        """Whether this program is in the foreground; another one would be stopped."""
        if sys.platform == "win32":
            return False
        try:
            return os.tcgetpgrp(self._number) == os.getpgrp()
        except OSError:
            return False

    def _read(self) -> None:
        try:
            data = os.read(self._number, _MOST)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:  # the terminal is gone
            asyncio.get_running_loop().remove_reader(self._number)
            return
        # an arrow and its like come as a row of letters behind an escape
        if not data.startswith(b"\x1b"):
            for key in data.decode("utf-8", "ignore"):
                self._pressed(key)
