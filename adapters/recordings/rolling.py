"""The last minutes of a game on disk: recordings of a minute or less, of which old ones go.

Each is whole in itself, so that what is kept of them needs no other, and all that is lost with a
file is its own frames.
"""

from __future__ import annotations

import contextlib
import re
import shutil
import sys
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from adapters.recordings.copying import copy_part
from adapters.recordings.header import About
from adapters.recordings.recorder import Parts, Recorder
from bridge.memory.address_map import Span
from bridge.ports.source import Consistency
from schemas.errors import OutputError
from schemas.system_words import system_words

__all__ = ["RollingRecorder"]

_PARTS = 10
_SHORTEST, _LONGEST = 5.0, 60.0
"""Seconds of a file."""


@dataclass(frozen=True, slots=True)
class _Done:
    """A file that is written; its frames' last time, in seconds since the Unix epoch.

    ``own`` is false for one that an earlier run has left.
    """

    path: Path
    last_time: float
    own: bool = True


class RollingRecorder:
    """Keeps the last *keep* seconds in *folder*, in files whose names begin with *name*.

    What an earlier run has left there goes once it is as old.  Every method raises OutputError
    where a file cannot be written.
    """

    def __init__(
        self, folder: Path, name: str, about: About, keep: float, *, marks: bool = False
    ) -> None:
        self._folder = folder
        self._name = name
        self._about = about
        self._keep = keep
        self._marks = marks
        self._length = min(_LONGEST, max(_SHORTEST, keep / _PARTS))
        self._recorder: Recorder | None = None
        self._began = self._last = 0.0
        self._done: deque[_Done] = deque()
        for path in sorted(folder.glob("*.mcap")):
            if re.fullmatch(_pattern(name), path.name):
                with contextlib.suppress(FileNotFoundError):  # another lowhalf may record there
                    self._done.append(_Done(path, path.stat().st_mtime, own=False))
        self._number = int(self._done[-1].path.stem.rpartition("-")[2]) if self._done else 0

    @property
    def files(self) -> list[Path]:
        """All of them, in order; the last one may still be written."""
        done = [each.path for each in self._done]
        return done if self._recorder is None else [*done, self._recorder.path]

    def frame(
        self,
        number: int,
        time: float,
        consistency: Consistency,
        parts: Parts,
        *,
        gone: Sequence[Span] = (),
        in_part: bool = False,
    ) -> None:
        """As :meth:`Recorder.frame`."""
        recorder = self._recorder
        if recorder is None or time - self._began >= self._length:
            recorder = self._next(time)
        recorder.frame(number, time, consistency, parts, gone=gone, in_part=in_part)
        self._last = time

    def gap(self, frame: int, last: int | None, missed: int | None, reason: str) -> None:
        """As :meth:`Recorder.gap`."""
        if self._recorder is not None:
            self._recorder.gap(frame, last, missed, reason)

    def readings(self, frame: Mapping[str, Any]) -> None:
        """As :meth:`Recorder.readings`."""
        if self._recorder is not None:
            self._recorder.readings(frame)

    def mark(self, frame: int, name: str) -> None:
        """As :meth:`Recorder.mark`."""
        if self._recorder is not None:
            self._recorder.mark(frame, name)

    def flush(self) -> None:
        """As :meth:`Recorder.flush`."""
        if self._recorder is not None:
            self._recorder.flush()

    def flush_in(self) -> float | None:
        """As :meth:`Recorder.flush_in`."""
        return None if self._recorder is None else self._recorder.flush_in()

    def clip(self, target: Path, first_time: float, last_time: float) -> int:
        """Keep some of it for good, of this run's alone; gives the number of frames."""
        self.flush()
        target.parent.mkdir(parents=True, exist_ok=True)
        own = [each for each in self._done if each.own]
        sources = [each.path for each in own if each.last_time >= first_time]
        if self._recorder is not None:
            sources.append(self._recorder.path)
        return copy_part(sources, target, first_time, last_time)

    def hold(self, folder: Path, seconds: float | None = None) -> list[Path]:
        """Have what is there now in *folder* as well, where it stays when it is removed here.

        With *seconds* only the files with those that came last, which may begin earlier.  Gives the
        files in order; the last may still be written.  Where the system knows no second name for a
        file it is copied.  Raises OutputError, and OSError.
        """
        self.flush()
        written = self._recorder.path if self._recorder is not None else None
        since = 0.0 if seconds is None else self._last - seconds
        old = {each.path for each in self._done if each.last_time < since}
        held = []
        for path in [path for path in self.files if path not in old]:
            target = folder / path.name
            try:
                if path == written and sys.platform == "win32":
                    # there no name of a file that is open can be removed
                    shutil.copyfile(path, target)
                else:
                    target.hardlink_to(path)
            except OSError:
                shutil.copyfile(path, target)
            held.append(target)
        return held

    def close(self) -> None:
        """Close what is being written; harmless the second time."""
        if self._recorder is not None:
            self._recorder.close()
            self._done.append(_Done(self._recorder.path, self._last))
            self._recorder = None

    def abandon(self) -> None:
        """As :meth:`Recorder.abandon`."""
        if self._recorder is not None:
            self._recorder.abandon()

    def _next(self, time: float) -> Recorder:
        before = self._recorder
        memory = None if before is None else before.memory
        self.close()
        self._remove_old(time - self._keep)
        path = self._next_path()
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
        except OSError as fault:
            raise OutputError(
                f"{self._folder}: {system_words(fault) or fault}", output=f"recording {path.name}"
            ) from fault
        # another lowhalf may record there, too
        while path.exists():
            path = self._next_path()
        recorder = Recorder(path, self._about, memory, replaces=False, marks=self._marks)
        self._recorder, self._began = recorder, time
        return recorder

    def _next_path(self) -> Path:
        self._number += 1
        return self._folder / f"{self._name}-{self._number:06}.mcap"

    def _remove_old(self, before: float) -> None:
        """One that cannot be removed, since another program has it open, say, goes later."""
        for done in [each for each in self._done if each.last_time < before]:
            try:
                # another lowhalf may be writing it still
                if not done.own and done.path.stat().st_mtime >= before:
                    continue
                done.path.unlink()
            except FileNotFoundError:
                """It is gone."""
            except OSError:
                continue
            self._done.remove(done)


def _pattern(name: str) -> str:
    return rf"{re.escape(name)}-\d{{6,}}\.mcap"
