"""Replay of a recording from one of its frames on, for whoever needs no frame before that."""

from __future__ import annotations

from bisect import bisect_right
from pathlib import Path

from adapters.recordings.reader import Recording
from adapters.sources.recording.replay import RecordingReplay
from bridge.memory.address_map import MemoryMap
from bridge.ports.source import Opened
from schemas.errors import SourceUnusable

__all__ = ["PlacedReplay", "ReplayFrom", "place_of"]


class PlacedReplay(RecordingReplay):
    """Replay of all of a recording.

    ``place`` is the present frame's index among all frames, from 0 (-1 before the first), and
    ``group`` the number of the group that it is in.
    """

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.place = -1

    @property
    def group(self) -> int:
        return self._group

    def _take(self) -> None:
        super()._take()
        self.place += 1


class ReplayFrom(RecordingReplay):
    """Begins with the first frame of a group, or with the one that is *skipped* frames behind it.

    Where the group has no such frame it begins with the group's last one.
    """

    def __init__(self, path: Path, group: int, skipped: int = 0) -> None:
        super().__init__(path)
        self._first_group = group
        self._skipped = skipped

    async def _open(self, guest: MemoryMap) -> Opened:
        opened = await super()._open(guest)
        if self._first_group:
            await self._load(self._first_group)
        self._next = min(self._skipped, len(self._frames) - 1)
        for frame in self._frames[: self._next + 1]:
            self._apply(frame)
        return opened


def place_of(recording: Recording, number: int) -> tuple[int, int]:
    """In which group the first frame with a number is, and where in it.

    Raises SourceUnusable where there is none, and as reading a recording does.
    """
    groups = range(len(recording.groups))
    # numbers rise, unless the game was reset: then all is looked through
    likely = bisect_right(groups, number, key=lambda group: recording.frames(group)[0].number) - 1
    least = most = None
    for group in (*groups[max(likely, 0) : likely + 1], *groups):
        for place, frame in enumerate(recording.frames(group)):
            if frame.number == number:
                return group, place
            least = frame.number if least is None else min(least, frame.number)
            most = frame.number if most is None else max(most, frame.number)
    raise SourceUnusable(
        f"has no frame {number}: it holds frames {least} to {most}",
        source=f"recording {recording.path.name}",
    )
