"""Replay of a recording from one of its frames on, for whoever needs no frame before that."""

from __future__ import annotations

from pathlib import Path

from adapters.recordings.reader import Recording
from adapters.sources.recording.frame_places import END, FramePlace
from adapters.sources.recording.replay import RecordingReplay

__all__ = ["PlacedReplay", "ReplayFrom"]


class PlacedReplay(RecordingReplay):
    """Replay of all of a recording.

    ``place`` is the present frame's index among all frames, from 0 (-1 before the first), and
    ``firsts`` are the places at which the groups begin, up to that which it is in.
    """

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.place = -1
        self.firsts: list[int] = []

    def _take(self) -> int:
        self.place += 1
        if self._group == len(self.firsts):
            self.firsts.append(self.place)
        return super()._take()


class ReplayFrom(RecordingReplay):
    """Begins with the first frame of a group, or with the one that is *skipped* frames behind it.

    Where the group has no such frame it begins with the group's last one.
    """

    def __init__(self, path: Path, group: int, skipped: int = 0) -> None:
        super().__init__(path)
        self._wanted = group, skipped

    def _bounds(self, recording: Recording) -> tuple[FramePlace, FramePlace]:
        group, skipped = self._wanted
        index = min(skipped, len(recording.frames(group)) - 1) if skipped else 0
        return FramePlace(group, index), END
