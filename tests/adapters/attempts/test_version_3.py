"""A file that version 3 made, which knows no sessions, windows and undone attempts, and what is
kept of them today.

The tables of version 3 are those that it made, word for word; its rows are what it wrote.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from adapters.practice_log.database import open_for_reading, open_for_writing, read_attempts
from adapters.practice_log.ownership import Ownership
from adapters.practice_log.session_notes import read_notes, write_note
from adapters.practice_log.writer import LOOK_EVERY, SqlitePracticeLog
from bridge.practice.attempts import Attempt, Outcome
from bridge.practice.steps import StepOutcome, StepResult
from bridge.practice.windows import StepTiming, Verdict
from schemas.errors import OutputError
from tests.adapters.attempts.test_version_2 import VERSION_2, rows

ROWS = """
INSERT INTO attempt VALUES (1, 'print', 90, 1000.25, 'success', '', '', 40, 0.75, 40, 0, 0);
INSERT INTO attempt VALUES (2, 'print', 140, 1001.5, 'given-up', 'turn', '', 20, 0.5, 18, 1, 3);
INSERT INTO attempt_step VALUES (2, 0, 'turn', 'given-up', 1, 7, 0.25, 6, 1);
INSERT INTO tally VALUES ('tally(low, lit)', 'print', '11117', 12, 2);
PRAGMA application_id = 0x4C484154;
PRAGMA user_version = 3;
"""
KEPT = [
    Attempt(*(1, "print", 90, 1000.25, Outcome.SUCCESS), frames=40, seconds=0.75, frames_seen=40),
    Attempt(
        *(2, "print", 140, 1001.5, Outcome.GIVEN_UP, "turn"),
        frames=20,
        seconds=0.5,
        steps=(StepResult("turn", StepOutcome.GIVEN_UP, 1, 7, 0.25, 6, True),),
        frames_seen=18,
        doubtful=True,
        unseen_before=3,
    ),
]
TIMED = Attempt(
    *(3, "print", 500, 9000.0, Outcome.FAILED, "turn", "turn: early by 2"),
    frames=30,
    seconds=0.5,
    steps=(
        StepResult(
            *("corner", StepOutcome.DONE, 0, 9, 0.25, 9, False),
            timing=StepTiming(Verdict.RIGHT, 0, 12, (11, 14), 1),
            too_soon=4,
        ),
        StepResult(
            *("turn", StepOutcome.FAILED, 0, 7, 0.25, 7, False),
            timing=StepTiming(Verdict.EARLY, None, None, (3, 5), None),
        ),
        StepResult(
            *("door", StepOutcome.FAILED, 0, 7, 0.25, 7, False),
            timing=StepTiming(Verdict.LATE, 3, 17, (11, 14)),
        ),
    ),
    frames_seen=30,
    session=7,
    by_hand=True,
)
LOG = logging.getLogger("lowhalf.test")


@pytest.fixture
def old(tmp_path: Path) -> Path:
    # version 2 named one outcome otherwise; its tables are those of version 3
    path = tmp_path / "g.attempts.sqlite"
    with contextlib.closing(sqlite3.connect(path)) as made:
        made.execute("PRAGMA journal_mode = WAL")
        made.executescript(VERSION_2 + ROWS)
        made.commit()
    return path


def kept(path: Path) -> list[Attempt]:
    database = open_for_reading(path)
    try:
        return read_attempts(database, running=False)
    finally:
        database.close()


def notes(path: Path) -> dict[int, str]:
    database = open_for_reading(path)
    try:
        return read_notes(database)
    finally:
        database.close()


def test_it_is_read_as_it_is(old: Path) -> None:
    assert kept(old) == KEPT
    assert notes(old) == {}
    assert rows(old, "PRAGMA user_version") == [(3,)]


async def test_a_daemon_goes_on_with_it_and_keeps_all_of_an_attempt(old: Path) -> None:
    file = SqlitePracticeLog(old, LOG)
    assert list(await file.open()) == KEPT
    file.began(replace(TIMED, outcome=Outcome.OPEN, steps=()))
    file.ended(TIMED)
    file.ended(replace(KEPT[1], undone=True))
    await file.close()
    assert kept(old) == [KEPT[0], replace(KEPT[1], undone=True), TIMED]
    assert rows(old, "PRAGMA user_version") == [(4,)]
    # the same tables as a file of this version has
    new = old.with_name("new.sqlite")
    open_for_writing(new).close()
    for table in ("attempt", "attempt_step", "attempt_kept", "tally", "session_note"):
        columns = f"SELECT name, type, \"notnull\", dflt_value FROM pragma_table_info('{table}')"
        assert rows(old, columns) == rows(new, columns) != []


@pytest.mark.parametrize(
    ("statement", "found"),
    [
        ("UPDATE attempt_step SET verdict = 'soon'", "'soon' is not a valid Verdict"),
        ("UPDATE attempt_step SET window_last = 'x'", "expected a count, found 'x'"),
        ("UPDATE attempt_step SET window_first = NULL", "expected a count, found None"),
        ("UPDATE attempt_step SET since = -3", "expected a count, found -3"),
        ("UPDATE attempt_step SET too_soon = 1.5", "expected a count, found 1.5"),
        ("UPDATE attempt SET session = 'x'", "expected a count, found 'x'"),
    ],
)
async def test_values_that_cannot_be_are_told(old: Path, statement: str, found: str) -> None:
    file = SqlitePracticeLog(old, LOG)
    await file.open()
    file.ended(TIMED)
    await file.close()
    with contextlib.closing(sqlite3.connect(old)) as spoilt:
        spoilt.execute(f"{statement} WHERE {'attempt' if 'step' in statement else 'number'} = 3")
        spoilt.commit()
    with pytest.raises(OutputError) as caught:
        kept(old)
    assert str(caught.value) == f"attempts: g.attempts.sqlite is damaged: {found}"


# notes


def test_a_note_brings_an_old_file_up_to_date(old: Path) -> None:
    write_note(old, 1, "new lamp: hold left")
    assert notes(old) == {1: "new lamp: hold left"}
    assert kept(old) == KEPT
    write_note(old, 1, "the other way round")
    write_note(old, 2, "tired")
    write_note(old, 1, "")
    assert notes(old) == {2: "tired"}


async def test_a_note_beside_a_daemon_is_kept_with_what_that_writes(old: Path) -> None:
    file = SqlitePracticeLog(old, LOG)
    await file.open()
    file.began(replace(TIMED, outcome=Outcome.OPEN, steps=()))
    write_note(old, 7, "hold left")
    file.ended(TIMED)
    await file.close()
    assert file.notice == ""
    assert kept(old) == [*KEPT, TIMED]
    assert notes(old) == {7: "hold left"}


async def test_a_file_that_is_written_anew_has_the_notes(old: Path) -> None:
    """What was deleted under a daemon is written from its memory."""
    file = SqlitePracticeLog(old, LOG, retry=0.05)
    await file.open()
    write_note(old, 7, "hold left")
    # the daemon looks at its file twice a second, and at what others wrote to it then
    await asyncio.sleep(2 * LOOK_EVERY)
    old.unlink()  # noqa: ASYNC240
    file.ended(TIMED)
    async with asyncio.timeout(10):
        while not file.notice:  # noqa: ASYNC110
            await asyncio.sleep(0.02)
    await file.close()
    assert notes(old) == {7: "hold left"}
    assert kept(old) == [*KEPT, TIMED]


def test_no_note_beside_a_daemon_of_an_earlier_version(old: Path) -> None:
    owner = Ownership(old)
    try:
        with pytest.raises(OutputError) as caught:
            write_note(old, 1, "x")
    finally:
        owner.close()
    assert str(caught.value) == (
        "attempts: g.attempts.sqlite is written by a lowhalf of another version: end that, then "
        "write the note"
    )
    assert rows(old, "PRAGMA user_version") == [(3,)]
