"""What the file should hold, in memory: all that it held when it was opened, and all since then.

From this a file that is lost is written anew.  It is an SQLite database of its own, which takes
about as much memory as the file takes of the disk, and a copy of it is a copy of its pages.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator, Mapping
from pathlib import Path

from adapters.practice_log.database import (
    Database,
    TallyKey,
    transaction,
    write_attempt,
    write_tallies,
)
from bridge.practice.attempts import Attempt

__all__ = ["MemoryCopy"]

_ATTEMPTS = "SELECT number, build, began_frame, began_time FROM attempt"
_TALLIES = "SELECT expression, build, value, count + in_gaps FROM tally"


class MemoryCopy:
    """Begins as *database* is.  Use it from one thread alone.  Raises sqlite3.Error."""

    def __init__(self, database: Database) -> None:
        self._connection = sqlite3.connect(
            ":memory:", isolation_level=None, check_same_thread=False
        )
        database.connection.backup(self._connection)

    def take(self, attempt: Attempt) -> None:
        """An attempt is as it is now.  Raises OverflowError where SQLite has no such number."""
        write_attempt(self._connection, attempt)

    def take_tallies(self, counts: Mapping[TallyKey, int]) -> None:
        write_tallies(self._connection, counts)

    def take_notes(self, connection: sqlite3.Connection) -> None:
        """The notes of sessions, which others may write beside the daemon, are those of the file.

        Raises sqlite3.Error.
        """
        notes = connection.execute("SELECT session, note FROM session_note").fetchall()
        with transaction(self._connection):
            self._connection.execute("DELETE FROM session_note")
            self._connection.executemany("INSERT INTO session_note VALUES (?, ?)", notes)

    @property
    def counts(self) -> tuple[int, int]:
        """Attempts, and tallied moments."""
        return _counts(self._connection)

    def write_to(self, path: Path) -> None:
        """Write all of it to a new file.  Raises sqlite3.Error."""
        with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as new:
            self._connection.backup(new)

    def is_all_in(self, connection: sqlite3.Connection) -> bool:
        """Whether a file has as many attempts and moments at least.  Raises sqlite3.Error."""
        with _snapshot(connection):
            found = _counts(connection)
        return all(there >= here for there, here in zip(found, self.counts, strict=True))

    def has_all_of(self, connection: sqlite3.Connection) -> bool:
        """Whether nothing is in a file that is not in memory.  Raises sqlite3.Error."""
        known = set(self._connection.execute(_ATTEMPTS))
        moments = {row[:3]: row[3] for row in self._connection.execute(_TALLIES)}
        # the earlier version's table has no moments apart
        columns = [row[1] for row in connection.execute("PRAGMA table_info(tally)")]
        tallies = _TALLIES if "in_gaps" in columns else _TALLIES.replace("count + in_gaps", "count")
        with _snapshot(connection):
            if not known.issuperset(connection.execute(_ATTEMPTS)):
                return False
            return all(moments.get(row[:3], 0) >= row[3] for row in connection.execute(tallies))

    def close(self) -> None:
        self._connection.close()


def _counts(connection: sqlite3.Connection) -> tuple[int, int]:
    attempts: int = connection.execute("SELECT count(*) FROM attempt").fetchone()[0]
    select = "SELECT coalesce(sum(count + in_gaps), 0) FROM tally"
    moments: int = connection.execute(select).fetchone()[0]
    return attempts, moments


@contextlib.contextmanager
def _snapshot(connection: sqlite3.Connection) -> Iterator[None]:
    """All that is read in it is of one moment."""
    connection.execute("BEGIN")
    try:
        yield
    finally:
        connection.execute("ROLLBACK")
