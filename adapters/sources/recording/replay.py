"""Replay of a recording as fast as it is evaluated: every frame once, and then its end."""

from __future__ import annotations

from pathlib import Path

from adapters.sources.recording.player import RecordingPlayer
from schemas.source_settings import RecordingSource

__all__ = ["RecordingReplay"]


class RecordingReplay(RecordingPlayer):
    """Plays without a clock."""

    def __init__(self, path: Path) -> None:
        settings = RecordingSource(kind="recording", path=str(path), pace="all")
        super().__init__(settings, path.parent)
        self.path = path
