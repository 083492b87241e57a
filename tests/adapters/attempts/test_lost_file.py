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

from adapters.practice_log import database
from adapters.practice_log.kept_file import KeptFile
from adapters.practice_log.ownership import is_owned
from adapters.practice_log.writer import SqlitePracticeLog
from bridge.practice.attempts import Outcome
from schemas.errors import OutputError
from tests.adapters.attempts.test_attempts_file import (
    LOG,
    attempt,
    bytes_of,
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


@pytest.fixture(autouse=True)
def often(monkeypatch: pytest.MonkeyPatch) -> None:
    """The file is written and looked at ten times as often, so that no test waits for seconds."""
    monkeypatch.setattr("adapters.practice_log.writer.TALLIES_EVERY", 0.1)
    monkeypatch.setattr("adapters.practice_log.writer.LOOK_EVERY", 0.04)


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


async def ready(file: SqlitePracticeLog, path: Path) -> None:
    """A third attempt, a moment and an open attempt are in the file."""
    file.ended(attempt(3))
    file.tallied(*CALL, 7)
    file.began(attempt(4, Outcome.OPEN))
    await until(lambda: len(numbers(path)) == 4 and tallies(path) == {CALL: [(7, 1)]}, 20)


def numbers(path: Path) -> list[int]:
    return [one.number for one in kept(path, running=True)]


async def whole(file: SqlitePracticeLog, path: Path) -> None:
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
@pytest.mark.parametrize("over", ["renamed", "copied", "copied slowly"])
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
                if over == "copied slowly":  # it is empty whenever it is looked at
                    await asyncio.sleep(0.15)
                shutil.copyfileobj(source, target)
        await until(lambda: bool(messages(caplog)), 20)
        assert bytes_of(path) == before
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
    assert bytes_of(path) == before
    assert not companion(path, "wal").exists()
    assert len(kept(beside)) == 5
    assert sound(beside)


@pytest.mark.skipif(sys.platform == "win32", reason="a folder that is in use stays there")
async def test_a_file_that_another_daemon_writes_is_left_alone(
    path: Path, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """A link to the folder is set to one in which another daemon is at work, in one step."""
    caplog.set_level(logging.INFO)
    link, other = tmp_path / "link", tmp_path / "other"
    link.symlink_to(path.parent)
    other.mkdir()
    async with writing(other / NAME) as second, writing(link / NAME) as first:
        await ready(first, path)
        second.ended(attempt(1))
        new = tmp_path / "new"
        new.symlink_to(other)
        new.replace(link)
        await until(lambda: bool(messages(caplog)), 20)
        await whole(first, other / "a-2.sqlite")
        second.ended(attempt(2))
        await until(lambda: numbers(other / NAME) == [1, 2], 20)
        assert is_owned(other / NAME)
        assert is_owned(other / "a-2.sqlite")
    assert messages(caplog) == [
        "attempts: a.sqlite was replaced and is not touched, since it is another's; 4 attempts and "
        "1 tallied moments are in a-2.sqlite now, and what comes as well"
    ]
    assert [one.number for one in kept(other / NAME)] == [1, 2]


@pytest.mark.skipif(sys.platform == "win32", reason="a file that is in use stays there")
async def test_names_that_are_taken_are_passed_over(path: Path) -> None:
    taken = path.with_name("a-2.sqlite")
    taken.write_text("oil")
    async with writing(path) as file:
        await ready(file, path)
        new = path.with_name("new")
        text(new)
        new.replace(path)
        await until(lambda: path.with_name("a-3.sqlite").exists(), 20)
        await whole(file, path.with_name("a-3.sqlite"))
    assert taken.read_text() == "oil"


# the mark of ownership


@pytest.mark.skipif(sys.platform == "win32", reason="a file that is in use stays there")
async def test_the_mark_of_ownership_is_made_again(path: Path) -> None:
    async with writing(path) as file:
        await ready(file, path)
        companion(path, "owner").unlink()
        assert not is_owned(path)
        await until(lambda: is_owned(path), 20)
        with pytest.raises(OutputError, match=r"a\.sqlite is written by another lowhalf"):
            await SqlitePracticeLog(path, LOG).open()
        await whole(file, path)
    assert not is_owned(path)


# what cannot be written anew


def blocked(path: Path) -> None:
    """A file stands where the folder was, so that no folder can be made there."""
    path.parent.rename(path.parent.with_name("elsewhere"))
    path.parent.touch()


WAIT = (
    "attempts: a.sqlite is gone, and its folder with it, and cannot be written anew: file exists; "
    "4 attempts and 1 tallied moments wait in memory, trying again"
)


@pytest.mark.skipif(sys.platform == "win32", reason="a folder that is in use stays there")
async def test_it_is_tried_again_until_it_works(
    path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    async with writing(path) as file:
        await ready(file, path)
        blocked(path)
        await until(lambda: bool(messages(caplog)), 20)
        assert messages(caplog) == [WAIT]
        file.ended(attempt(4))
        file.ended(attempt(5))
        await until(lambda: file._in_memory == (5, 1), 20)
        assert messages(caplog) == [WAIT]
        notice = (
            "a.sqlite is gone, and its folder with it; 5 attempts and 1 tallied moments wait in "
        )
        await until(lambda: file.notice == f"{notice}memory: file exists", 20)
        path.parent.unlink()
        await until(lambda: len(messages(caplog)) == 2, 20)
        await whole(file, path)
    assert messages(caplog)[1:] == [
        "attempts: a.sqlite is written again, with 5 attempts and 1 tallied moments"
    ]


@pytest.mark.skipif(sys.platform == "win32", reason="a folder that is in use stays there")
async def test_the_end_says_what_was_not_written(
    path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    async with writing(path) as file:
        await ready(file, path)
        blocked(path)
        await until(lambda: bool(messages(caplog)), 20)
        file.ended(attempt(4))
        file.ended(attempt(5))
    assert messages(caplog) == [
        WAIT,
        "attempts: a.sqlite: 5 attempts and 1 tallied moments were not written",
    ]
    # what was moved away with its folder is as it was, and whole
    found = path.parent.with_name("elsewhere") / NAME
    assert [one.number for one in kept(found)] == [1, 2, 3, 4]
    assert sound(found)


@pytest.mark.skipif(sys.platform == "win32", reason="a file that is in use stays there")
async def test_what_is_deleted_just_before_the_end_is_there_behind_it(
    path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    async with writing(path) as file:
        await ready(file, path)
        all_deleted(path)
        file.ended(attempt(4))
    assert [one.number for one in kept(path)] == [1, 2, 3, 4]
    assert tallies(path) == {CALL: [(7, 1)]}
    (told,) = messages(caplog)
    assert "were written to a new file of that name" in told


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 400 KiB."""
    folder = tmp_path / "small"
    folder.mkdir()
    mount = shutil.which("mount")
    command = f"{mount} -t tmpfs -o size=400k tmpfs {folder} 2>/dev/null"
    if mount is None or os.name == "nt" or os.system(command):
        pytest.skip("no file system can be mounted here")
    try:
        yield folder
    finally:
        os.system(f"umount {folder}")


async def test_a_full_disk_that_gets_room_again(
    small_disk: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    path = small_disk / NAME
    async with writing(path) as file:
        for number in (1, 2):
            file.ended(attempt(number))
        await ready(file, path)
        with (
            (small_disk / "filler").open("wb", buffering=0) as filler,
            contextlib.suppress(OSError),
        ):
            while filler.write(bytes(1024)):
                """On to the end."""
        all_deleted(path)
        # what was deleted stays until it is closed, so there is no room yet
        await until(lambda: bool(messages(caplog)), 20)
        (told,) = messages(caplog)
        assert told.startswith("attempts: a.sqlite is gone, and cannot be written anew: ")
        assert told.endswith("; 4 attempts and 1 tallied moments wait in memory, trying again")
        (small_disk / "filler").unlink()
        await until(lambda: len(messages(caplog)) == 2, 20)
        await whole(file, path)
    assert messages(caplog)[1:] == [
        "attempts: a.sqlite is written again, with 4 attempts and 1 tallied moments"
    ]
    assert sound(path)


async def test_a_fault_that_nobody_thought_of_is_said(
    path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with writing(path) as file:
        await ready(file, path)

        def fails(*_: object, **__: object) -> None:
            raise MemoryError("no room")

        monkeypatch.setattr(KeptFile, "look", fails)
        await until(lambda: bool(messages(caplog)), 20)
        assert file.notice == "a.sqlite is not written any more: MemoryError: no room"
    assert messages(caplog) == [f"attempts: {file.notice}"]
    assert [one.number for one in kept(path)] == [1, 2, 3, 4]


# what may not be opened


@pytest.fixture
def nobody_s() -> Iterator[Path]:
    """A file in a folder of a user who is not root, as whom all is done then."""
    folder = Path(tempfile.mkdtemp())
    root = os.geteuid() == 0
    if root:
        os.chown(folder, 65534, -1)
        os.seteuid(65534)
    try:
        yield folder / NAME
    finally:
        folder.chmod(0o700)
        if root:
            os.seteuid(0)
        shutil.rmtree(folder)


@needs_users
@pytest.mark.parametrize(
    ("of_folder", "mode", "words", "answer"),
    [
        (False, 0o000, "permission denied", ""),
        (True, 0o000, "permission denied", "cannot be looked at: permission denied"),
        (True, 0o500, "its folder may not be written", ""),
        (False, 0o400, "permission denied", ""),
    ],
)
async def test_what_may_not_be_opened_any_more(
    nobody_s: Path,
    of_folder: bool,
    mode: int,
    words: str,
    answer: str,
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.INFO)
    path = nobody_s
    changed = path.parent if of_folder else path
    async with writing(path) as file:
        for number in (1, 2):
            file.ended(attempt(number))
        await ready(file, path)
        before = changed.stat().st_mode
        changed.chmod(mode)
        await until(lambda: bool(messages(caplog)), 20)
        assert file.notice == f"a.sqlite: {words}; what comes is written to the file as opened"
        file.ended(attempt(4))
        if answer:
            with pytest.raises(OutputError) as caught:
                kept(path, running=True)
            assert str(caught.value) == f"attempts: a.sqlite {answer}"
        await asyncio.sleep(1)  # several looks, told once
        changed.chmod(before)
        await until(lambda: len(messages(caplog)) == 2, 20)
        await whole(file, path)
        assert file.notice == ""
    assert messages(caplog) == [
        f"attempts: a.sqlite: {words}; what comes is written to the file that was opened",
        "attempts: a.sqlite can be opened again",
    ]


@needs_users
async def test_the_end_while_it_may_not_be_opened(
    nobody_s: Path, caplog: pytest.LogCaptureFixture
) -> None:
    path = nobody_s
    async with writing(path) as file:
        file.ended(attempt(1))
        await until(lambda: numbers(path) == [1], 20)
        path.parent.chmod(0)
        await until(lambda: bool(messages(caplog)), 20)
        file.ended(attempt(2))
    path.parent.chmod(0o700)
    assert messages(caplog)[1:] == [
        "attempts: a.sqlite: permission denied, to the end; all was written to the file that was "
        "opened"
    ]
    assert [one.number for one in kept(path)] == [1, 2]
