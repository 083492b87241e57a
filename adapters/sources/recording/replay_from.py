"""Replay of a recording from one of its groups on, for whoever needs no frame before that."""

from __future__ import annotations

from bisect import bisect_right
from pathlib import Path

from adapters.recordings.reader import Recording
from adapters.sources.recording.replay import RecordingReplay
from bridge.memory.address_map import MemoryMap
from bridge.ports.source import Opened
from schemas.errors import SourceUnusable

__all__ = ["ReplayFrom", "place_of"]


class ReplayFrom(RecordingReplay):
    """Begins with the first frame of a group."""

    def __init__(self, path: Path, group: int) -> None:
        super().__init__(path)
        self._first_group = group

    async def _open(self, guest: MemoryMap) -> Opened:
        opened = await super()._open(guest)
        if self._first_group:
            await self._load(self._first_group)
            self._apply(self._frames[0])
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
