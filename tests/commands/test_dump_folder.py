"""The folder source under the real daemon: each dump of a burst is a frame."""

from __future__ import annotations

import gzip
import json
import shutil
import signal
import struct
import time
from pathlib import Path
from typing import Any

import pytest

from tests.commands import files
from tests.commands.command import Running, lowhalf
from tests.commands.test_stats import counts

BRIDGE = files.BRIDGE.replace(
    'kind = "file"\npath = "t.bin"', 'kind = "folder"\npath = "dumps"\nsettle = 0.2'
)


def put(folder: Path, number: int) -> None:
    ram = files.ram()
    struct.pack_into(">H", ram, files.LANTERN + 0x2E, number)
    (folder / f"{number:04}.bin.gz").write_bytes(gzip.compress(bytes(ram), 1))


def frames(printed: list[str]) -> list[dict[str, Any]]:
    return [json.loads(line) for line in printed]


@pytest.mark.wine("a folder that is removed is still there for as long as it is watched")
def test_every_dump_of_a_burst_is_a_frame_and_a_folder_may_come_back(tmp_path: Path) -> None:
    path = files.write(tmp_path, bridge=BRIDGE)
    dumps = tmp_path / "dumps"
    with Running("run", str(path), "--json", "--stats") as daemon:
        daemon.wait_for(f"{dumps} is not there: is the path relative to the bridge file?")
        dumps.mkdir()
        put(dumps, 1)
        daemon.wait_for('"ok"', printed=True)
        (dumps / "broken.gz").write_bytes(b"\x1f\x8b\x08 cut")
        for number in range(2, 102):
            put(dumps, number)
        daemon.wait_for('"frame":101,', printed=True)
        daemon.wait_for("broken.gz: is passed over: gzip: ")
        logged = len(daemon.logged)
        shutil.rmtree(dumps)
        end = time.monotonic() + 10
        while len(daemon.logged) == logged:  # one line that says that the folder is gone
            assert time.monotonic() < end
            time.sleep(0.02)
        dumps.mkdir()
        put(dumps, 200)
        daemon.wait_for('"value":200,', printed=True)
        daemon.wait_for("is back")
        assert daemon.stop(signal.SIGTERM) == 0
    good = [f for f in frames(daemon.printed) if f["readings"][0]["status"] == "ok"]
    values = [frame["readings"][0]["value"] for frame in good]
    # each is a frame; a reader that is held up may be given fewer of them, in their order
    assert counts(daemon.logged)["frames"] == 102
    assert values == sorted(set(values) & {*range(1, 102), 200})
    assert {1, 101, 200} <= set(values)
    assert {frame["consistency"] for frame in good} == {"still"}
    assert {frame["source"] for frame in good} == {"folder dumps"}


def test_read_takes_the_newest(tmp_path: Path) -> None:
    path = files.write(tmp_path, bridge=BRIDGE)
    (tmp_path / "dumps").mkdir()
    for number in (1, 2):
        put(tmp_path / "dumps", number)
    done = lowhalf("read", str(path), "--json")
    assert done.returncode == 0, done.stderr
    (frame,) = frames(done.stdout.splitlines())
    assert frame["readings"][0]["value"] == 2
