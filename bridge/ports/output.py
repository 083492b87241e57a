"""What the core asks of an output."""

from __future__ import annotations

import abc
from collections.abc import Sequence
from typing import ClassVar

from bridge.readings.frame import Frame
from bridge.readings.reading import Watch

__all__ = ["Output"]


class Output(abc.ABC):
    """Where readings go.

    The daemon calls :meth:`announce` with the watches when it starts and whenever they change,
    :meth:`publish` with each frame, and runs :meth:`run` as a task that it cancels at the end.
    An output keeps the newest frame and counts in ``skipped`` the frames that it was handed but
    never sent; a slow one never delays a frame.  ``beside`` are all outputs that run, itself
    included; whoever makes them sets it once all are made.
    """

    kind: ClassVar[str]

    def __init__(self) -> None:
        self.skipped = 0
        self.beside: Sequence[Output] = ()

    @property
    def state(self) -> str:
        """How it is doing, in words for people and without secrets; empty where all is said."""
        return ""

    @abc.abstractmethod
    def announce(self, watches: Sequence[Watch]) -> None:
        """The watches, in their order.  Must return at once."""

    @abc.abstractmethod
    def publish(self, frame: Frame) -> None:
        """A frame's readings, or the same readings gone offline.  Must return at once."""

    async def settled(self) -> None:  # noqa: B027 - most outputs show the newest frame
        """Return once all that was published is sent, where every frame has to be.

        Asked after each frame of a source that can wait (``Source.patient``).
        """

    @abc.abstractmethod
    async def run(self) -> None:
        """Send until cancelled; on cancellation say good-bye and return within a second.

        Raises OutputError only for what no further attempt can mend, such as a taken port.
        """
