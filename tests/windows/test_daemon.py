"""The daemon for Windows under Wine: what ends it, in which encoding it prints, and who reads it.

The guest runs in QEMU, the broker is mosquitto, the attempts are read by Python's sqlite3 and the
pages are shown by Chromium, all on the Linux side.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
import sqlite3
from collections.abc import AsyncIterator, Iterator, Sequence
from pathlib import Path

import psutil
import pytest

from tests.adapters.mosquitto import Listener, Mosquitto, needs_clients, needs_mosquitto, until
from tests.commands.command import lowhalf
from tests.commands.test_daemon_ends import LIVE, SCHEMA
from tests.guest import build as guest_build
from tests.guest.machine import GuestMachine
from tests.windows.comparing import NEEDS_WINE, ROOT, bridge
from tests.windows.rig import windows_path
from tests.windows.wine import Program, Wine

pytestmark = NEEDS_WINE
# it gets the console's Ctrl-C as well
CHILD = "import signal, time; signal.signal(signal.SIGINT, signal.SIG_IGN); time.sleep(300)"
SAMPLE = ROOT / "sample_dumps" / "second-print-carry.bridge.toml"


class InConsole(Program):
    """A lowhalf in a console of its own, in which no window is."""

    def __init__(self, wine: Wine, cwd: Path, *words: str, code_page: int = 437) -> None:
        python = windows_path(wine.folder / "python" / "python.exe")
        line = " ".join([python, "-m", "adapters.commands", *words])
        console = windows_path(wine.program("console.c"))
        super().__init__(wine.folder, [console, str(code_page), line], cwd)

    def happens(self, letters: str) -> int:
        """Something of console.c's list; gives the code with which lowhalf has ended."""
        self.write(letters)
        self.until(lambda: self.ended is not None, "end")
        assert self.ended is not None
        return self.ended

    @property
    def ended(self) -> int | None:
        said = [line for line in self.lines[-2:] if line.startswith("ended ")]
        return int(said[0].split()[1]) if said else None


@pytest.fixture(scope="module")
def guest(tmp_path_factory: pytest.TempPathFactory) -> Iterator[GuestMachine]:
    folder = tmp_path_factory.mktemp("ending")
    with GuestMachine(guest_build.build(folder)["first-print"], folder) as machine:
        machine.wait_for_frame(10)
        yield machine


def attempts(file: Path) -> list[tuple[str, str]]:
    """Outcome and reason of each attempt that was kept, as lowhalf on Linux reads them."""
    (path,) = file.parent.glob("*.sqlite")
    with contextlib.closing(sqlite3.connect(path)) as kept:
        assert kept.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    done = lowhalf("attempts", str(file), "--json")
    assert done.returncode == 0, done.stderr
    return [(each["outcome"], each["reason"]) for each in json.loads(done.stdout)["attempts"]]


def is_running(mark: str) -> bool:
    """Whether a program runs that was started with that word."""
    return any(mark in (each.info["cmdline"] or ()) for each in psutil.process_iter(["cmdline"]))


@contextlib.asynccontextmanager
async def connected(
    wine: Wine, folder: Path, words: Sequence[str], listener: Listener, state: str
) -> AsyncIterator[InConsole]:
    """A daemon that the broker knows.

    On a busy machine one gave no sign for 100 s, which was not understood: a second is started.
    """
    for is_last in (False, True):
        with InConsole(wine, folder, *words) as daemon:
            try:
                await until(lambda: listener.newest(state) == b"ready", 60, "it is not ready")
            except AssertionError:
                if is_last:
                    raise AssertionError(f"not ready: {daemon.lines} {daemon.errors}") from None
                continue
            yield daemon
            return


@needs_mosquitto
@needs_clients
@pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm")
@pytest.mark.needs("qemu-system-mips", "qemu-system-mips")
@pytest.mark.parametrize(
    "letters",
    ["c", *(pytest.param(each, marks=pytest.mark.full) for each in ("x", "b", "l", "ccbc"))],
)
async def test_what_happens_to_a_console_ends_all_of_it_in_order(
    wine: Wine, guest: GuestMachine, tmp_path: Path, letters: str
) -> None:
    broker = Mosquitto(tmp_path)
    broker.start()
    text = LIVE.replace("SCHEMA", SCHEMA.as_posix()).replace("PORT", str(guest.gdb_port))
    (tmp_path / "e.bridge.toml").write_text(text.replace("BROKER", broker.url), "utf-8")
    (tmp_path / "child.py").write_text(CHILD, "utf-8")
    child = [
        windows_path(wine.folder / "python" / "python.exe"),
        windows_path(tmp_path / "child.py"),
    ]
    state = "homie/5/ending/$state"
    try:
        async with Listener(broker.port) as listener:
            words = ("run", "e.bridge.toml", "--quiet", "--", *child)
            async with connected(wine, tmp_path, words, listener, state) as daemon:
                # an attempt begins within 128 frames; its file is left to Wine meanwhile
                frame = guest.read_symbol_u32("frame_ended")
                await asyncio.to_thread(guest.wait_for_frame, frame + 200)
                await until(lambda: is_running(child[-1]), 100, "the child does not run")
                code = await asyncio.to_thread(daemon.happens, letters)
            assert code == 0, daemon.errors
            frame = guest.read_symbol_u32("frame_ended")
            await asyncio.to_thread(guest.wait_for_frame, frame + 10)
            await until(lambda: listener.newest(state) == b"disconnected", 10, "no word to it")
    finally:
        broker.kill()
    assert not is_running(child[-1])
    assert not any("Traceback" in line for line in daemon.errors), daemon.errors
    kept = attempts(tmp_path / "e.bridge.toml")
    assert [outcome for outcome, reason in kept if reason == "lowhalf ended"] == ["cut-off"]
    assert all(outcome != "open" for outcome, _ in kept)


@pytest.mark.full
def test_ctrl_c_in_the_demo(wine: Wine, tmp_path: Path) -> None:
    words = ("demo", "--json", "--listen", "127.0.0.1:0")
    with InConsole(wine, tmp_path, *words) as daemon:
        daemon.until(lambda: len(daemon.lines) > 3, "frames")
        assert daemon.happens("c") == 0
    assert not any("Traceback" in line for line in daemon.errors), daemon.errors


@pytest.mark.full
def test_ctrl_c_in_a_command_that_waits(wine: Wine, tmp_path: Path) -> None:
    """For a stub that takes the connection and says nothing.  128 + SIGINT, as POSIX has it."""
    with socket.create_server(("127.0.0.1", 0)) as stub:
        stub.settimeout(100)
        path = bridge(tmp_path, f'kind = "debugger"\naddress = "127.0.0.1:{stub.getsockname()[1]}"')
        with (
            InConsole(wine, tmp_path, "read", path, "--wait", "300") as command,
            stub.accept()[0],
        ):
            assert command.happens("c") == 130
    assert not any("Traceback" in line for line in command.errors), command.errors


FIRST = "frame 151 · build second-print · file second-print-carry.bin.gz · still"
PLAIN = FIRST.replace("·", "-")
PRINTED = [
    ("", "utf-8", FIRST),
    ("PYTHONIOENCODING=cp437", "cp437", FIRST),
    ("PYTHONIOENCODING=cp1252", "cp1252", FIRST),
    ("PYTHONIOENCODING=ascii", "ascii", PLAIN),
    ("PYTHONIOENCODING=cp932", "cp932", PLAIN),
    ("PYTHONUTF8=1", "utf-8", FIRST),
    ("PYTHONUTF8=0", "utf-8", FIRST),
]


@pytest.mark.parametrize(
    ("into", "said", "encoding", "first"),
    [
        ("pipe", *PRINTED[0]),
        ("file", *PRINTED[3]),
        *(pytest.param("pipe", *each, marks=pytest.mark.full) for each in PRINTED[1:]),
        *(pytest.param("file", *each, marks=pytest.mark.full) for each in PRINTED[:3]),
    ],
)
def test_the_encoding_of_what_is_not_a_console(
    wine: Wine, tmp_path: Path, into: str, said: str, encoding: str, first: str
) -> None:
    python = windows_path(wine.folder / "python" / "python.exe")
    keep = f"{python} -c \"open('out.txt', 'wb').write(__import__('sys').stdin.buffer.read())\""
    setting = f"set {said}&& " if said else ""
    where = "> out.txt" if into == "file" else f"| {keep}"
    (tmp_path / "t.bat").write_text(
        f"@{setting}{python} -m adapters.commands read {windows_path(SAMPLE)} {where}\r\n", "ascii"
    )
    with Program(wine.folder, ["cmd.exe", "/c", "t.bat"], tmp_path) as shell:
        assert shell.join() == 0, shell.errors
    printed = (tmp_path / "out.txt").read_bytes().decode(encoding)
    assert printed.splitlines()[0] == first
    assert "?" not in printed
