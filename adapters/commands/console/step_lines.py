"""Lines on standard input that ask for frames of a source that is stepped: for scripts.

An empty line asks for one frame, a number for so many.
"""

from __future__ import annotations

import asyncio
import contextlib
import io
import os
import threading
from collections.abc import Callable
from typing import TextIO

from bridge.ports.steps import Steps

__all__ = ["MAX_STEPS", "frames_asked", "read_steps"]

MAX_STEPS = 1_000_000_000
"""Frames that one line may ask for."""
_MAX_LINE = 4096
"""Bytes: a longer line is no number."""


def frames_asked(line: str) -> int:
    """How many frames a line asks for.  Raises ValueError with words for the user."""
    text = line.strip()
    plain = text.isascii() and text.isdigit() and len(text) <= len(str(MAX_STEPS))
    number = 1 if not text else int(text) if plain else 0
    if not 1 <= number <= MAX_STEPS:
        raise ValueError(f'expected an empty line or a number of frames, found "{text}"')
    return number


def read_steps(
    stream: TextIO, steps: Steps, tell: Callable[[str], None], *, ends: bool = True
) -> None:
    """Ask *steps* for what the lines of *stream* say, from now on, beside what runs.

    Their end is that of the steps where it *ends* them.  *tell* is told what is wrong with a line.
    """
    loop = asyncio.get_running_loop()
    try:
        number = stream.fileno()
    except (io.UnsupportedOperation, ValueError, AttributeError):
        if ends:
            steps.end()
        return

    def read() -> None:
        # a thread cannot be ended that waits here, so it must hold no stream's lock meanwhile
        rest = b""
        with contextlib.suppress(RuntimeError):  # the loop is closed
            while True:
                try:
                    data = os.read(number, _MAX_LINE)
                except OSError:
                    data = b""
                *lines, rest = (rest + data).split(b"\n")
                if not data and rest:
                    lines, rest = [rest], b""
                for line in lines:
                    loop.call_soon_threadsafe(ask, line[:_MAX_LINE].decode("utf-8", "replace"))
                rest = rest[:_MAX_LINE]
                if not data:
                    if ends:
                        loop.call_soon_threadsafe(steps.end)
                    return

    def ask(line: str) -> None:
        try:
            steps.ask(frames_asked(line))
        except ValueError as fault:
            tell(f"standard input: {fault}")

    threading.Thread(target=read, name="lowhalf-steps", daemon=True).start()
