"""The keyboard of the system that lowhalf runs on."""

from __future__ import annotations

import sys
from typing import TextIO

from adapters.outputs.terminal.keyboard import Keyboard, NoKeyboard, Pressed

__all__ = ["keyboard_of"]


def keyboard_of(stream: TextIO | None, pressed: Pressed) -> Keyboard:
    """The keys of *stream*, where that is a terminal."""
    if stream is None or not stream.isatty():
        return NoKeyboard()
    if sys.platform == "win32":
        import msvcrt

        from adapters.outputs.terminal.windows_keyboard import WindowsKeyboard

        return WindowsKeyboard(msvcrt, pressed)
    else:  # noqa: RET505 - what the checker of types passes over on Windows
        from adapters.outputs.terminal.posix_keyboard import PosixKeyboard

        return PosixKeyboard(stream.fileno(), pressed)
