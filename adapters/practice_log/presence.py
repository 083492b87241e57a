"""Whether a file is still the one that was opened, by what the system says of its name.

SQLite does not ask: a file that is deleted or replaced while it is open is written on under no name
at all, and nothing of it is left when it is closed.  Nothing is opened here, since closing a file
gives up the locks that SQLite holds on it (POSIX, fcntl).

One thing is dangerous beyond that: the index into the log is mapped into memory, and where somebody
cuts it short the system ends whoever reads it there (SIGBUS).  So one looks here before each write.
In the few milliseconds of a write that does not help; then the next start has all that was written.
"""

from __future__ import annotations

import contextlib
import os
import time
from dataclasses import dataclass
from enum import Enum, auto
from pathlib import Path

from schemas.system_words import system_words

__all__ = ["FINE", "Presence", "Sign", "State", "companions", "identity"]

_FILLED_WITHIN = 0.25
"""Seconds for which an empty file is waited for; nobody but its own thread waits with it."""


class State(Enum):
    FINE = auto()
    DOUBTFUL = auto()
    """Something else than its owner has written it: only what is in it can tell."""
    CLOSED = auto()
    """What is open can be written on, but nobody could open it now."""
    LOST = auto()
    """What is open is not, or not all of, what others find under the name."""


@dataclass(frozen=True, slots=True)
class Sign:
    """``words`` say what is the matter, behind the file's name."""

    state: State
    words: str = ""


@dataclass(frozen=True, slots=True)
class _Seen:
    identity: tuple[int, int]
    size: int
    changed: int


FINE = Sign(State.FINE)


class Presence:
    """A database at *path* with its companions, as they are now."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._log, self._index = companions(path)
        self._before = {each: _stat(each) for each in (path, self._log, self._index)}

    def is_own(self, path: Path) -> bool:
        """Whether a name stands for what it stood for when the file was opened."""
        before = self._before.get(path)
        try:
            now = _stat(path)
        except OSError:
            return False
        return before is not None and now is not None and now.identity == before.identity

    def note(self) -> None:
        """The owner has written: sizes and times are as they should be.

        What has shrunk is not noted: the owner makes nothing shorter.
        """
        for path, before in self._before.items():
            try:
                now = _stat(path)
            except OSError:
                continue
            same = now is not None and before is not None and now.identity == before.identity
            if same and now is not None and before is not None and now.size >= before.size:
                self._before[path] = now

    def accept(self) -> None:
        """What was doubtful is right: go on from there."""
        for path in self._before:
            with contextlib.suppress(OSError):
                self._before[path] = _stat(path) or self._before[path]

    def look(self) -> Sign:
        """Compare with how all was before."""
        try:
            found = {path: _stat(path) for path in self._before}
        except OSError as fault:
            return Sign(State.CLOSED, _reason(fault))
        doubtful = False
        for path, before in self._before.items():
            now = found[path]
            if before is None:  # systems on which SQLite has no such companion
                continue
            own = path == self._path
            lacks = "" if own else f"lacks its companion {path.name}, which "
            if now is None:
                gone = "is gone" if path.parent.is_dir() else "is gone, and its folder with it"
                return Sign(State.LOST, gone if own else f"{lacks}was deleted")
            if now.identity != before.identity:
                return Sign(State.LOST, f"{lacks}was replaced")
            empty = own and before.size and not now.size and not self._fills()
            if empty or (path == self._index and now.size < before.size):
                return Sign(State.LOST, f"{lacks}was cut short")
            # the index changes with whoever reads
            changed = path != self._index and now.changed != before.changed
            doubtful |= now.size < before.size or changed
        if doubtful:
            return Sign(State.DOUBTFUL)
        if not (_may(self._path, os.R_OK) and _may(self._path, os.W_OK)):
            return Sign(State.CLOSED, "permission denied")
        if not _may(self._path.parent, os.W_OK):
            return Sign(State.CLOSED, "its folder may not be written")
        return FINE

    def _fills(self) -> bool:
        """Whether a file that is empty is so for a moment only: whoever copies over it empties it
        first, and what comes then is theirs."""
        time.sleep(_FILLED_WITHIN)
        with contextlib.suppress(OSError):
            now = _stat(self._path)
            return now is not None and now.size > 0
        return False


def companions(path: Path) -> tuple[Path, Path]:
    """SQLite's log and the index into it."""
    return path.with_name(f"{path.name}-wal"), path.with_name(f"{path.name}-shm")


def identity(path: Path) -> tuple[int, int] | None:
    """What a name stands for; None for nothing, or nothing that one may look at."""
    try:
        seen = _stat(path)
    except OSError:
        return None
    return seen.identity if seen is not None else None


def _stat(path: Path) -> _Seen | None:
    """None where there is nothing.  Raises OSError where that cannot be told."""
    try:
        found = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return None
    return _Seen((found.st_dev, found.st_ino), found.st_size, found.st_mtime_ns)


def _may(path: Path, mode: int) -> bool:
    return os.access(path, mode, effective_ids=os.access in os.supports_effective_ids)


def _reason(fault: OSError) -> str:
    return (system_words(fault) or str(fault)).lower()
