"""A file that version 2 made, in which what is given up is called ``reset``: nothing of it is lost.

The tables are those of that version, word for word; its rows are what it wrote.
"""

from __future__ import annotations

import contextlib
import json
import logging
import sqlite3
from pathlib import Path

import pytest

from adapters.commands.main import main
from adapters.practice_log.database import (
    TallyCount,
    open_for_reading,
    open_for_writing,
    read_attempts,
    read_tallies,
)
from adapters.practice_log.writer import SqlitePracticeLog
from bridge.practice.attempts import AGAIN, Attempt, Outcome
from bridge.practice.steps import StepOutcome, StepResult
from tests.bridge.made_practice import BRIDGE, SCHEMA

VERSION_2 = """
CREATE TABLE attempt (
    number INTEGER PRIMARY KEY,
    build TEXT NOT NULL,
    began_frame INTEGER NOT NULL,
    began_time REAL NOT NULL,
    outcome TEXT NOT NULL,
    step TEXT NOT NULL,
    reason TEXT NOT NULL,
    frames INTEGER,
    seconds REAL,
    frames_seen INTEGER,
    doubtful INTEGER NOT NULL DEFAULT 0,
    unseen_before INTEGER NOT NULL DEFAULT 0
);
CREATE TABLE attempt_step (
    attempt INTEGER NOT NULL REFERENCES attempt (number),
    position INTEGER NOT NULL,
    name TEXT NOT NULL,
    outcome TEXT NOT NULL,
    waited INTEGER NOT NULL,
    frames INTEGER NOT NULL,
    seconds REAL NOT NULL,
    frames_seen INTEGER,
    doubtful INTEGER NOT NULL DEFAULT 0,
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
    in_gaps INTEGER NOT NULL DEFAULT 0,
    PRIMARY KEY (expression, build, value)
) WITHOUT ROWID;
"""
ROWS = """
INSERT INTO attempt VALUES (1, 'print', 90, 1000.25, 'success', '', '', 40, 0.75, 40, 0, 0);
INSERT INTO attempt VALUES (2, 'print', 140, 1001.5, 'reset', 'turn', '', 20, 0.5, 18, 1, 3);
INSERT INTO attempt VALUES (3, 'print', 160, 1002.0, 'reset', 'turn', 'started again',
                            9, 0.25, 9, 0, 0);
INSERT INTO attempt VALUES (4, 'print', 200, 1003.0, 'cut-off', '', 'the game was reset',
                            5, 0.125, 5, 0, 0);
INSERT INTO attempt_step VALUES (2, 0, 'to the corner', 'done', 0, 12, 0.25, 12, 0);
INSERT INTO attempt_step VALUES (2, 1, 'turn', 'reset', 1, 7, 0.25, 6, 1);
INSERT INTO tally VALUES ('tally(low, lit)', 'print', '11117', 12, 2);
INSERT INTO tally VALUES ('tally(low, lit)', 'print', '"reset"', 1, 0);
PRAGMA application_id = 0x4C484154;
PRAGMA user_version = 2;
"""
GIVEN_UP = Attempt(
    *(2, "print", 140, 1001.5, Outcome.GIVEN_UP, "turn"),
    frames=20,
    seconds=0.5,
    steps=(
        StepResult("to the corner", StepOutcome.DONE, 0, 12, 0.25, 12),
        StepResult("turn", StepOutcome.GIVEN_UP, 1, 7, 0.25, 6, True),
    ),
    frames_seen=18,
    doubtful=True,
    unseen_before=3,
)
KEPT = [
    Attempt(*(1, "print", 90, 1000.25, Outcome.SUCCESS), frames=40, seconds=0.75, frames_seen=40),
    GIVEN_UP,
    Attempt(
        *(3, "print", 160, 1002.0, Outcome.GIVEN_UP, "turn", AGAIN),
        frames=9,
        seconds=0.25,
        frames_seen=9,
    ),
    Attempt(
        *(4, "print", 200, 1003.0, Outcome.CUT_OFF, "", "the game was reset"),
        frames=5,
        seconds=0.125,
        frames_seen=5,
    ),
]
# a value that was tallied is the game's own word, not lowhalf's
TALLIES = {("tally(low, lit)", "print"): [TallyCount(11117, 12, 2), TallyCount("reset", 1)]}


@pytest.fixture
def old(tmp_path: Path) -> Path:
    path = tmp_path / "g.attempts.sqlite"
    with contextlib.closing(sqlite3.connect(path)) as made:
        made.execute("PRAGMA journal_mode = WAL")
        made.executescript(VERSION_2 + ROWS)
        made.commit()
    return path


def rows(path: Path, select: str) -> list[tuple[object, ...]]:
    with contextlib.closing(sqlite3.connect(path)) as connection:
        return connection.execute(select).fetchall()


def kept(path: Path) -> list[Attempt]:
    database = open_for_reading(path)
    try:
        assert read_tallies(database) == TALLIES
        return read_attempts(database, running=False)
    finally:
        database.close()


def test_it_is_read_as_it_is(old: Path) -> None:
    assert kept(old) == KEPT
    assert rows(old, "PRAGMA user_version") == [(2,)]
    assert rows(old, "SELECT count(*) FROM attempt WHERE outcome = 'reset'") == [(2,)]


async def test_a_daemon_goes_on_with_it(old: Path) -> None:
    log = SqlitePracticeLog(old, logging.getLogger("lowhalf.test"))
    assert list(await log.open()) == KEPT
    new = Attempt(5, "print", 300, 1009.0, Outcome.GIVEN_UP, frames=1, seconds=0.0, frames_seen=1)
    log.ended(new)
    await log.close()
    assert kept(old) == [*KEPT, new]
    assert rows(old, "PRAGMA user_version") == [(4,)]
    assert rows(old, "PRAGMA integrity_check") == [("ok",)]
    outcomes = "SELECT outcome FROM attempt ORDER BY number"
    assert rows(old, outcomes) == [
        *(("success",), ("given-up",), ("given-up",), ("cut-off",), ("given-up",)),
    ]
    steps = "SELECT outcome FROM attempt_step ORDER BY position"
    assert rows(old, steps) == [("done",), ("given-up",)]
    # reasons are words about the game, and stay
    assert rows(old, "SELECT reason FROM attempt WHERE number = 4") == [("the game was reset",)]


def test_its_tables_are_those_of_a_new_file(old: Path, tmp_path: Path) -> None:
    new = tmp_path / "new.sqlite"
    for path in (old, new):
        open_for_writing(path).close()
    for table in ("attempt", "attempt_step", "attempt_kept", "tally"):
        columns = f"PRAGMA table_info({table})"
        assert rows(old, columns) == rows(new, columns)


def test_the_command_says_given_up(old: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (old.parent / "g.schema.toml").write_text(SCHEMA, "utf-8")
    bridge = old.parent / "g.bridge.toml"
    tables = '[[steps]]\nname = "turn"\ndone = "corner"\n[attempts]\nbegins = "room == 1"\n'
    bridge.write_text(BRIDGE + tables, "utf-8")
    assert main(["attempts", str(bridge)]) == 0
    out = capsys.readouterr().out
    assert "given up at turn: started again" in out
    assert main(["attempts", str(bridge), "--csv"]) == 0
    assert ",given-up,turn,started again," in capsys.readouterr().out
    assert main(["attempts", str(bridge), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [each["outcome"] for each in told["attempts"]] == [
        *("success", "given-up", "given-up", "cut-off"),
    ]
    (turn,) = (step for step in told["steps"] if step["step"] == "turn")
    assert (turn["given_up"], turn["done"], turn["failed"]) == (1, 0, 0)
