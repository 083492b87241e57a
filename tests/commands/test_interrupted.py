"""Ctrl-C, and the other signals that ask for an end, in every command and at every time.

128 and the signal's number is what a shell gives for a program that a signal has ended (POSIX,
Shell Command Language, 2.8.2; SIGINT is 2).
"""

from __future__ import annotations

import asyncio
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psutil
import pytest

from adapters.commands import main
from adapters.commands.console.worker_processes import worth_it
from tests.adapters.sources.scripted_stub import ScriptedStub
from tests.commands import files, practice_files

ROOT = Path(__file__).parent.parent.parent
SAMPLE = str(ROOT / "sample_dumps" / "second-print-carry.bridge.toml")
DEMO = str(ROOT / "sample_dumps" / "demo.mcap")
INTERRUPTED = 130

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows sends no signals")

STARTING = """
import os, signal, sys
wanted = sys.argv.pop(1)
class Finder:
    def find_spec(self, name, path=None, target=None):
        if name == wanted:
            sys.meta_path.remove(self)
            os.kill(os.getpid(), signal.SIGINT)
finder = Finder()
from adapters.commands import main as program
sys.meta_path.insert(0, finder)
raise SystemExit(program.main())
"""
"""Ctrl-C in the moment in which a module is looked for."""

COMMANDS = {
    "demo": ["demo", "--seconds", "0"],
    "open": ["open", SAMPLE.replace(".bridge.toml", ".bin.gz")],
    "attach": ["attach", str(ROOT / "schemas" / "games" / "tidewright.schema.toml")],
    "run": ["run", SAMPLE, "--seconds", "0"],
    "read": ["read", SAMPLE],
    "explain": ["explain", SAMPLE, "held_kind"],
    "layout": ["layout", "compare", SAMPLE, "no.layout.toml"],
    "where": ["where", SAMPLE, "0x801A1320"],
    "solve": ["solve", "hex", "0x10", "0x20"],
    "heap": ["heap", SAMPLE],
    "check": ["check", SAMPLE],
    "attempts": ["attempts", SAMPLE],
    "tally": ["tally", SAMPLE],
    "expect": ["expect", SAMPLE, "--dump", SAMPLE],
    "verify": ["verify", "no.expect.toml"],
    "compare": ["compare", "a", "b", "--bridge", SAMPLE],
    "events": ["events", DEMO],
    "query": ["query", DEMO],
    "record": ["record", SAMPLE, "no/folder.mcap", "--seconds", "0"],
    "plan": ["plan", SAMPLE, "--cover", "0x80218010"],
    "learn": ["learn", SAMPLE, "--recording", DEMO],
    "pack": ["pack", SAMPLE, "no/folder.zip"],
    "unpack": ["unpack", "no.zip"],
    "by-hand": ["by-hand", SAMPLE, "--build", "export", "--addresses"],
    "sheet": ["sheet", SAMPLE],
    "overlay-boot": ["overlay-boot", SAMPLE],
    "sources": ["sources"],
    "json-schema": ["json-schema", "bridge"],
    "docs": ["docs", "--path"],
}
STAGES = [
    "adapters.commands.console.standard_streams",
    "argparse",
    "adapters.commands.COMMAND",
    "pydantic",
]
WITHOUT_FILES = {"docs", "solve"}


def environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"}


def test_the_table_has_every_command() -> None:
    assert set(COMMANDS) == set(main.COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_while_it_starts(name: str) -> None:
    for stage in STAGES:
        if stage == "pydantic" and name in WITHOUT_FILES:
            continue
        module = stage.replace("COMMAND", name.replace("-", "_"))
        done = subprocess.run(
            [sys.executable, "-c", STARTING, module, *COMMANDS[name]],
            capture_output=True,
            text=True,
            timeout=60,
            env=environment(),
            stdin=subprocess.DEVNULL,
        )
        assert (done.returncode, done.stdout, done.stderr) == (INTERRUPTED, "", ""), module


def push_bridge(folder: Path, port: int) -> Path:
    source = f'kind = "push"\nlisten = "127.0.0.1:{port}"'
    return files.write(folder, bridge=files.BRIDGE.replace('kind = "file"\npath = "t.bin"', source))


@contextmanager
def started(*words: str) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(
        [sys.executable, "-m", "adapters.commands", *words],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment(),
    )
    with process:
        try:
            yield process
        finally:
            if process.poll() is None:
                process.kill()


def until(condition: Callable[[], bool], what: str, seconds: float = 40) -> None:
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, what
        time.sleep(0.02)


def listens(pid: int) -> bool:
    return any(each.status == "LISTEN" for each in psutil.Process(pid).net_connections("tcp"))


def ended(process: subprocess.Popen[str], number: int) -> tuple[int, str, str]:
    process.send_signal(number)
    out, err = process.communicate(timeout=30)
    return process.returncode, out, err


WAITING = {
    "read": ["read", "BRIDGE", "--wait", "60"],
    "read --json": ["read", "BRIDGE", "--wait", "60", "--json"],
    "explain": ["explain", "BRIDGE", "kind", "--wait", "60"],
    "where": ["where", "BRIDGE", "0x80001000", "--wait", "60"],
    "solve write": ["solve", "write", "BRIDGE", "courier.kind", "--want", "1", "--wait", "60"],
    "solve turn": [
        *("solve", "turn", "--bridge", "BRIDGE", "--moves", "MOVES", "--wait", "60"),
        *("--from", "courier.kind", "--to", "0"),
    ],
}


@pytest.mark.parametrize("name", WAITING)
def test_while_it_waits_for_a_frame(name: str, tmp_path: Path) -> None:
    path = push_bridge(tmp_path, 0)
    moves = tmp_path / "moves.toml"
    moves.write_text("[moves.left]\nadd = 1\n", "utf-8")
    words = [
        word.replace("BRIDGE", str(path)).replace("MOVES", str(moves)) for word in WAITING[name]
    ]
    with started(*words) as process:
        until(lambda: process.poll() is not None or listens(process.pid), "it does not listen")
        code, out, err = ended(process, signal.SIGINT)
    assert (code, out, err) == (INTERRUPTED, "", "")


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT"])
def test_each_signal_ends_a_command_that_waits_with_its_code(name: str, tmp_path: Path) -> None:
    number = signal.Signals[name]
    with started("read", str(push_bridge(tmp_path, 0)), "--wait", "60") as process:
        until(lambda: process.poll() is not None or listens(process.pid), "it does not listen")
        code, out, err = ended(process, number)
    assert (code, out) == (128 + number, "")
    assert "Traceback" not in err


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT"])
async def test_a_command_that_reads_through_a_debugger_lets_the_guest_go(
    name: str, tmp_path: Path
) -> None:
    """The game is none that the schema knows, so the command samples until it is stopped."""
    number = signal.Signals[name]
    other = files.ram()
    other[0x400:0x408] = b"TIDE 7.7"
    stub = ScriptedStub(bytes(other))
    async with stub.listening():
        source = f'kind = "debugger"\naddress = "127.0.0.1:{stub.port}"'
        path = files.write(
            tmp_path, bridge=files.BRIDGE.replace('kind = "file"\npath = "t.bin"', source)
        )
        with started("read", str(path), "--wait", "60") as process:
            deadline = time.monotonic() + 40
            while stub.count(b"\x03") < 3:
                assert time.monotonic() < deadline
                await asyncio.sleep(0.005)
            code, out, err = await asyncio.to_thread(ended, process, number)
        while not stub.running:
            assert time.monotonic() < deadline
            await asyncio.sleep(0.005)
    assert (code, out, err) == (128 + number, "", "")
    assert stub.packets[-1] == b"D"


def test_while_it_connects_to_a_stub_that_does_not_answer(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:
        port = silent.getsockname()[1]
        stub = f"127.0.0.1:{port}"
        source = f'kind = "debugger"\naddress = "{stub}"'
        path = files.write(
            tmp_path, bridge=files.BRIDGE.replace('kind = "file"\npath = "t.bin"', source)
        )
        for words in (
            ["read", str(path), "--wait", "60"],
            # of a name that no process has: whatever else runs here is not looked at first
            ["attach", str(tmp_path / "t.schema.toml"), "--process", "none", "--debugger", stub],
        ):
            with started(*words) as process:
                silent.settimeout(40)
                connection, _ = silent.accept()
                with connection:
                    code, out, err = ended(process, signal.SIGINT)
            assert (code, out, err) == (INTERRUPTED, "", ""), words


@pytest.mark.parametrize("count", [20, 40])
def test_while_recordings_are_counted(count: int, tmp_path: Path) -> None:
    """Frames are taken without a pause: the signal is heeded between two of them all the same.

    So it is where there are so many that other processes take them.
    """
    path = practice_files.write(tmp_path, laps=400)
    recording = str(tmp_path / "p.mcap")
    with started("tally", str(path), "--dump", *[recording] * count) as process:
        whole = psutil.Process(process.pid)

        def opened() -> bool:
            every = [whole, *whole.children(recursive=True)]
            return any(file.path == recording for each in every for file in _open(each))

        until(opened, "it opens no recording")
        below = whole.children(recursive=True)
        assert bool(below) is worth_it(count)
        code, out, err = ended(process, signal.SIGINT)
        until(lambda: not any(each.is_running() for each in below), "some go on")
    assert (code, out, err) == (INTERRUPTED, "", "")


def _open(process: psutil.Process) -> list[Any]:
    try:
        return list(process.open_files())
    except psutil.Error:  # it has just ended
        return []


def test_what_was_ignored_at_the_start_stays_ignored(tmp_path: Path) -> None:
    """``nohup`` (POSIX): SIGHUP is ignored when the program starts; the program goes on."""
    path = files.write(tmp_path)
    command = ["nohup", sys.executable, "-m", "adapters.commands", "run", "--quiet", str(path)]
    process = subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, env=environment()
    )
    with process:
        try:
            assert process.stderr is not None
            while "build first-print" not in (line := process.stderr.readline()):
                assert line, "it has ended"
            process.send_signal(signal.SIGHUP)
            with pytest.raises(subprocess.TimeoutExpired):
                process.wait(1.5)
            process.send_signal(signal.SIGTERM)
            assert process.wait(20) == 0
        finally:
            process.kill()
