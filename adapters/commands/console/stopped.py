"""What a command raises that a signal has ended."""

from __future__ import annotations

import signal

__all__ = ["Stopped"]


class Stopped(Exception):
    """A signal has asked for the end, and what was open has been closed in order."""

    def __init__(self, number: int) -> None:
        self.number = number
        super().__init__(signal.Signals(number).name)

    @property
    def exit_code(self) -> int:
        """What a shell gives for a program that a signal has ended."""
        return 128 + self.number
