"""A timed guest: a game whose courier acts so many frames early or late, and tells when he did.

``acts.c`` beside this is what the game does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tests.guest.machine import GuestMachine

TIMED_AT = 0x8030_0000
"""Where the game keeps what timed.h says."""
BEFORE, TOO_SOON, TWICE = 0x100, 0x200, 0x400
"""Beside the frames behind the moment: he acts before it comes; he picks the lantern up before he
turns to it as well; the moment comes twice."""

_HOLD_AT, _ACTS_AT, _ACT_SIZE = 0x14, 0x10, 0x10


@dataclass(frozen=True)
class Act:
    """What the game wrote down of an attempt: numbers of its frames.  ``moment`` is the newest."""

    wanted: int
    began: int
    moment: int
    acted: int


class TimedGuest(GuestMachine):
    """Stands still after each frame in lockstep, or plays on by itself."""

    def begin(self, wanted: Sequence[int], load: str = "swift", *, hold: bool = True) -> None:
        """The game from its start, with attempts as *wanted*; on hold it stands in frame 1."""
        self._write_u32(TIMED_AT, 0)
        for number, each in enumerate(wanted):
            self._write_u32(TIMED_AT + _ACTS_AT + _ACT_SIZE * number, each)
        self.command("idle", load=load, hold_at=1 if hold else 0)
        self._write_u32(TIMED_AT, len(wanted))

    def step(self) -> int:
        """One frame; gives its number."""
        number = self.read_symbol_u32("frame_ended") + 1
        at = self.read_symbol_u32("script_frame") + 1
        self._write_u32(self.symbols["mailbox"] + _HOLD_AT, at)
        return self.wait_for_frame(number)

    @property
    def over(self) -> int:
        """How many attempts are over."""
        return self.read_u32(TIMED_AT + 4)

    def acts(self, count: int) -> list[Act]:
        """What the game wrote down of so many attempts."""
        words = self.read(TIMED_AT + _ACTS_AT, _ACT_SIZE * count)
        numbers = [int.from_bytes(words[n : n + 4], "big") for n in range(0, len(words), 4)]
        return [Act(*numbers[n : n + 4]) for n in range(0, len(numbers), 4)]
