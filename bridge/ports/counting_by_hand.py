"""What somebody at the machine may count of attempts by hand."""

from __future__ import annotations

import abc

__all__ = ["CountingByHand"]


class CountingByHand(abc.ABC):
    """Each gives words on what it did, for the user.  Raises OutputError where it cannot be."""

    @abc.abstractmethod
    def count(self) -> str:
        """The attempt that is open was a success, and ends now; where none is open, one was."""

    @abc.abstractmethod
    def undo(self) -> str:
        """The attempt that ended last does not count; done again, the one before it."""

    @abc.abstractmethod
    def again(self) -> str:
        """An attempt begins now; one that is open is given up."""
