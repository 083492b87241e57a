"""Which daemon writes a file: one at a time.

The sign is a lock of the operating system's, which goes with the process however it ends.  SQLite
takes it in the same way on every system: an exclusive transaction on an empty database beside the
file, which is begun and never committed.
"""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

from adapters.practice_log.database import BUSY, wrong
from adapters.practice_log.presence import identity
from schemas.errors import OutputError
from schemas.existing import exists

__all__ = ["Ownership", "is_owned"]


def _sign(path: Path) -> Path:
    return path.with_name(f"{path.name}-owner")


class Ownership:
    """The right to write *path*, until ``close`` or the process's end.  Raises OutputError."""

    def __init__(self, path: Path) -> None:
        try:
            self._connection = sqlite3.connect(
                _sign(path), timeout=BUSY, isolation_level=None, check_same_thread=False
            )
        except (sqlite3.Error, ValueError) as fault:  # a null character in the path
            raise wrong(path, "cannot be written", fault) from fault
        try:
            self._connection.execute("BEGIN EXCLUSIVE")
        except sqlite3.Error as fault:
            self._connection.close()
            raise _refused(path, fault) from fault
        self._sign = _sign(path)
        self._identity = identity(self._sign)

    @property
    def holds(self) -> bool:
        """Whether others still find the sign: it may have been deleted or replaced."""
        return self._identity is not None and identity(self._sign) == self._identity

    def give_up(self) -> None:
        """Close, and take the sign away where it is still this one."""
        if self.holds:
            with contextlib.suppress(OSError):
                self._sign.unlink()
        self.close()

    def close(self) -> None:
        with contextlib.suppress(sqlite3.Error):
            self._connection.close()


def is_owned(path: Path) -> bool:
    """Whether a daemon writes *path* now."""
    sign = _sign(path)
    if not exists(sign):
        return False
    try:
        name = sign.absolute().as_uri()
        with contextlib.closing(
            sqlite3.connect(f"{name}?mode=ro", uri=True, timeout=0, isolation_level=None)
        ) as connection:
            connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError as fault:
        return "locked" in str(fault)
    except sqlite3.Error:
        return False
    return False


def _refused(path: Path, fault: sqlite3.Error) -> OutputError:
    if "locked" in str(fault):
        return wrong(
            path,
            "is written by another lowhalf; give each bridge a file of its own with file in "
            "[attempts]",
        )
    return wrong(path, "cannot be written", fault)
