"""The SQLite file that keeps attempts and tallies: its tables, and going in and out of them.

The journal is a write-ahead log, so that readers and the daemon never wait for each other and a
daemon that is killed loses nothing that was committed.  ``synchronous`` is FULL: a commit reaches
the disk before it counts, so a finished attempt survives a power cut too.  That costs a flush per
attempt, of which there is one every few seconds, on a thread that no frame waits for.

``user_version`` is the version of the tables.  Values are JSON texts: whole numbers of any size,
and floats to their last bit.  A file of an earlier version gets the columns that it lacks, and
today's words, when it is opened for writing; opened for reading it is read as it is: what it does
not hold is not known.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import groupby
from operator import itemgetter
from pathlib import Path

from adapters.practice_log.attempt_rows import attempt_of, attempt_row, step_of, step_row
from adapters.practice_log.tables import APPLICATION, VERSION, bring_up_to_date, make_tables
from bridge.practice.attempts import Attempt, Kept, Outcome
from bridge.values.value_type import Value
from schemas.errors import OutputError
from schemas.existing import exists, is_file

__all__ = [
    "APPLICATION",
    "BUSY",
    "CUT_OFF",
    "VERSION",
    "Database",
    "TallyCount",
    "TallyKey",
    "connected",
    "open_as_it_lies",
    "open_for_reading",
    "open_for_writing",
    "read_attempts",
    "read_tallies",
    "transaction",
    "version_of",
    "write_attempt",
    "write_tallies",
    "wrong",
]

BUSY = 1.0
"""Seconds to wait for another program that holds the file."""
CUT_OFF = "lowhalf was ended without being asked"

TallyKey = tuple[str, str, str, bool]
"""Expression, build, value (a JSON text), and whether the moment's frame was seen."""


@dataclass(frozen=True, slots=True)
class TallyCount:
    """How often a value was seen; ``in_gaps`` are further moments, in frames that were missed."""

    value: Value | None
    count: int
    in_gaps: int = 0


@dataclass(frozen=True, slots=True)
class Database:
    """An open file.  Use it from one thread alone."""

    path: Path
    connection: sqlite3.Connection

    def close(self) -> None:
        with contextlib.suppress(sqlite3.Error):
            self.connection.close()


def wrong(path: Path, what: str, fault: BaseException | None = None) -> OutputError:
    """The error of a file; *fault* adds SQLite's own words."""
    words = f"{what}: {fault}" if fault is not None else what
    return OutputError(f"{path.name} {words}", output="attempts")


def open_for_writing(path: Path, *, most_pages: int = 0, going_on: bool = False) -> Database:
    """Open or make the file; attempts that a killed daemon left open are told as cut off.

    *going_on* is for the daemon to which those belong: they stay open.  *most_pages* bounds the
    file's size, in SQLite's pages; 0 does not.  Raises OutputError.
    """
    database = connected(path, "rwc")
    connection = database.connection
    try:
        fresh = _is_fresh(database)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        if most_pages:
            connection.execute(f"PRAGMA max_page_count = {most_pages}")
        with transaction(connection):
            if fresh:
                make_tables(connection)
            else:
                bring_up_to_date(connection, version_of(connection))
            connection.execute(f"PRAGMA user_version = {VERSION}")
            if not going_on:
                connection.execute(
                    "UPDATE attempt SET outcome = ?, reason = ? WHERE outcome = ?",
                    (Outcome.CUT_OFF, CUT_OFF, Outcome.OPEN),
                )
        # from here on the file itself says whose it is, also where its log is lost
        connection.execute("PRAGMA wal_checkpoint(PASSIVE)")
    except sqlite3.Error as fault:
        database.close()
        raise wrong(path, "cannot be written", fault) from fault
    except OutputError:
        database.close()
        raise
    return database


def open_for_reading(path: Path) -> Database:
    """Open the file to read it, also while a daemon writes it.  Raises OutputError."""
    try:
        path.stat()
    except PermissionError as fault:
        raise wrong(path, "cannot be looked at: permission denied") from fault
    except (OSError, ValueError):
        """As where it is not there."""
    if not is_file(path):
        raise wrong(path, "is not there yet: lowhalf run makes it")
    try:
        database = connected(path, "ro")
    except OutputError:
        # a log that is not there cannot be made in a folder that cannot be written
        if exists(path.with_name(f"{path.name}-wal")):
            raise
        database = open_as_it_lies(path)
    try:
        if _is_fresh(database):
            raise wrong(path, "holds nothing yet")
    except OutputError:
        database.close()
        raise
    return database


def open_as_it_lies(path: Path) -> Database:
    """Open a file to read it alone, without its log and without a lock.  Raises OutputError."""
    return connected(path, "ro&immutable=1")


@contextlib.contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """All of it, or nothing."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        # after some faults SQLite has rolled back by itself
        with contextlib.suppress(sqlite3.Error):
            connection.execute("ROLLBACK")
        raise


def write_attempt(connection: sqlite3.Connection, attempt: Attempt) -> None:
    """Write an attempt as it is now.  Raises sqlite3.Error."""
    with transaction(connection):
        connection.execute(
            "INSERT OR REPLACE INTO attempt VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            attempt_row(attempt),
        )
        connection.executemany(
            "INSERT OR REPLACE INTO attempt_step VALUES "
            "(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [step_row(attempt.number, place, s) for place, s in enumerate(attempt.steps)],
        )
        connection.executemany(
            "INSERT OR REPLACE INTO attempt_kept VALUES (?, ?, ?, ?, ?, ?)",
            [
                (attempt.number, place, k.watch, k.status, json.dumps(k.value), _clean(k.text))
                for place, k in enumerate(attempt.kept)
            ],
        )


def write_tallies(connection: sqlite3.Connection, counts: Mapping[TallyKey, int]) -> None:
    """Add to the counts of values.  Raises sqlite3.Error."""
    with transaction(connection):
        connection.executemany(
            "INSERT INTO tally VALUES (?, ?, ?, ?, ?) ON CONFLICT DO UPDATE "
            "SET count = count + excluded.count, in_gaps = in_gaps + excluded.in_gaps",
            [
                (*key, *((count, 0) if whole else (0, count)))
                for (*key, whole), count in counts.items()
            ],
        )


def read_attempts(database: Database, *, running: bool) -> list[Attempt]:
    """All attempts, the oldest first.  Raises OutputError.

    Without a *running* daemon one that is open was cut off.
    """
    select = database.connection.execute
    try:
        # one snapshot: a daemon may write between two of these
        select("BEGIN")
        rows = select("SELECT * FROM attempt ORDER BY number")
        # rows as they come: all of them at once would take as much memory as what they become
        steps = select("SELECT * FROM attempt_step ORDER BY attempt, position")
        kept = select("SELECT * FROM attempt_kept ORDER BY attempt, position")
        attempts = {row[0]: attempt_of(row) for row in rows}
        for number, group in groupby(steps, itemgetter(0)):
            results = tuple(step_of(row) for row in group)
            attempts[number] = replace(attempts[number], steps=results)
        for number, group in groupby(kept, itemgetter(0)):
            values = tuple(Kept(r[2], r[3], json.loads(r[4]), r[5]) for r in group)
            attempts[number] = replace(attempts[number], kept=values)
        select("COMMIT")
    except (sqlite3.Error, ValueError, KeyError, TypeError) as fault:
        raise wrong(database.path, "is damaged", fault) from fault
    return [
        replace(attempt, outcome=Outcome.CUT_OFF, reason=CUT_OFF)
        if attempt.outcome is Outcome.OPEN and not running
        else attempt
        for attempt in attempts.values()
    ]


def read_tallies(database: Database) -> dict[tuple[str, str], list[TallyCount]]:
    """Values with their counts, the commonest first, by expression and build.

    Raises OutputError.
    """
    found: dict[tuple[str, str], list[TallyCount]] = {}
    try:
        rows = database.connection.execute(
            "SELECT * FROM tally ORDER BY expression, build, count DESC, value"
        )
        for expression, build, value, *counts in rows:
            count = TallyCount(json.loads(value), *counts)
            found.setdefault((expression, build), []).append(count)
    except (sqlite3.Error, ValueError) as fault:
        raise wrong(database.path, "is damaged", fault) from fault
    return found


def connected(path: Path, mode: str) -> Database:
    """Open the file in one of SQLite's modes.  Raises OutputError."""
    name = f"file:{_quoted(path)}?mode={mode}"
    try:
        connection = sqlite3.connect(
            name, uri=True, timeout=BUSY, isolation_level=None, check_same_thread=False
        )
    except (sqlite3.Error, ValueError) as fault:  # a null character in the path
        raise wrong(path, "cannot be opened", fault) from fault
    database = Database(path, connection)
    try:
        connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError as fault:
        database.close()
        raise wrong(path, "cannot be opened", fault) from fault
    except (sqlite3.DatabaseError, UnicodeDecodeError) as fault:
        database.close()
        what = "is no database, or a damaged one; move it away, or name another file in [attempts]"
        raise wrong(path, what, fault) from fault
    return database


def _is_fresh(database: Database) -> bool:
    """Whether nothing is in the file.  Raises OutputError where it is not ours, or damaged."""
    path, select = database.path, database.connection.execute
    try:
        marked = select("PRAGMA application_id").fetchone()[0]
        version = version_of(database.connection)
        tables = select("SELECT count(*) FROM sqlite_master").fetchone()[0]
        if not tables and not marked and not version:
            return True
        if marked != APPLICATION:
            raise wrong(path, "is another program's database; name another file in [attempts]")
        if not 1 <= version <= VERSION:
            raise wrong(path, f"is of version {version}, expected {VERSION}: of a later lowhalf")
        state = select("PRAGMA quick_check(1)").fetchone()[0]
    # SQLite's words on what is damaged quote it, and that may be no UTF-8
    except (sqlite3.Error, UnicodeDecodeError) as fault:
        raise wrong(path, "is damaged; move it away", fault) from fault
    if state != "ok":
        raise wrong(path, f"is damaged; move it away: {state.splitlines()[-1]}")
    return False


def version_of(connection: sqlite3.Connection) -> int:
    """The version of a file's tables.  Raises sqlite3.Error."""
    version: int = connection.execute("PRAGMA user_version").fetchone()[0]
    return version


def _quoted(path: Path) -> str:
    """A path as an URI of SQLite's has it."""
    return path.absolute().as_uri().removeprefix("file:")


def _clean(text: str) -> str:
    """Text without the lone surrogates that no UTF-8 has."""
    return text.encode("utf-8", "replace").decode("utf-8")
