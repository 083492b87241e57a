"""What somebody at the machine may ask of lowhalf while it runs: a key in the terminal, a button on
the desk, a line on standard input.

Who asks knows nothing of who does it: both are handed the same :class:`Controls`.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from schemas.errors import OutputError

if TYPE_CHECKING:
    from bridge.ports.asked_by_hand import AskedByHand
    from bridge.ports.counting_by_hand import CountingByHand
    from bridge.ports.steps import Steps

__all__ = ["BY_HAND", "Controls"]

BY_HAND = ("count", "undo", "again")
"""What can be done of attempts by hand, as the methods of ``CountingByHand``."""


@dataclass(slots=True)
class Controls:
    """What can be asked for.

    ``keep`` writes the last minute into a recording of its own, ``steps`` are the frames of a
    source that gives each only when it is asked for, and ``mark`` marks an action in a recording,
    by name, and gives words on it; None where nothing does it.  ``keys`` are the keys of actions.
    ``by_hand`` counts attempts; None where there is no ``[attempts]``.  ``asked_by_hand`` are the
    questions of a source that a person types.
    """

    keep: Callable[[], Awaitable[str]] | None = None
    steps: Steps | None = None
    mark: Callable[[str], str] | None = None
    keys: Mapping[str, str] = field(default_factory=dict)
    by_hand: CountingByHand | None = None
    asked_by_hand: AskedByHand | None = None

    async def keep_last_minute(self) -> str:
        """Words for the user on what is kept now.  Raises OutputError where that cannot be."""
        if self.keep is None:
            raise OutputError(
                "the last minute is not at hand: add [outputs.recording] with keep to the bridge "
                "file"
            )
        return await self.keep()

    def step(self, frames: int = 1) -> None:
        """Ask for further frames.  Raises OutputError where they come by themselves."""
        if self.steps is None:
            raise OutputError(
                'frames come by themselves: they are stepped where a recording has pace = "stepped"'
            )
        self.steps.ask(frames)

    def count_by_hand(self, what: str) -> str:
        """Do one of ``BY_HAND``; gives words on it for the user.  Raises OutputError."""
        if self.by_hand is None:
            raise OutputError("there are no attempts to count: add [attempts] to the bridge file")
        do = {
            "count": self.by_hand.count,
            "undo": self.by_hand.undo,
            "again": self.by_hand.again,
        }
        return do[what]()

    def press(self, key: str) -> str:
        """Mark the action of a key; gives words on it for the user.  Raises OutputError."""
        if key not in self.keys:
            raise OutputError(f"no action has the key {key}: add it to [learn] keys")
        if self.mark is None:
            raise OutputError("nothing is recorded that could be marked: add [outputs.recording]")
        return self.mark(self.keys[key])
