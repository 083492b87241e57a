"""A file that version 1 made: it is read as it is, and gets the newer columns when it is written.

The tables are those of that version, word for word; its rows are what it wrote.
"""

from __future__ import annotations

import contextlib
import logging
import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from adapters.practice_log.database import (
    TallyCount,
    open_for_reading,
    open_for_writing,
    read_attempts,
    read_tallies,
)
from adapters.practice_log.writer import SqlitePracticeLog
from bridge.practice.attempts import Attempt, Kept, Outcome
from bridge.practice.steps import StepOutcome, StepResult

VERSION_1 = """
CREATE TABLE attempt (
    number INTEGER PRIMARY KEY,
    build TEXT NOT NULL,
    began_frame INTEGER NOT NULL,
    began_time REAL NOT NULL,
    outcome TEXT NOT NULL,
    step TEXT NOT NULL,
    reason TEXT NOT NULL,
    frames INTEGER,
    seconds REAL
);
CREATE TABLE attempt_step (
    attempt INTEGER NOT NULL REFERENCES attempt (number),
    position INTEGER NOT NULL,
    name TEXT NOT NULL,
    outcome TEXT NOT NULL,
    waited INTEGER NOT NULL,
    frames INTEGER NOT NULL,
    seconds REAL NOT NULL,
    PRIMARY KEY (attempt, position)
) WITHOUT ROWID;
CREATE TABLE attempt_kept (
    attempt INTEGER NOT NULL REFERENCES attempt (number),
    position INTEGER NOT NULL,
    watch TEXT NOT NULL,
    status TEXT NOT NULL,
    value TEXT NOT NULL,
    text TEXT NOT NULL,
    PRIMARY KEY (attempt, position)
) WITHOUT ROWID;
CREATE TABLE tally (
    expression TEXT NOT NULL,
    build TEXT NOT NULL,
    value TEXT NOT NULL,
    count INTEGER NOT NULL,
    PRIMARY KEY (expression, build, value)
) WITHOUT ROWID;
"""
ROWS = """
INSERT INTO attempt VALUES (1, 'export', 1200, 1000.25, 'success', '', '', 90, 1.5);
INSERT INTO attempt VALUES (2, 'export', 1300, 1003.5, 'failed', 'door', '', 40, 0.75);
INSERT INTO attempt VALUES (3, 'export', 1400, 1005.0, 'open', '', '', NULL, NULL);
INSERT INTO attempt_step VALUES (1, 0, 'corner', 'done', 0, 60, 1.0);
INSERT INTO attempt_step VALUES (1, 1, 'door', 'done', 4, 26, 0.5);
INSERT INTO attempt_kept VALUES (1, 0, 'low', 'ok', '11117', '0x2B6D');
INSERT INTO tally VALUES ('tally(low, lit)', 'export', '11117', 12);
INSERT INTO tally VALUES ('tally(low, lit)', 'export', 'null', 3);
PRAGMA application_id = 0x4C484154;
PRAGMA user_version = 1;
"""
FIRST = Attempt(
    *(1, "export", 1200, 1000.25, Outcome.SUCCESS),
    frames=90,
    seconds=1.5,
    steps=(
        StepResult("corner", StepOutcome.DONE, 0, 60, 1.0),
        StepResult("door", StepOutcome.DONE, 4, 26, 0.5),
    ),
    kept=(Kept("low", "ok", 11117, "0x2B6D"),),
)
SECOND = Attempt(2, "export", 1300, 1003.5, Outcome.FAILED, "door", frames=40, seconds=0.75)
TALLY = ("tally(low, lit)", "export")


@pytest.fixture
def old(tmp_path: Path) -> Path:
    path = tmp_path / "a.sqlite"
    with contextlib.closing(sqlite3.connect(path)) as made:
        made.execute("PRAGMA journal_mode = WAL")
        made.executescript(VERSION_1 + ROWS)
        made.commit()
    return path


@contextlib.contextmanager
def selecting(path: Path) -> Iterator[sqlite3.Connection]:
    with contextlib.closing(sqlite3.connect(path)) as connection:
        yield connection


def version(path: Path) -> int:
    with selecting(path) as connection:
        found: int = connection.execute("PRAGMA user_version").fetchone()[0]
        return found


def test_it_is_read_as_it_is(old: Path) -> None:
    database = open_for_reading(old)
    try:
        attempts = read_attempts(database, running=True)
        tallies = read_tallies(database)
    finally:
        database.close()
    assert attempts[:2] == [FIRST, SECOND]
    assert attempts[2].outcome is Outcome.OPEN
    # nobody counted: that is not the same as whole, and not as missed
    assert [attempt.whole for attempt in attempts] == [None, None, None]
    assert [step.whole for step in attempts[0].steps] == [None, None]
    assert tallies == {TALLY: [TallyCount(11117, 12), TallyCount(None, 3)]}
    assert version(old) == 1


def test_what_it_calls_reset_was_given_up(old: Path) -> None:
    with selecting(old) as connection:
        connection.execute("UPDATE attempt SET outcome = 'reset' WHERE number = 2")
        connection.commit()
    database = open_for_reading(old)
    try:
        attempts = read_attempts(database, running=True)
    finally:
        database.close()
    assert attempts[1] == replace(SECOND, outcome=Outcome.GIVEN_UP)
    assert version(old) == 1


def test_a_file_that_may_not_be_written_is_read_too(old: Path) -> None:
    with selecting(old) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    old.chmod(0o444)
    test_it_is_read_as_it_is(old)


async def test_a_daemon_goes_on_with_it(old: Path) -> None:
    file = SqlitePracticeLog(old, logging.getLogger("lowhalf.test"))
    history = await file.open()
    assert list(history[:2]) == [FIRST, SECOND]
    assert history[2].outcome is Outcome.CUT_OFF
    new = Attempt(
        *(4, "export", 1500, 1009.0, Outcome.FAILED, "door"),
        frames=12,
        seconds=0.2,
        steps=(StepResult("corner", StepOutcome.FAILED, 0, 12, 0.2, 10, True),),
        frames_seen=10,
        doubtful=True,
        unseen_before=7,
    )
    file.began(Attempt(4, "export", 1500, 1009.0, unseen_before=7))
    file.ended(new)
    for whole in (True, False, False):
        file.tallied(*TALLY, 11117, whole=whole)
    file.tallied(*TALLY, 9, whole=False)
    await file.close()
    database = open_for_reading(old)
    try:
        attempts = read_attempts(database, running=False)
        tallies = read_tallies(database)
    finally:
        database.close()
    assert (attempts[0], attempts[1], attempts[3]) == (FIRST, SECOND, new)
    assert tallies == {
        TALLY: [TallyCount(11117, 13, 2), TallyCount(None, 3), TallyCount(9, 0, 1)],
    }
    assert version(old) == 4
    with selecting(old) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_its_tables_are_then_those_of_a_new_file(old: Path, tmp_path: Path) -> None:
    for path in (old, tmp_path / "new.sqlite"):
        open_for_writing(path).close()
    columns = []
    for path in (old, tmp_path / "new.sqlite"):
        with selecting(path) as connection:
            columns.append(
                {
                    table: connection.execute(f"PRAGMA table_info({table})").fetchall()
                    for table in ("attempt", "attempt_step", "attempt_kept", "tally")
                }
            )
    assert columns[0] == columns[1]
