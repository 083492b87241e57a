"""The SQLite file of attempts: what comes back, what is refused, and what a fault costs."""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import os
import shutil
import sqlite3
import tempfile
import time
import tracemalloc
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from adapters.practice_log import database
from adapters.practice_log.database import open_for_reading, read_attempts, read_tallies
from adapters.practice_log.ownership import is_owned
from adapters.practice_log.writer import SqlitePracticeLog
from bridge.practice.attempts import Attempt, Kept, Outcome
from bridge.practice.steps import StepOutcome, StepResult
from bridge.values.value_type import Value
from schemas.errors import OutputError

LOG = logging.getLogger("lowhalf.test")
OPEN = Attempt(1, "export", 1200, 1000.25)
GOOD = Attempt(
    1,
    "export",
    1200,
    1000.25,
    Outcome.SUCCESS,
    frames=90,
    seconds=1.5,
    steps=(
        StepResult("corner", StepOutcome.DONE, 0, 60, 1.0),
        StepResult("door", StepOutcome.DONE, 4, 26, 0.5),
    ),
    kept=(
        Kept("x", "ok", 0.1, "0.1"),
        Kept("low", "ok", 0x2B6D, "0x2B6D"),
        Kept("big", "ok", (1 << 80) + 1, "1208925819614629174706177"),
        Kept("room", "ok", "Möwe \ud800", "Möwe \ud800"),
        Kept("lit", "ok", True, "true"),
        Kept("held", "null", None, ""),
    ),
)


def attempt(number: int, outcome: Outcome = Outcome.FAILED) -> Attempt:
    return Attempt(number, "export", number, float(number), outcome, "door", frames=9, seconds=0.5)


@contextlib.asynccontextmanager
async def writing(
    path: Path, *, most_pages: int = 0, retry: float = 0.05
) -> AsyncIterator[SqlitePracticeLog]:
    file = SqlitePracticeLog(path, LOG, most_pages=most_pages, retry=retry)
    await file.open()
    try:
        yield file
    finally:
        await file.close()


def kept(path: Path, *, running: bool = False) -> list[Attempt]:
    found = open_for_reading(path)
    try:
        return read_attempts(found, running=running)
    finally:
        found.close()


def tallies(path: Path) -> dict[tuple[str, str], list[tuple[Value | None, int]]]:
    found = open_for_reading(path)
    try:
        return {
            key: [(each.value, each.count) for each in counts]
            for key, counts in read_tallies(found).items()
        }
    finally:
        found.close()


async def until(condition: Callable[[], bool], seconds: float = 5) -> None:
    async with asyncio.timeout(seconds):
        while not condition():  # noqa: ASYNC110 - a file sets no event
            await asyncio.sleep(0.01)


def messages(caplog: pytest.LogCaptureFixture) -> list[str]:
    return [record.getMessage() for record in caplog.records if record.name == LOG.name]


async def test_everything_comes_back(tmp_path: Path) -> None:
    path = tmp_path / "harbour.attempts.sqlite"
    async with writing(path) as file:
        file.began(OPEN)
        await until(lambda: kept(path, running=True) == [OPEN])
        file.ended(GOOD)
    (found,) = kept(path)
    room = found.kept[3]
    # what no UTF-8 has is kept exactly in the value, and as ? in the text
    assert (room.value, room.text) == ("Möwe \ud800", "Möwe ?")
    assert found.kept[:3] + found.kept[4:] == GOOD.kept[:3] + GOOD.kept[4:]
    assert (found.steps, found.frames, found.seconds) == (GOOD.steps, 90, 1.5)
    assert (found.outcome, found.number, found.build) == (Outcome.SUCCESS, 1, "export")
    assert [type(value.value) for value in found.kept] == [float, int, int, str, bool, type(None)]


async def test_a_second_run_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "a.sqlite"
    async with writing(path) as file:
        file.ended(attempt(1))
    file = SqlitePracticeLog(path, LOG)
    history = await file.open()
    assert [found.number for found in history] == [1]
    file.ended(attempt(2, Outcome.SUCCESS))
    await file.close()
    assert [found.outcome for found in kept(path)] == [Outcome.FAILED, Outcome.SUCCESS]


async def test_an_attempt_that_was_left_open_is_told_as_cut_off(tmp_path: Path) -> None:
    path = tmp_path / "a.sqlite"
    async with writing(path) as file:
        file.began(OPEN)
    (found,) = kept(path, running=True)
    assert found.outcome is Outcome.OPEN
    (found,) = kept(path)
    assert (found.outcome, found.reason) == (Outcome.CUT_OFF, database.CUT_OFF)
    async with writing(path):
        (found,) = kept(path, running=True)
        assert (found.outcome, found.reason, found.frames) == (
            Outcome.CUT_OFF,
            "lowhalf was ended without being asked",
            None,
        )


async def test_tallies_add_up_over_runs(tmp_path: Path) -> None:
    path = tmp_path / "a.sqlite"
    call = "tally(low(x), lit)"
    for _ in range(2):
        async with writing(path) as file:
            for value in (7, 7, 0x2B6D, None):
                file.tallied(call, "export", value)
            file.tallied(call, "first-print", 0.1)
            file.tallied("tally(room, lit)", "export", "Harbour")
    assert tallies(path) == {
        (call, "export"): [(7, 4), (0x2B6D, 2), (None, 2)],
        (call, "first-print"): [(0.1, 2)],
        ("tally(room, lit)", "export"): [("Harbour", 2)],
    }


async def test_tallies_are_written_while_it_runs(tmp_path: Path) -> None:
    path = tmp_path / "a.sqlite"
    async with writing(path) as file:
        file.tallied("tally(x, y)", "export", 1)
        await until(lambda: tallies(path) == {("tally(x, y)", "export"): [(1, 1)]})


async def test_the_journal_is_a_log_and_every_commit_reaches_the_disk(tmp_path: Path) -> None:
    path = tmp_path / "a.sqlite"
    opened = database.open_for_writing(path)
    try:
        select = opened.connection.execute
        assert select("PRAGMA journal_mode").fetchone() == ("wal",)
        # 2 is FULL: SQLite's documentation of PRAGMA synchronous
        assert select("PRAGMA synchronous").fetchone() == (2,)
        assert select("PRAGMA user_version").fetchone() == (4,)
    finally:
        opened.close()


# who may write


async def test_two_daemons_on_one_file(tmp_path: Path) -> None:
    path = tmp_path / "a.sqlite"
    async with writing(path) as first:
        assert is_owned(path)
        second = SqlitePracticeLog(path, LOG)
        with pytest.raises(OutputError) as caught:
            await second.open()
        assert str(caught.value) == (
            "attempts: a.sqlite is written by another lowhalf; give each bridge a file of its own "
            "with file in [attempts]"
        )
        await second.close()
        first.ended(attempt(1))
    assert not is_owned(path)
    assert len(kept(path)) == 1
    async with writing(path) as third:
        third.ended(attempt(2))
    assert len(kept(path)) == 2


@pytest.fixture
def foreign(tmp_path: Path) -> Iterator[Path]:
    """A folder in which a file of attempts lies, and no rights but those of any other user."""
    folder = Path(tempfile.mkdtemp())
    made = database.open_for_writing(folder / "a.sqlite")
    database.write_attempt(made.connection, attempt(1))
    made.close()
    folder.chmod(0o755)
    (folder / "a.sqlite").chmod(0o444)
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)
    else:
        folder.chmod(0o555)
    try:
        yield folder
    finally:
        if root:
            os.seteuid(0)
        folder.chmod(0o755)
        shutil.rmtree(folder)


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="users and their rights as POSIX has them")
async def test_a_folder_that_is_read_only(foreign: Path) -> None:
    path = foreign / "a.sqlite"
    with pytest.raises(OutputError) as caught:
        await SqlitePracticeLog(path, LOG).open()
    assert str(caught.value) == "attempts: a.sqlite cannot be written: unable to open database file"
    # it can be read all the same
    assert [one.number for one in kept(path)] == [1]


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="users and their rights as POSIX has them")
async def test_a_file_that_is_read_only(foreign: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = foreign / "a.sqlite"
    # the sign of ownership stands elsewhere, so that only the file itself is read-only
    with tempfile.TemporaryDirectory() as elsewhere:
        sign = Path(elsewhere) / "owner"
        monkeypatch.setattr("adapters.practice_log.ownership._sign", lambda path: sign)
        with pytest.raises(OutputError) as caught:
            await SqlitePracticeLog(path, LOG).open()
    assert str(caught.value) == (
        "attempts: a.sqlite cannot be opened: attempt to write a readonly database"
    )


async def test_a_folder_in_its_place(tmp_path: Path) -> None:
    (tmp_path / "a.sqlite").mkdir()
    with pytest.raises(OutputError) as caught:
        await SqlitePracticeLog(tmp_path / "a.sqlite", LOG).open()
    assert str(caught.value) == "attempts: a.sqlite cannot be opened: unable to open database file"


# what is not ours, or damaged


async def refused(path: Path) -> str:
    """Why a file is refused to the writer; it is left as it was, and the reader refuses it too."""
    before = bytes_of(path)
    file = SqlitePracticeLog(path, LOG)
    with pytest.raises(OutputError) as caught:
        await file.open()
    await file.close()
    assert bytes_of(path) == before
    assert not is_owned(path)
    with pytest.raises(OutputError):
        kept(path)
    return str(caught.value)


def bytes_of(path: Path) -> bytes:
    return path.read_bytes()


async def test_what_is_no_database(tmp_path: Path) -> None:
    path = tmp_path / "a.sqlite"
    path.write_text("a shopping list: oil, wicks, twine\n" * 200)
    assert await refused(path) == (
        "attempts: a.sqlite is no database, or a damaged one; move it away, or name another file "
        "in [attempts]: file is not a database"
    )


async def test_another_program_s_database(tmp_path: Path) -> None:
    path = tmp_path / "a.sqlite"
    with contextlib.closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE shopping (what TEXT)")
        other.commit()
    assert await refused(path) == (
        "attempts: a.sqlite is another program's database; name another file in [attempts]"
    )


async def test_a_later_version(tmp_path: Path) -> None:
    path = tmp_path / "a.sqlite"
    async with writing(path):
        pass
    with contextlib.closing(sqlite3.connect(path)) as later:
        later.execute("PRAGMA user_version = 5")
        later.commit()
        later.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    assert await refused(path) == (
        "attempts: a.sqlite is of version 5, expected 4: of a later lowhalf"
    )


async def test_a_damaged_file(tmp_path: Path) -> None:
    path = tmp_path / "a.sqlite"
    async with writing(path) as file:
        for number in range(1, 400):
            file.ended(attempt(number))
        await until(lambda: len(kept(path, running=True)) == 399, 60)
    data = bytearray(path.read_bytes())
    page = 4096
    assert len(data) > 6 * page
    data[page : 6 * page] = b"\xa5" * (5 * page)
    path.write_bytes(data)
    assert (await refused(path)).startswith("attempts: a.sqlite is damaged; move it away: ")


async def test_a_damaged_file_of_which_sqlite_cannot_tell_in_utf_8(tmp_path: Path) -> None:
    """Its words on a table that it does not understand quote what is written there."""
    path = tmp_path / "a.sqlite"
    async with writing(path) as file:
        file.ended(attempt(1))
    data = path.read_bytes()
    assert b"CREATE TABLE attempt_kept" in data
    path.write_bytes(data.replace(b"CREATE TABLE attempt_kept", b"CREATE T\xb8BLE attempt_kept"))
    assert (await refused(path)).startswith(
        "attempts: a.sqlite is no database, or a damaged one; move it away"
    )


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(OutputError) as caught:
        open_for_reading(tmp_path / "a.sqlite")
    assert str(caught.value) == "attempts: a.sqlite is not there yet: lowhalf run makes it"


# faults while it runs


async def test_a_full_disk(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """A bound on the file's pages stands for a disk that is full: both are SQLITE_FULL."""
    caplog.set_level(logging.INFO)
    path = tmp_path / "a.sqlite"
    long = attempt(1, Outcome.SUCCESS)
    text = "x" * 3000
    async with writing(path, most_pages=12) as file:
        for number in range(1, 30):
            kept_value = Kept("x", "ok", text, text)
            file.ended(
                Attempt(number, "export", 1, 1.0, long.outcome, frames=1, kept=(kept_value,))
            )
        await until(lambda: bool(messages(caplog)))
        assert messages(caplog) == [
            "attempts: a.sqlite cannot be written: database or disk is full; attempts wait in "
            "memory, trying again"
        ]
        await asyncio.sleep(0.3)  # tried several times, told once
        assert len(messages(caplog)) == 1
    waiting = len(file._attempts)
    assert 0 < waiting < 29
    assert messages(caplog)[1:] == [
        f"attempts: a.sqlite: {waiting} attempts and 0 tallied moments were not written"
    ]
    found = kept(path)
    assert [one.number for one in found] == list(range(1, 30 - waiting))
    assert all(one.kept[0].text == text for one in found)
    with contextlib.closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


async def test_an_attempt_that_the_file_has_no_numbers_for_stops_no_other(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """A counter of 64 bits, unsigned, may hold more than SQLite's signed integers."""
    caplog.set_level(logging.INFO)
    path = tmp_path / "a.sqlite"
    async with writing(path) as file:
        file.ended(attempt(1))
        file.ended(replace(attempt(2), began_frame=1 << 63))
        file.ended(attempt(3))
        await until(lambda: len(messages(caplog)) == 1)
    assert [one.number for one in kept(path)] == [1, 3]
    assert messages(caplog) == [
        "attempts: attempt 2 is given up: Python int too large to convert to SQLite INTEGER"
    ]


async def test_a_file_that_is_held_by_another_program(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    caplog.set_level(logging.INFO)
    monkeypatch.setattr(database, "BUSY", 1.0)
    path = tmp_path / "a.sqlite"
    async with writing(path) as file:
        with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            started = time.monotonic()
            for number in range(1, 4):
                file.ended(attempt(number))
                file.tallied("tally(x, y)", "export", number)
            assert time.monotonic() - started < 0.5  # whoever hands over does not wait
            await until(lambda: len(messages(caplog)) == 1)
            other.execute("ROLLBACK")
        await until(lambda: len(messages(caplog)) == 2)
    assert messages(caplog) == [
        "attempts: a.sqlite cannot be written: database is locked; attempts wait in memory, "
        "trying again",
        "attempts: a.sqlite is written again",
    ]
    assert [one.number for one in kept(path)] == [1, 2, 3]
    assert tallies(path) == {("tally(x, y)", "export"): [(1, 1), (2, 1), (3, 1)]}


async def test_what_waits_is_bounded(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("adapters.practice_log.writer.MAX_WAITING", 5)
    monkeypatch.setattr(database, "BUSY", 0.05)
    caplog.set_level(logging.INFO)
    path = tmp_path / "a.sqlite"
    async with writing(path) as file:
        with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            for number in range(1, 21):
                file.ended(attempt(number))
            await until(lambda: len(messages(caplog)) == 1 and file._given_up == 15)
            other.execute("ROLLBACK")
        await until(lambda: len(messages(caplog)) == 2)
    assert messages(caplog)[1] == "attempts: a.sqlite is written again; 15 were given up"
    assert [one.number for one in kept(path)] == [16, 17, 18, 19, 20]


async def test_reading_goes_on_while_it_is_written(tmp_path: Path) -> None:
    path = tmp_path / "a.sqlite"
    async with writing(path) as file:
        counts = []
        for number in range(1, 101):
            file.ended(attempt(number))
            counts.append(len(kept(path, running=True)))
        await until(lambda: len(kept(path, running=True)) == 100)
    assert counts == sorted(counts)
    assert json.dumps(kept(path)[0].kept) == "[]"


def test_reading_takes_hardly_more_memory_than_what_is_read(tmp_path: Path) -> None:
    """A page has its list read again and again: all rows at once would be as much again."""
    path = tmp_path / "a.sqlite"
    written = database.open_for_writing(path)
    for number in range(1, 401):
        database.write_attempt(written.connection, replace(GOOD, number=number))
    written.close()
    opened = open_for_reading(path)
    tracemalloc.start()
    try:
        found = read_attempts(opened, running=False)
        held, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
        opened.close()
    assert [a.number for a in found] == list(range(1, 401))
    assert found[-1].steps == GOOD.steps
    assert len(found[-1].kept) == len(GOOD.kept)
    assert most < 1.3 * held
