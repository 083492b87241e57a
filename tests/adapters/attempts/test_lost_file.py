"""A file of attempts that is deleted, replaced or damaged while it is written.

The faults are done for real, with the system's own calls, in the folder in which the file lies.
What comes back is compared by SQLite's own reading of it.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import shutil
import sqlite3
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from adapters.attempts import database
from adapters.attempts.attempts_file import AttemptsFile
from adapters.attempts.ownership import is_owned
from bridge.attempts import Outcome
from schemas.errors import OutputError
from tests.adapters.attempts.test_attempts_file import (
    LOG,
    attempt,
    kept,
    messages,
    tallies,
    until,
    writing,
)

NAME = "a.sqlite"
CALL = ("tally(x, y)", "export")
needs_users = pytest.mark.skipif(
    not hasattr(os, "geteuid"), reason="users and their rights as POSIX has them"
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """In a folder of its own, with two attempts of an earlier run."""
    folder = tmp_path / "harbour"
    folder.mkdir()
    made = database.open_for_writing(folder / NAME)
    for number in (1, 2):
        database.write_attempt(made.connection, attempt(number))
    made.close()
    return folder / NAME


def companion(path: Path, kind: str) -> Path:
    return path.with_name(f"{path.name}-{kind}")


async def ready(file: AttemptsFile, path: Path) -> None:
    """A third attempt, a moment and an open attempt are in the file."""
    file.ended(attempt(3))
    file.tallied(*CALL, 7)
    file.began(attempt(4, Outcome.OPEN))
    await until(lambda: len(numbers(path)) == 4 and tallies(path) == {CALL: [(7, 1)]}, 20)


def numbers(path: Path) -> list[int]:
    return [one.number for one in kept(path, running=True)]


async def whole(file: AttemptsFile, path: Path) -> None:
    """Another attempt and moment come: nothing is lost, nothing counted twice, nothing cut off."""
    file.ended(attempt(4))
    file.ended(attempt(5))
    file.tallied(*CALL, 7)
    await until(lambda: file.path.exists() and len(numbers(path)) == 5, 20)
    await until(lambda: tallies(path) == {CALL: [(7, 2)]}, 20)
    assert numbers(path) == [1, 2, 3, 4, 5]
    assert {one.outcome for one in kept(path, running=True)} == {Outcome.FAILED}


def sound(path: Path) -> bool:
    with contextlib.closing(sqlite3.connect(path)) as connection:
        return connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


def deleted(path: Path) -> None:
    path.unlink()


def all_deleted(path: Path) -> None:
    for each in (path, *(companion(path, kind) for kind in ("wal", "shm", "owner"))):
        each.unlink()


def moved(path: Path) -> None:
    path.rename(path.with_name("archive.sqlite"))


def folder_moved(path: Path) -> None:
    path.parent.rename(path.parent.with_name("elsewhere"))


def folder_deleted(path: Path) -> None:
    shutil.rmtree(path.parent)


def emptied(path: Path) -> None:
    os.truncate(path, 0)


def cut_in_half(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 2)


def cut_to_ten(path: Path) -> None:
    os.truncate(path, 10)


def log_deleted(path: Path) -> None:
    companion(path, "wal").unlink()


def log_emptied(path: Path) -> None:
    os.truncate(companion(path, "wal"), 0)


def index_deleted(path: Path) -> None:
    companion(path, "shm").unlink()


def index_emptied(path: Path) -> None:
    os.truncate(companion(path, "shm"), 0)


def older_copy(path: Path) -> None:
    """Another file of ours is renamed over it, which holds nothing that is not known."""
    new = path.with_name("older.sqlite")
    made = database.open_for_writing(new)
    database.write_attempt(made.connection, attempt(1))
    made.close()
    new.replace(path)


def empty_file_over_it(path: Path) -> None:
    new = path.with_name("empty")
    new.touch()
    new.replace(path)


CASES = [
    (deleted, "is gone"),
    (all_deleted, "is gone"),
    (moved, "is gone"),
    (folder_moved, "is gone, and its folder with it"),
    (folder_deleted, "is gone, and its folder with it"),
    (emptied, "was cut short"),
    (cut_in_half, None),
    (cut_to_ten, None),
    (log_deleted, "lacks its companion a.sqlite-wal, which was deleted"),
    (log_emptied, None),
    (index_deleted, "lacks its companion a.sqlite-shm, which was deleted"),
    (index_emptied, "lacks its companion a.sqlite-shm, which was cut short"),
    (older_copy, "was replaced"),
    (empty_file_over_it, "was replaced"),
]


@pytest.mark.skipif(sys.platform == "win32", reason="a file that is in use stays there")
@pytest.mark.parametrize(("fault", "words"), CASES, ids=[case[0].__name__ for case in CASES])
async def test_what_is_in_memory_is_written_to_a_new_file(
    fault: Callable[[Path], None], words: str | None, path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    async with writing(path) as file:
        await ready(file, path)
        fault(path)
        await until(lambda: bool(messages(caplog)), 20)
        # nothing further was asked of it: looking alone has found it, and all is there again
        assert numbers(path) == [1, 2, 3, 4]
        assert kept(path, running=True)[-1].outcome is Outcome.OPEN
        assert is_owned(path)
        await whole(file, path)
        (told,) = messages(caplog)
        done = "4 attempts and 1 tallied moments were written to a new file of that name"
        if words is None:
            assert told.startswith("attempts: a.sqlite ")
            assert told.endswith(f"; {done}")
        else:
            assert told == f"attempts: a.sqlite {words}; {done}"
        assert file.notice == told.removeprefix("attempts: ")
    assert len(messages(caplog)) == 1
    assert len(kept(path)) == 5
    assert sound(path)
    assert sorted(each.name for each in path.parent.glob("a*.sqlite*")) == sorted(
        {NAME, f"{NAME}-owner"} | ({"archive.sqlite"} if fault is moved else set())
    )


# what is not ours


def database_of_another_program(new: Path) -> None:
    with contextlib.closing(sqlite3.connect(new)) as other:
        other.execute("CREATE TABLE shopping (what TEXT)")
        other.execute("INSERT INTO shopping VALUES ('wicks')")
        other.commit()


def text(new: Path) -> None:
    new.write_text("a shopping list: oil, wicks, twine\n" * 900)


def attempts_of_another_run(new: Path) -> None:
    made = database.open_for_writing(new)
    database.write_attempt(made.connection, attempt(77))
    made.close()


@pytest.mark.skipif(sys.platform == "win32", reason="a file that is in use stays there")
@pytest.mark.parametrize("over", ["renamed", "copied"])
@pytest.mark.parametrize("make", [database_of_another_program, text, attempts_of_another_run])
async def test_another_s_file_is_left_alone(
    make: Callable[[Path], None], over: str, path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    beside = path.with_name("a-2.sqlite")
    async with writing(path) as file:
        await ready(file, path)
        new = path.with_name("new")
        make(new)
        for each in path.parent.glob("new-*"):
            each.unlink()
        before = new.read_bytes()
        if over == "renamed":
            new.replace(path)
        else:
            with new.open("rb") as source, path.open("r+b") as target:
                target.truncate(0)
                shutil.copyfileobj(source, target)
        await until(lambda: bool(messages(caplog)), 20)
        assert path.read_bytes() == before
        assert numbers(beside) == [1, 2, 3, 4]
        await whole(file, beside)
        assert is_owned(beside)
        (told,) = messages(caplog)
        what = {"was replaced"} if over == "renamed" else {"was overwritten", "was cut short"}
        assert told in {
            f"attempts: a.sqlite {one} and is not touched, since it is another's; 4 attempts and 1 "
            "tallied moments are in a-2.sqlite now, and what comes as well"
            for one in what
        }
    assert path.read_bytes() == before
    assert not companion(path, "wal").exists()
    assert len(kept(beside)) == 5
    assert sound(beside)
