"""Notes that the runner adds to sessions, in the file of attempts, also while a daemon writes that.

A daemon keeps the file open and knows nothing of who else writes to it but that its log grows.  So
a note is one short transaction beside it, and changes no table of the daemon's.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path

from adapters.practice_log.database import (
    Database,
    connected,
    open_for_writing,
    transaction,
    version_of,
    wrong,
)
from adapters.practice_log.ownership import Ownership, is_owned
from adapters.practice_log.tables import VERSION
from schemas.errors import OutputError

__all__ = ["read_notes", "write_note"]


def read_notes(database: Database) -> dict[int, str]:
    """The notes by their sessions; none in a file of a version that has none.

    Raises OutputError.
    """
    select = database.connection.execute
    try:
        if version_of(database.connection) < VERSION:
            return {}
        return dict(select("SELECT session, note FROM session_note ORDER BY session"))
    except (sqlite3.Error, ValueError) as fault:
        raise wrong(database.path, "is damaged", fault) from fault


def write_note(path: Path, session: int, note: str) -> None:
    """Write the note of a session in place of what it was; an empty one takes it away.

    The file is there.  Raises OutputError.
    """
    if is_owned(path):
        _write(_beside_daemon(path), session, note)
        return
    owner = Ownership(path)
    try:
        _write(open_for_writing(path), session, note)
    finally:
        owner.close()


def _beside_daemon(path: Path) -> Database:
    database = connected(path, "rw")
    try:
        if version_of(database.connection) != VERSION:
            raise wrong(
                path, "is written by a lowhalf of another version: end that, then write the note"
            )
        # what the daemon has written is copied into the file by the daemon alone
        database.connection.execute("PRAGMA wal_autocheckpoint = 0")
    except sqlite3.Error as fault:
        database.close()
        raise wrong(path, "cannot be written", fault) from fault
    except OutputError:
        database.close()
        raise
    return database


def _write(database: Database, session: int, note: str) -> None:
    write = database.connection.execute
    try:
        with transaction(database.connection):
            if note:
                write("INSERT OR REPLACE INTO session_note VALUES (?, ?)", (session, note))
            else:
                write("DELETE FROM session_note WHERE session = ?", (session,))
    except (sqlite3.Error, UnicodeEncodeError) as fault:
        raise wrong(database.path, "cannot be written", fault) from fault
    finally:
        database.close()
