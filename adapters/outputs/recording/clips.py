"""Clips: the attempts that ended, each as a short recording, up to a size of all of them."""

from __future__ import annotations

import contextlib
import logging
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from adapters.recordings.clip_path import clip_path
from adapters.recordings.rolling import RollingRecorder
from bridge.practice.attempts import Attempt
from schemas.errors import LowhalfError
from schemas.loader import Bridge

__all__ = ["BEFORE", "Clip", "Clips"]

BEFORE = 5.0
"""Seconds before an attempt began that its clip shows."""


@dataclass(frozen=True, slots=True)
class Clip:
    """A part to keep, from and to seconds since the Unix epoch."""

    path: Path
    first_time: float
    last_time: float


class Clips:
    """Those of *bridge*; all of them together take no more than *size* bytes, where one goes in."""

    def __init__(self, bridge: Bridge, size: int, log: logging.Logger) -> None:
        self._bridge = bridge
        self._size = size
        self._log = log

    def of(self, ended: Sequence[Attempt], now: float) -> list[Clip]:
        """What to keep of attempts that ended just *now*."""
        return [
            Clip(
                clip_path(self._bridge, attempt),
                now - (attempt.seconds or 0.0) - BEFORE,
                now,
            )
            for attempt in ended
        ]

    def keep(self, recorder: RollingRecorder, clip: Clip) -> None:
        """Write a clip; what is wrong is told, and costs no more than the clip."""
        try:
            recorder.clip(clip.path, clip.first_time, clip.last_time)
        except (LowhalfError, OSError) as fault:
            self._log.error("the clip %s is not kept: %s", clip.path.name, fault)
            with contextlib.suppress(OSError):
                clip.path.unlink(missing_ok=True)  # what is written of it is no whole attempt
            return
        try:
            self._make_room(clip.path)
        except OSError as fault:
            self._log.warning("older clips are not removed: %s", fault)

    def _make_room(self, newest: Path) -> None:
        """Remove the oldest clips where there are too many."""
        mine = re.compile(rf"{re.escape(self._bridge.name)}-\d{{5,}}-[a-z-]+\.mcap")
        found = [path for path in newest.parent.iterdir() if mine.fullmatch(path.name)]
        sizes = {path: path.stat() for path in found if path != newest}
        total = newest.stat().st_size if newest.exists() else 0
        for path in sorted(sizes, key=lambda each: sizes[each].st_mtime_ns, reverse=True):
            total += sizes[path].st_size
            if total > self._size:
                path.unlink()
                self._log.info("the clip %s made room for newer ones", path.name)
