"""``lowhalf run`` while its file of attempts is taken away; ``attempts``, ``tally`` meanwhile."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import sqlite3
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import aiohttp
import pytest

from tests.commands import practice_files
from tests.commands.command import Running, lowhalf

pytestmark = pytest.mark.skipif(
    sys.platform == "win32", reason="a file that is in use stays where it is"
)
FILE = "p.attempts.sqlite"


def attempts(path: Path) -> list[dict[str, Any]]:
    """None of them where there is no file."""
    done = lowhalf("attempts", str(path), "--json")
    if done.returncode:
        assert "Traceback" not in done.stderr, done.stderr
        not_yet = ("is not there yet: lowhalf run makes it", "holds nothing yet")
        assert any(words in done.stderr for words in not_yet), done.stderr
        return []
    found: list[dict[str, Any]] = json.loads(done.stdout)["attempts"]
    return found


def has(path: Path, least: int, seconds: float = 90) -> list[dict[str, Any]]:
    end = time.monotonic() + seconds
    while len(found := [one for one in attempts(path) if one["outcome"] != "open"]) < least:
        assert time.monotonic() < end, f"{len(found)} attempts, not {least}"
        time.sleep(0.1)
    return found


def wait_for(daemon: Running, words: str, seconds: float = 30) -> str:
    end = time.monotonic() + seconds
    while not (found := [line for line in daemon.logged if words in line]):
        assert time.monotonic() < end, daemon.logged
        time.sleep(0.02)
    return found[0]


def all_deleted(folder: Path) -> None:
    for each in folder.glob(f"{FILE}*"):
        each.unlink()


def emptied(folder: Path) -> None:
    os.truncate(folder / FILE, 0)


def log_deleted(folder: Path) -> None:
    (folder / f"{FILE}-wal").unlink()


@pytest.mark.parametrize("fault", [all_deleted, emptied, log_deleted])
def test_nothing_is_lost_with_a_file_that_is(fault: Callable[[Path], None], tmp_path: Path) -> None:
    path = practice_files.write(tmp_path, speed=1, repeat=True)
    with Running("run", str(path), "--quiet") as daemon:
        daemon.wait_for("build print")
        before = has(path, 2)
        fault(tmp_path)
        told = wait_for(daemon, f"attempts: {FILE} ")
        assert told.endswith("were written to a new file of that name")
        assert len(attempts(path)) >= len(before)
        tally = lowhalf("tally", str(path), "--json")
        assert "Traceback" not in tally.stderr
        has(path, len(before) + 2)
        assert daemon.stop(signal.SIGTERM, 40) == 0
    found = attempts(path)
    assert found[: len(before)] == before
    assert [one["attempt"] for one in found] == list(range(1, len(found) + 1))
    # each but the last came to its own end: none was cut off when the file was made anew
    assert {one["outcome"] for one in found[:-1]} <= {"success", "failed", "given-up"}
    lines = [line for line in daemon.logged if "attempts: " in line]
    assert lines == [told]


async def test_the_desk_says_it_and_the_end_what_was_not_written(tmp_path: Path) -> None:
    folder = tmp_path / "harbour"
    folder.mkdir()
    path = practice_files.write(folder, speed=1, repeat=True)
    path.write_text(
        path.read_text().replace("[attempts]", '[attempts]\nfile = "kept/p.attempts.sqlite"')
        + '[outputs.overlay]\nlisten = "127.0.0.1:0"\n'
    )
    kept = folder / "kept"
    kept.mkdir()
    with Running("run", str(path), "--quiet") as daemon:
        url = await asyncio.to_thread(daemon.url)
        await asyncio.to_thread(has, path, 1)
        kept.rename(folder / "elsewhere")
        kept.touch()
        told = await asyncio.to_thread(wait_for, daemon, "cannot be written anew")
        assert f"attempts: {FILE} is gone, and its folder with it, and cannot be" in told
        assert told.endswith("wait in memory, trying again")
        async with (
            aiohttp.ClientSession() as http,
            http.ws_connect(url + "live?parts=desk") as live,
        ):
            async with asyncio.timeout(20):
                while True:
                    notice = (await live.receive_json())["health"]["notice"]
                    if notice:
                        break
        assert notice.startswith(f"{FILE} is gone, and its folder with it; ")
        assert notice.endswith(" wait in memory: file exists")
        done = await asyncio.to_thread(lowhalf, "attempts", str(path))
        assert done.returncode != 0
        assert f"{FILE} is not there yet: lowhalf run makes it" in done.stderr
        assert await asyncio.to_thread(daemon.stop, signal.SIGTERM, 40) == 0
    lines = [line for line in daemon.logged if "attempts: " in line]
    assert len(lines) == 2
    assert lines[1].endswith("were not written")


def test_another_program_s_file_in_its_place(tmp_path: Path) -> None:
    path = practice_files.write(tmp_path, speed=1, repeat=True)
    with Running("run", str(path), "--quiet") as daemon:
        before = has(path, 1)
        other = tmp_path / "other"
        connection = sqlite3.connect(other)
        connection.execute("CREATE TABLE shopping (what TEXT)")
        connection.commit()
        connection.close()
        content = other.read_bytes()
        other.replace(tmp_path / FILE)
        wait_for(daemon, "are in p.attempts-2.sqlite now, and what comes as well")
        done = lowhalf("attempts", str(path))
        assert done.returncode == 2
        assert "is another program's database; name another file in [attempts]" in done.stderr
        assert daemon.stop(signal.SIGTERM, 40) == 0
    assert (tmp_path / FILE).read_bytes() == content
    beside = tmp_path / "p.attempts-2.sqlite"
    (tmp_path / FILE).unlink()
    beside.rename(tmp_path / FILE)
    assert attempts(path)[: len(before)] == before
