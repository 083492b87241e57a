"""What the core asks of whatever keeps attempts and tallies for later."""

from __future__ import annotations

import abc
from collections.abc import Sequence

from bridge.practice.attempts import Attempt
from bridge.values.value_type import Value

__all__ = ["PracticeLog"]


class PracticeLog(abc.ABC):
    """Keeps attempts and tallies.  What it is told it takes without delay and writes later.

    ``notice`` is what there is to know, in words: why not all is kept now, or what was lost and
    written anew; empty where all is as it should be.
    """

    notice: str = ""

    @abc.abstractmethod
    async def open(self) -> Sequence[Attempt]:
        """All attempts that are kept, the oldest first.  Raises OutputError where none can be."""

    @abc.abstractmethod
    def began(self, attempt: Attempt) -> None:
        """An attempt is open.  Must return at once."""

    @abc.abstractmethod
    def ended(self, attempt: Attempt) -> None:
        """An attempt has ended, or one that had ended was taken back.  Must return at once."""

    @abc.abstractmethod
    def tallied(
        self, expression: str, build: str, value: Value | None, *, whole: bool = True
    ) -> None:
        """A tally saw a value; None for none.  Must return at once.

        Not *whole* is a moment that came in frames that were not seen: it is counted apart.
        """

    @abc.abstractmethod
    async def close(self) -> None:
        """Write what is yet to be written, within two seconds."""
