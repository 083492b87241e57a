"""``lowhalf run`` and ``demo`` as processes: signals, children, streams without a terminal."""

from __future__ import annotations

import json
import signal
import struct
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

import pytest

from tests.commands import files
from tests.commands.command import Running, lowhalf

OVERLAY = '[outputs.overlay]\nlisten = "127.0.0.1:0"\n'


def newest(url: str, seconds: float = 10) -> dict[str, Any]:
    """The newest frame from the pages' JSON."""
    end = time.monotonic() + seconds
    while True:
        try:
            with urllib.request.urlopen(f"{url}frame.json", timeout=5) as answer:
                frame: dict[str, Any] = json.load(answer)
                return frame
        except urllib.error.HTTPError as fault:
            fault.close()
            if time.monotonic() > end:
                raise
            time.sleep(0.05)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.posix("a signal ends the daemon")
def test_a_dump_is_served_until_a_signal_ends_it_cleanly(
    tmp_path: Path, number: signal.Signals
) -> None:
    path = files.write(tmp_path, bridge=files.BRIDGE + OVERLAY)
    with Running("run", str(path)) as daemon:
        url = daemon.url()
        assert newest(url)["readings"][0]["text"] == "0xF3B6"
        time.sleep(1.2)
        again = newest(url)
        assert again["readings"][0]["status"] == "ok"
        assert again["consistency"] == "still"
        assert daemon.stop(number) == 0
    assert not any("Traceback" in line for line in daemon.logged)


def test_without_a_terminal_there_are_plain_lines(tmp_path: Path) -> None:
    done = lowhalf("run", str(files.write(tmp_path)), "--seconds", "1")
    assert done.returncode == 0
    assert "low_x=0xF3B6 (hit)" in done.stdout
    assert "\x1b" not in done.stdout + done.stderr


def test_json_prints_an_object_a_frame(tmp_path: Path) -> None:
    done = lowhalf("run", str(files.write(tmp_path)), "--json", "--seconds", "1")
    assert done.returncode == 0
    (line,) = done.stdout.splitlines()
    assert json.loads(line)["readings"][1]["text"] == "lantern"


def test_a_missing_dump_ends_with_3_and_a_taken_port_with_2(tmp_path: Path) -> None:
    path = files.write(tmp_path, bridge=files.BRIDGE + OVERLAY)
    with Running("run", str(path), "--quiet") as daemon:
        port = daemon.url().rsplit(":", 1)[1].strip("/")
        taken = tmp_path / "taken.bridge.toml"
        taken.write_text(path.read_text("utf-8").replace("127.0.0.1:0", f"127.0.0.1:{port}"))
        done = lowhalf("run", str(taken), "--quiet")
        assert done.returncode == 2
        assert "the port is in use, perhaps by another lowhalf" in done.stderr
    (tmp_path / "t.bin").unlink()
    done = lowhalf("run", str(path), "--quiet")
    assert done.returncode == 3
    assert "t.bin" in done.stderr


@pytest.mark.posix("a signal ends the daemon")
def test_a_shared_source_may_come_later_go_and_come_back(tmp_path: Path) -> None:
    bridge = files.BRIDGE.replace('"file"', '"shared"') + OVERLAY
    path = files.write(tmp_path, bridge=bridge)
    ram = tmp_path / "t.bin"
    data = ram.read_bytes()
    ram.unlink()
    with Running("run", str(path), "--quiet") as daemon:
        url = daemon.url()
        daemon.wait_for("t.bin")
        ram.write_bytes(data)
        daemon.wait_for("build first-print")
        wait_for_status(url, "ok")
        ram.write_bytes(b"")
        wait_for_status(url, "offline")
        gone = newest(url)["readings"][0]
        assert (gone["value"], gone["text"]) == (0xF3B6, "0xF3B6")
        ram.write_bytes(data)
        wait_for_status(url, "ok")
        assert daemon.stop(signal.SIGTERM) == 0
    assert len(daemon.logged) <= 8, daemon.logged


def wait_for_status(url: str, status: str, seconds: float = 10) -> None:
    end = time.monotonic() + seconds
    while (found := newest(url)["readings"][0]["status"]) != status:
        assert time.monotonic() < end, f"still {found}, expected {status}"
        time.sleep(0.05)


def test_another_build_is_recognised_while_it_runs(tmp_path: Path) -> None:
    bridge = files.BRIDGE.replace('"file"', '"shared"') + OVERLAY
    path = files.write(tmp_path, bridge=bridge)
    with Running("run", str(path), "--quiet") as daemon:
        url = daemon.url()
        daemon.wait_for("build first-print")
        other = files.ram()
        other[0x1800:0x19A0] = other[0x1000:0x11A0]
        other[0x1000:0x11A0] = bytes(0x1A0)
        other[0x400:0x408] = b"TIDE 2.0"
        with (tmp_path / "t.bin").open("r+b") as file:
            file.write(other)
        daemon.wait_for("build export")
        wait_for_status(url, "ok")
        frame = newest(url)
        assert frame["build"] == "export"
        assert frame["readings"][0]["text"] == "0xF3B6"


@pytest.mark.posix("a signal ends the daemon")
def test_a_child_is_started_first_and_ended_with_the_daemon(tmp_path: Path) -> None:
    bridge = files.BRIDGE.replace('"file"', '"shared"')
    path = files.write(tmp_path, bridge=bridge)
    pid_file = tmp_path / "pid"
    script = (
        "import os, pathlib, sys, time; "
        "pathlib.Path(sys.argv[1]).write_text(str(os.getpid())); time.sleep(60)"
    )
    child = [sys.executable, "-c", script, str(pid_file)]
    with Running("run", str(path), "--quiet", "--", *child) as daemon:
        daemon.wait_for("build first-print")
        end = time.monotonic() + 10
        while not pid_file.exists() or not pid_file.read_text():
            assert time.monotonic() < end
            time.sleep(0.02)
        pid = int(pid_file.read_text())
        assert running(pid)
        assert daemon.stop(signal.SIGTERM) == 0
    assert not running(pid)


def running(pid: int) -> bool:
    import psutil

    return psutil.pid_exists(pid) and psutil.Process(pid).status() != psutil.STATUS_ZOMBIE


def test_the_daemon_ends_with_its_child_and_says_when_there_is_none(tmp_path: Path) -> None:
    path = files.write(tmp_path, bridge=files.BRIDGE.replace('"file"', '"shared"'))
    done = lowhalf("run", str(path), "--quiet", "--", sys.executable, "-c", "pass")
    assert done.returncode == 0
    done = lowhalf("run", str(path), "--quiet", "--", str(tmp_path / "no-such-program"))
    assert done.returncode == 2
    assert "no-such-program cannot be started" in done.stderr


def test_the_demo_plays_its_recording_and_prints_the_address_of_its_pages() -> None:
    done = lowhalf("demo", "--seconds", "3", "--stats", "--listen", "127.0.0.1:0")
    assert done.returncode == 0, done.stderr
    assert "pages at http://127.0.0.1:" in done.stderr
    assert "held_kind" in done.stdout
    assert "\x1b" not in done.stdout + done.stderr
    frames = int(done.stderr.split("frames ")[1].split(",")[0])
    assert frames > 30


@pytest.mark.posix("a signal ends the daemon")
def test_silly_watches_are_errors_and_the_daemon_still_hears_a_signal(tmp_path: Path) -> None:
    """Numbers that grow from list to list, and pairs of all: they took minutes a frame."""
    data, first = files.ram(files.BASE + 0x2200), 0x2200
    for number in range(1500):
        after = files.BASE + first + 4 * number + 4 if number < 1499 else 0
        struct.pack_into(">I", data, first + 4 * number + 0x13C, after)
    head = 'chain(courier.held, "held")'
    source = f"[2**60 + a.facing for a in {head}]"
    for _ in range(3):
        source = f"[{' * '.join('a' * 20)} for a in {source}]"
    watches = {
        "wide": f"sum({source})",
        "pairs": f"sum([len([b for b in {head} if b.facing > a.facing]) for a in {head}])",
        "plain": f"len({head})",
    }
    tables = "".join(
        f"[[watches]]\nname = {json.dumps(name)}\nexpr = {json.dumps(text)}\n"
        for name, text in watches.items()
    )
    path = files.write(tmp_path, bytes(data), files.BRIDGE + tables + OVERLAY)
    with Running("run", str(path)) as daemon:
        readings = {r["watch"]: r for r in newest(daemon.url())["readings"]}
        assert daemon.stop(signal.SIGTERM) == 0
    assert not any("Traceback" in line for line in daemon.logged)
    assert readings["wide"]["reason"].endswith(": the result has more than 1024 bits")
    # the steps come first, except where the machine is very slow
    ends = (": its lists take more than 200000 steps", ": takes more than 50 ms of a frame")
    assert readings["pairs"]["reason"].endswith(ends)
    assert readings["plain"]["value"] == 1500
