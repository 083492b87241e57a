"""Before its first frame a source says what it waits for; nothing of that is an alarm."""

from __future__ import annotations

import os
import re
import signal
import socket
import sys
from pathlib import Path

import pytest

from tests.commands import files
from tests.commands.command import Running
from tests.commands.test_push import Producer


def written(folder: Path, source: str) -> Path:
    plain = 'kind = "file"\npath = "t.bin"'
    return files.write(folder, bridge=files.BRIDGE.replace(plain, source))


@pytest.mark.posix("a signal ends the daemon")
def test_a_push_source_waits_for_a_sender_and_then_for_what_tells_the_build(
    tmp_path: Path,
) -> None:
    path = written(tmp_path, 'kind = "push"\nlisten = "127.0.0.1:0"')
    with Running("run", str(path), "--quiet") as daemon:
        daemon.wait_for("waiting for a sender")
        port = int(daemon.wait_for("listening on").rsplit(" ", 1)[1])
        producer = Producer(port, bytes(files.ram()))
        try:
            producer.frame(1)  # nothing was asked for yet
            daemon.wait_for("waiting for the bytes")
            producer.wanted = producer.wanted or ((files.BASE + 0x400, 0x100),)
            producer.frame(2)
            daemon.wait_for("build first-print")
        finally:
            producer.close()
        assert daemon.stop(signal.SIGTERM) == 0
    told = [re.sub(r"port \d+", "port N", line) for line in daemon.logged]
    assert told[:4] == [
        "lowhalf: push: listening on 127.0.0.1 port N",
        "lowhalf: push: waiting for a sender",
        "lowhalf: push test pier: waiting for the bytes that tell the build, at 0x80000400",
        "lowhalf: push test pier: build first-print",
    ]


@pytest.mark.posix("a signal ends the daemon")
def test_a_sender_of_another_game_is_told_as_before(tmp_path: Path) -> None:
    path = written(tmp_path, 'kind = "push"\nlisten = "127.0.0.1:0"')
    other = files.ram()
    other[0x400:0x408] = b"TIDE 7.7"
    with Running("run", str(path), "--quiet") as daemon:
        port = int(daemon.wait_for("listening on").rsplit(" ", 1)[1])
        producer = Producer(port, bytes(other))
        try:
            producer.wanted = ((files.BASE + 0x400, 0x100),)
            producer.frame(1)
            daemon.wait_for("no build is recognised: first-print wants")
        finally:
            producer.close()
        assert daemon.stop(signal.SIGTERM) == 0


@pytest.mark.posix("a signal ends the daemon")
def test_a_folder_waits_for_a_first_dump(tmp_path: Path) -> None:
    (tmp_path / "dumps").mkdir()
    path = written(tmp_path, 'kind = "folder"\npath = "dumps"')
    with Running("run", str(path), "--quiet") as daemon:
        daemon.wait_for("first dump")
        (tmp_path / "dumps" / "one.bin").write_bytes(files.ram())
        daemon.wait_for("build first-print")
        assert daemon.stop(signal.SIGTERM) == 0
    assert daemon.logged == [
        "lowhalf: folder dumps: waiting for a first dump",
        "lowhalf: folder dumps: build first-print",
    ]


@pytest.mark.posix("a signal ends the daemon")
def test_a_debugger_waits_for_its_stub(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:
        address = f"127.0.0.1:{silent.getsockname()[1]}"
        path = written(tmp_path, f'kind = "debugger"\naddress = "{address}"')
        with Running("run", str(path), "--quiet") as daemon:
            line = daemon.wait_for("waiting")
            assert daemon.stop(signal.SIGTERM) == 0
    assert line == f"lowhalf: debugger {address}: waiting for the stub to answer"


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals")
def test_a_serial_line_waits_for_the_console(tmp_path: Path) -> None:
    leader, follower = os.openpty()
    try:
        port = os.ttyname(follower)
        path = written(tmp_path, f'kind = "serial"\nport = "{port}"')
        with Running("run", str(path), "--quiet") as daemon:
            line = daemon.wait_for("waiting")
            assert daemon.stop(signal.SIGTERM) == 0
    finally:
        os.close(leader)
        os.close(follower)
    assert line == f"lowhalf: serial {port}: waiting for the console at the other end"
