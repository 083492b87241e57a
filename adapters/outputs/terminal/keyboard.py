"""Port of single keys, while a table is shown in a terminal."""

from __future__ import annotations

import abc
from collections.abc import Callable

__all__ = ["Keyboard", "NoKeyboard", "Pressed"]

Pressed = Callable[[str], None]
"""Told of each key that is a letter, on the event loop."""


class Keyboard(abc.ABC):
    """Gives keys from :meth:`listen` to :meth:`leave`; both may be called again."""

    @abc.abstractmethod
    def listen(self) -> bool:
        """Take the keys, where they are ours to take; whether they were not taken before."""

    @abc.abstractmethod
    def leave(self) -> None:
        """Leave the terminal as it was."""


class NoKeyboard(Keyboard):
    """Where there are no keys."""

    def listen(self) -> bool:
        """Nothing is taken."""
        return False

    def leave(self) -> None:
        """Nothing."""
