"""The last minute of what is recorded, kept for good when somebody asks for it."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path

from adapters.recordings.reader import open_recording
from adapters.recordings.rolling import RollingRecorder
from schemas.errors import LowhalfError, OutputError
from schemas.system_words import system_words

__all__ = ["MINUTE", "KeptMinute", "keep_minute", "minute_path"]

MINUTE = 60.0
_NANOSECONDS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class KeptMinute:
    """A recording of so many frames and seconds: fewer than a minute where no more was there."""

    path: Path
    frames: int
    seconds: float

    @property
    def words(self) -> str:
        """What to tell the user, without the folder."""
        frames = f"{self.frames} frame{'s' * (self.frames != 1)}"
        return f"kept the last {self.seconds:.0f} s, {frames}: {self.path.name}"


def minute_path(folder: Path, name: str) -> Path:
    """A file that is not there yet, beside those of a rolling recording."""
    stem = f"{name}-kept-{time.strftime('%Y%m%d-%H%M%S')}"
    path, number = folder / f"{stem}.mcap", 1
    while path.exists():
        number += 1
        path = folder / f"{stem}-{number}.mcap"
    return path


def keep_minute(recorder: RollingRecorder, path: Path, newest: float) -> KeptMinute:
    """Write the minute up to *newest*, in seconds since the Unix epoch, to *path*.

    For the thread that records.  Raises OutputError, and leaves no file then.
    """
    try:
        frames = recorder.clip(path, newest - MINUTE, newest)
        if not frames:
            raise OutputError("nothing was recorded in the last minute")
        begin = open_recording(path).groups[0].first_time / _NANOSECONDS
    except (LowhalfError, OSError) as fault:
        if isinstance(fault, OutputError) and not path.exists():
            raise
        path.unlink(missing_ok=True)
        words = system_words(fault) if isinstance(fault, OSError) else None
        raise OutputError(f"{path.name} is not kept: {words or fault}") from fault
    return KeptMinute(path, frames, newest - begin)
