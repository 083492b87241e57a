"""How the daemon ends: by each of the four signals, with a guest, a child, a broker and attempts.

Real parts: the demo game in QEMU behind its debugger stub, a child process, a mosquitto with
mosquitto_sub as the one who is told, an SQLite file that another connection locks.
"""

from __future__ import annotations

import asyncio
import json
import os
import random
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import psutil
import pytest
import pytest_asyncio

from tests.adapters.mosquitto import Listener, Mosquitto, needs_clients, needs_mosquitto, until
from tests.adapters.raw_websocket import RawWebSocket
from tests.adapters.sources.scripted_stub import ScriptedStub
from tests.commands import files, practice_files
from tests.commands.command import Running, lowhalf
from tests.guest import build as guest_build
from tests.guest.machine import GuestMachine

SIGNALS = [
    getattr(signal, name)
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT")
    if hasattr(signal, name)
]
SCHEMA = Path(__file__).parents[2] / "schemas" / "games" / "tidewright.schema.toml"
LOAD = 5.0
"""Seconds that a busy machine may add to what the README says of the time that an end takes."""

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows sends no signals")

LIVE = """
schema = "SCHEMA"
[source]
kind = "debugger"
address = "127.0.0.1:PORT"
[sampling]
frame = "frame_began"
guard = { began = "frame_began", ended = "frame_ended" }
[[watches]]
name = "seen"
expr = "courier.seen_frame"
[[steps]]
name = "far"
done = "frame_ended < 0"
[attempts]
begins = "frame_ended % 128 < 64"
[outputs.mqtt]
url = "BROKER"
device = "ending"
"""

CHILD = (
    "import os, pathlib, sys, time; "
    "pathlib.Path(sys.argv[1]).write_text(str(os.getpid())); time.sleep(120)"
)
STUBBORN = f"import signal; signal.signal(signal.SIGTERM, signal.SIG_IGN); {CHILD}"


def named(number: object) -> str:
    return str(getattr(number, "name", number))


def is_running(pid: int) -> bool:
    return psutil.pid_exists(pid) and psutil.Process(pid).status() != psutil.STATUS_ZOMBIE


def child_pid(path: Path) -> int:
    end = time.monotonic() + 30
    while not path.exists() or not path.read_text():
        assert time.monotonic() < end, "the child does not start"
        time.sleep(0.02)
    return int(path.read_text())


@pytest.fixture(scope="module")
def guest(tmp_path_factory: pytest.TempPathFactory) -> Iterator[GuestMachine]:
    folder = tmp_path_factory.mktemp("ending")
    with GuestMachine(guest_build.build(folder)["first-print"], folder) as machine:
        machine.wait_for_frame(10)
        yield machine


@pytest_asyncio.fixture
async def broker(tmp_path: Path) -> AsyncIterator[Mosquitto]:
    made = Mosquitto(tmp_path)
    made.start()
    yield made
    made.kill()


@needs_mosquitto
@needs_clients
@pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm")
@pytest.mark.needs("qemu-system-mips", "qemu-system-mips")
@pytest.mark.parametrize("number", SIGNALS, ids=named)
async def test_each_signal_ends_all_of_it_in_order(
    number: int, guest: GuestMachine, broker: Mosquitto, tmp_path: Path
) -> None:
    text = LIVE.replace("SCHEMA", SCHEMA.as_posix()).replace("PORT", str(guest.gdb_port))
    text = text.replace("BROKER", broker.url)
    path, pid_file = tmp_path / "e.bridge.toml", tmp_path / "pid"
    path.write_text(text, "utf-8")
    child = [sys.executable, "-c", CHILD, str(pid_file)]
    state = "homie/5/ending/$state"
    async with Listener(broker.port) as listener:
        with Running("run", str(path), "--quiet", "--", *child) as daemon:
            pid = await asyncio.to_thread(child_pid, pid_file)
            await until(lambda: listener.newest(state) == b"ready", 60, "it is not ready")
            await until(lambda: count_attempts(path) > 0, 60, "no attempt has begun")
            code = await asyncio.to_thread(daemon.stop, number, 30)
        assert code == 0
        frame = guest.read_symbol_u32("frame_ended")
        await asyncio.to_thread(guest.wait_for_frame, frame + 10)
        await until(lambda: listener.newest(state) == b"disconnected", 10, "the broker is not told")
    assert not is_running(pid)
    assert not any("Traceback" in line for line in daemon.logged), daemon.logged
    done = lowhalf("attempts", str(path), "--json")
    kept = json.loads(done.stdout)["attempts"]
    assert [each["outcome"] for each in kept if each["reason"] == "lowhalf ended"] == ["cut-off"]
    assert all(each["outcome"] != "open" for each in kept)


def count_attempts(path: Path) -> int:
    done = lowhalf("attempts", str(path), "--json")
    return len(json.loads(done.stdout)["attempts"]) if done.returncode == 0 else 0


@pytest.mark.parametrize("number", SIGNALS, ids=named)
async def test_the_guest_is_let_go_whenever_the_signal_comes(number: int, tmp_path: Path) -> None:
    """GDB manual, E.2: ``D`` detaches; the stub lets its guest run.  A stub that counts halts, so
    that many moments of a sample are met."""
    stub = ScriptedStub(bytes(files.ram()))
    chance = random.Random(number)
    async with stub.listening():
        source = f'kind = "debugger"\naddress = "127.0.0.1:{stub.port}"'
        path = files.write(
            tmp_path, bridge=files.BRIDGE.replace('kind = "file"\npath = "t.bin"', source)
        )
        for turn in range(4):
            with Running("run", str(path), "--quiet") as daemon:
                samples = stub.count(b"\x03") + chance.randrange(0, 12)
                await until(
                    lambda least=samples: stub.count(b"\x03") > least,  # type: ignore[misc]
                    60,
                    "no samples are taken",
                )
                assert await asyncio.to_thread(daemon.stop, number, 30) == 0
            await until(lambda: stub.running, 10, f"turn {turn}: it was left halted")
            assert stub.packets[-1] == b"D"
            assert stub.breaches == []


@pytest.mark.parametrize("number", SIGNALS, ids=named)
def test_a_child_is_ended_also_where_the_signal_comes_while_all_starts(
    number: int, tmp_path: Path
) -> None:
    """The child itself sends the signal, before the daemon has begun to look at its source."""
    path, pid_file = files.write(tmp_path), tmp_path / "pid"
    sends = f"import os; os.kill(os.getppid(), {int(number)}); {CHILD}"
    with Running(
        "run", str(path), "--quiet", "--", sys.executable, "-c", sends, str(pid_file)
    ) as daemon:
        assert daemon.process.wait(40) == 0
    noted = pid_file.read_text() if pid_file.exists() else ""  # it may have ended before
    assert not noted or not is_running(int(noted))
    assert not any("Traceback" in line for line in daemon.logged), daemon.logged


def seconds_to_end(daemon: Running, number: int = signal.SIGTERM) -> float:
    began = time.monotonic()
    assert daemon.stop(number, 40) == 0
    return time.monotonic() - began


@pytest.mark.parametrize("number", SIGNALS, ids=named)
def test_a_child_that_ignores_sigterm_is_killed_after_two_seconds(
    number: int, tmp_path: Path
) -> None:
    path, pid_file = files.write(tmp_path), tmp_path / "pid"
    child = [sys.executable, "-c", STUBBORN, str(pid_file)]
    with Running("run", str(path), "--quiet", "--", *child) as daemon:
        daemon.wait_for("build first-print")
        pid = child_pid(pid_file)
        taken = seconds_to_end(daemon, number)
    assert not is_running(pid)
    assert 1.99 < taken < 3 + LOAD  # seconds of a clock have no exact differences


def test_a_second_signal_does_not_cut_the_end_short(tmp_path: Path) -> None:
    path, pid_file = files.write(tmp_path), tmp_path / "pid"
    child = [sys.executable, "-c", STUBBORN, str(pid_file)]
    with Running("run", str(path), "--quiet", "--", *child) as daemon:
        daemon.wait_for("build first-print")
        pid = child_pid(pid_file)
        for number in (signal.SIGINT, signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            daemon.process.send_signal(number)
            time.sleep(0.1)
        assert daemon.process.wait(20) == 0
    assert not is_running(pid)
    assert not any("Traceback" in line for line in daemon.logged), daemon.logged


def test_an_attempts_file_that_another_program_locks_delays_it_by_two_seconds(
    tmp_path: Path,
) -> None:
    path = practice_files.write(tmp_path, speed=1, repeat=True)
    with Running("run", str(path), "--quiet") as daemon:
        daemon.wait_for("build print")
        end = time.monotonic() + 30
        while count_attempts(path) < 1:
            assert time.monotonic() < end
        (file,) = tmp_path.glob("*.sqlite")
        other = sqlite3.connect(file, isolation_level=None)
        try:
            other.execute("BEGIN IMMEDIATE")
            taken = seconds_to_end(daemon)
        finally:
            other.close()
    assert taken < 2 + LOAD
    assert any("were not written" in line for line in daemon.logged), daemon.logged


@needs_mosquitto
def test_a_frozen_broker_does_not_delay_it(tmp_path: Path) -> None:
    broker = Mosquitto(tmp_path)
    broker.start()
    try:
        mqtt = f'[outputs.mqtt]\nurl = "{broker.url}"\n'
        with Running("run", str(files.write(tmp_path, bridge=files.BRIDGE + mqtt))) as daemon:
            daemon.wait_for("connected")
            broker.freeze()
            taken = seconds_to_end(daemon)
    finally:
        broker.thaw()
        broker.kill()
    assert taken < 1 + LOAD


def test_a_broker_that_is_being_connected_to_does_not_delay_it(tmp_path: Path) -> None:
    """A full backlog drops further connections, so that connecting neither fails nor succeeds."""
    with socket.socket() as full:
        full.bind(("127.0.0.1", 0))
        full.listen(0)
        port = full.getsockname()[1]
        waiting = [socket.socket() for _ in range(4)]
        for each in waiting:
            each.setblocking(False)
            each.connect_ex(("127.0.0.1", port))
        mqtt = f'[outputs.mqtt]\nurl = "mqtt://127.0.0.1:{port}"\n'
        try:
            with Running("run", str(files.write(tmp_path, bridge=files.BRIDGE + mqtt))) as daemon:
                daemon.wait_for("build first-print")
                taken = seconds_to_end(daemon)
        finally:
            for each in waiting:
                each.close()
    assert taken < 1 + LOAD


async def test_pages_that_read_nothing_do_not_delay_it(tmp_path: Path) -> None:
    path = practice_files.write(tmp_path, speed=1, repeat=True)
    path.write_text(path.read_text() + '[outputs.overlay]\nlisten = "127.0.0.1:0"\n')
    with Running("run", str(path), "--quiet") as daemon:
        url = await asyncio.to_thread(daemon.url)
        clients = [await RawWebSocket.connect(url, "/live") for _ in range(8)]
        await asyncio.sleep(1)
        taken = await asyncio.to_thread(seconds_to_end, daemon)
        for client in clients:
            client.close()
    assert taken < 1 + LOAD


SLEEPING = """
import asyncio, time
from adapters.commands.console.stopped import Stopped
from adapters.commands.console.until_stopped import run_until_stopped

async def work():
    print("begun", flush=True)
    await asyncio.to_thread(time.sleep, 120)

try:
    run_until_stopped(work())
except Stopped as stopped:
    raise SystemExit(stopped.exit_code)
"""


def test_work_in_a_thread_does_not_delay_it() -> None:
    """A thread cannot be cancelled; neither the loop nor the interpreter waits for it."""
    process = subprocess.Popen(
        [sys.executable, "-c", SLEEPING],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    )
    with process:
        try:
            assert process.stdout is not None
            assert process.stdout.readline() == "begun\n"
            process.send_signal(signal.SIGTERM)
            assert process.wait(30) == 128 + signal.SIGTERM
            assert process.stderr is not None
            assert process.stderr.read() == ""
        finally:
            process.kill()


def test_a_terminal_that_is_closed(tmp_path: Path) -> None:
    """The terminal's other end goes: the kernel sends SIGHUP, and writes fail (termios(3))."""
    path = practice_files.write(tmp_path, speed=1, repeat=True)
    pid_file = tmp_path / "pid"
    leader, follower = os.openpty()
    command = [sys.executable, "-m", "adapters.commands", "run", str(path), "--"]
    process = subprocess.Popen(
        [*command, sys.executable, "-c", CHILD, str(pid_file)],
        stdin=follower,
        stdout=follower,
        stderr=follower,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2]), "TERM": "xterm"},
        preexec_fn=_lead,
    )
    os.close(follower)
    pid = child_pid(pid_file)
    seen = b""
    while b"half" not in seen:
        seen += os.read(leader, 4096)
    os.close(leader)
    assert process.wait(30) in (0, 4)  # by the signal, or by the write that failed before it
    assert not is_running(pid)
    done = lowhalf("attempts", str(path), "--json")
    assert all(each["outcome"] != "open" for each in json.loads(done.stdout)["attempts"])


def _lead() -> None:
    """In the child: a session of its own, with standard input as its terminal."""
    import fcntl
    import termios

    os.setsid()
    fcntl.ioctl(0, termios.TIOCSCTTY, 0)
