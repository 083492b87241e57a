"""Commands that read once, over ``push`` and ``serial``: nothing is told before it has come.

The sender is the Python kit itself, with a guest's whole RAM; it holds lines back for some frames,
or for ever.  What the commands must say is what they say of the same RAM as a dump.
"""

from __future__ import annotations

import gzip
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import serial

from adapters.clients import lhp_client
from adapters.sources.pushed import lhp
from adapters.sources.pushed.lhp_stream import StreamReceiver
from tests.adapters.clients import kit_run
from tests.adapters.clients.test_c import built
from tests.adapters.sources.pty_pair import PtyPair
from tests.commands import files
from tests.commands.command import Running, lowhalf

SAMPLES = Path(__file__).parents[2] / "sample_dumps"
MIST = SAMPLES / "first-print-stale-mist.bridge.toml"
BASE = 0x8000_0000
HEAP = (0x8020_0000, 0x8021_0000)
LATE = 6
"""Frames for which a line that is wanted is held back."""


class LateClient(lhp_client.Client):
    """Sends what has been wanted for *late* frames, and never what lies in *kept*."""

    late = LATE
    kept = (0, 0)
    since: dict[int, int]
    count = 0

    def _pieces(self) -> Iterator[tuple[int, int]]:
        self.count += 1
        for address, length in super()._pieces():
            for at in range(address, address + length, 256):
                waited = self.count - self.since.setdefault(at, self.count)
                if waited >= self.late and not self.kept[0] <= at < self.kept[1]:
                    yield at, min(256, address + length - at)


class Sender:
    """The game and its script, in a thread; it connects as soon as somebody listens."""

    def __init__(
        self,
        ram: bytes,
        *,
        late: int = LATE,
        kept: tuple[int, int] = (0, 0),
        frames: int = 1 << 31,
    ) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.ram, self.late, self.kept, self.frames = ram, late, kept, frames
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Sender:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(20)
        assert not self._thread.is_alive()

    def _read(self, address: int, length: int) -> bytes:
        return self.ram[address - BASE :][:length]

    def _run(self) -> None:
        while not self._stop.wait(0.02):
            try:
                connection = socket.create_connection(("127.0.0.1", self.port), timeout=5)
            except OSError:
                continue
            with connection:
                try:
                    client = LateClient(connection, BASE, len(self.ram), name="pier")
                    client.late, client.kept, client.since = self.late, self.kept, {}
                    number = 1
                    while not self._stop.wait(0.01):
                        number += client.frame(number, self._read)
                        if number > self.frames:
                            client.close()
                            return
                except OSError:
                    continue


def pushed(folder: Path, bridge: Path, port: int) -> str:
    """The bridge file with the sender as its source."""
    text = bridge.read_text("utf-8")
    source = text[text.index("[source]") : text.index("[", text.index("[source]") + 1)]
    text = text.replace(source, f'[source]\nkind = "push"\nlisten = "127.0.0.1:{port}"\n\n')
    schema = SAMPLES.parent / "schemas" / "games" / "tidewright.schema.toml"
    text = text.replace("../schemas/games/tidewright.schema.toml", schema.as_posix())
    path = folder / "pier.bridge.toml"
    path.write_text(text, "utf-8")
    return str(path)


def mist() -> bytes:
    return gzip.decompress((SAMPLES / "first-print-stale-mist.bin.gz").read_bytes())


def after_title(text: str) -> list[str]:
    return [line for line in text.splitlines() if not line.startswith("frame ")]


COMMANDS = {
    "read": ["read", "BRIDGE"],
    "explain": ["explain", "BRIDGE", "puff_low"],
    "where": ["where", "BRIDGE", "0x802003FE"],
    "heap": ["heap", "BRIDGE"],
    "layout compare": ["layout", "compare", "BRIDGE", "LAYOUT", "--all"],
    "solve write": ["solve", "write", "BRIDGE", "courier.held.position.x", "--want", "0x2B6D"],
}


@pytest.fixture(scope="module")
def layout(tmp_path_factory: pytest.TempPathFactory) -> str:
    path = tmp_path_factory.mktemp("layout") / "mist.layout.toml"
    done = lowhalf("layout", "save", str(MIST), str(path))
    assert done.returncode == 0, done.stderr
    return str(path)


def words_of(command: str, bridge: str, layout: str) -> list[str]:
    return [{"BRIDGE": bridge, "LAYOUT": layout}.get(w, w) for w in COMMANDS[command]]


@pytest.mark.parametrize("command", COMMANDS)
def test_lines_that_come_late_are_waited_for(tmp_path: Path, command: str, layout: str) -> None:
    of_dump = lowhalf(*words_of(command, str(MIST), layout))
    with Sender(mist()) as sender:
        bridge = pushed(tmp_path, MIST, sender.port)
        of_push = lowhalf(*words_of(command, bridge, layout), "--wait", "50")
    assert after_title(of_push.stdout) == after_title(of_dump.stdout)
    assert of_push.returncode == of_dump.returncode == 0, of_push.stderr
    # all that is said besides is where it listened
    assert of_push.stderr == f"lowhalf: push pier: listening on 127.0.0.1 port {sender.port}\n"


def test_a_layout_is_saved_once_all_of_the_heap_is_there(tmp_path: Path, layout: str) -> None:
    with Sender(mist()) as sender:
        bridge = pushed(tmp_path, MIST, sender.port)
        done = lowhalf("layout", "save", bridge, str(tmp_path / "new.toml"), "--wait", "50")
    assert done.returncode == 0, done.stderr
    kept = (tmp_path / "new.toml").read_text("utf-8").splitlines()
    assert [line for line in kept if not line.startswith("saved_from")] == [
        line
        for line in Path(layout).read_text("utf-8").splitlines()
        if not line.startswith("saved_from")
    ]


@pytest.mark.parametrize("command", COMMANDS)
def test_lines_that_never_come_are_told_of(tmp_path: Path, command: str, layout: str) -> None:
    with Sender(mist(), late=0, kept=HEAP) as sender:
        bridge = pushed(tmp_path, MIST, sender.port)
        done = lowhalf(*words_of(command, bridge, layout), "--wait", "2")
    assert done.returncode == 1, done.stdout
    told = "lowhalf: push pier: not all has come within 2 s: "
    (line,) = [line for line in done.stderr.splitlines() if line.startswith(told)]
    assert "has not been sent yet" in line
    assert "0x802" in line


def test_a_sender_that_leaves_before_all_has_come(tmp_path: Path) -> None:
    with Sender(mist(), late=0, kept=HEAP, frames=60) as sender:
        bridge = pushed(tmp_path, MIST, sender.port)
        done = lowhalf("read", bridge, "--watch", "held_x_low", "--wait", "100")
    assert done.returncode == 1
    left = "lowhalf: push pier: the producer said BYE; not all had come: "
    assert done.stderr.splitlines()[0].startswith(left)
    assert "0x802003FE has not been sent yet" in done.stderr


def test_where_tells_what_it_knows_and_which_block_did_not_come(tmp_path: Path) -> None:
    with Sender(mist(), late=0, kept=HEAP) as sender:
        bridge = pushed(tmp_path, MIST, sender.port)
        done = lowhalf("where", bridge, "0x802003FE", "--wait", "2")
    assert done.returncode == 1
    assert "low half of courier.held.position.x" in done.stdout
    assert "block" not in done.stdout
    assert "block: 0x80200000 has not been sent yet" in done.stderr


def test_no_layout_is_saved_of_a_heap_that_has_not_come(tmp_path: Path) -> None:
    path = tmp_path / "new.toml"
    with Sender(mist(), late=0, kept=HEAP) as sender:
        bridge = pushed(tmp_path, MIST, sender.port)
        done = lowhalf("layout", "save", bridge, str(path), "--damaged", "--wait", "2")
    assert done.returncode == 2
    assert done.stderr.splitlines()[-1] == (
        f"lowhalf: {path}: not saved: not all of the heap has come"
    )
    assert not path.exists()


def test_what_spans_frames_is_not_waited_for(tmp_path: Path) -> None:
    """It has no value in the first frame, of any source: that is no lack of the sender's."""
    with Sender(mist(), late=0) as sender:
        bridge = pushed(tmp_path, MIST, sender.port)
        began = time.monotonic()
        never = "latest(script_frame, script_frame < 0)"
        done = lowhalf("read", bridge, "--watch", never, "--wait", "300")
        assert time.monotonic() - began < 150
    assert done.returncode == 1
    assert "waiting" in done.stdout


def driver_of(kit: str, folder: Path) -> list[str]:
    if kit == "python":
        return [sys.executable, str(kit_run.DRIVERS / "driver.py")]
    if kit == "lua":
        return ["lua5.4", str(kit_run.DRIVERS / "driver.lua")]
    return [str(built(kit_run.DRIVERS / "driver.c", folder))]


@pytest.mark.parametrize(
    "kit",
    [
        "python",
        pytest.param("lua", marks=pytest.mark.needs("lua5.4", "lua5.4")),
        pytest.param(
            "c",
            marks=[
                pytest.mark.needs("gcc", "gcc"),
                pytest.mark.needs("libc6-dev", "/usr/include/stdio.h"),
            ],
        ),
    ],
)
def test_each_kit_answers_a_single_read(tmp_path: Path, kit: str) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    bridge = files.BRIDGE.replace(
        'kind = "file"\npath = "t.bin"', f'kind = "push"\nlisten = "127.0.0.1:{port}"'
    )
    path = files.write(tmp_path, bridge=bridge)
    (tmp_path / "ram").write_bytes(kit_run.guest())
    driver = [*driver_of(kit, tmp_path), str(kit_run.KITS), str(port), str(tmp_path / "ram")]
    with Running("read", str(path), "--wait", "50") as reading:
        while reading.process.poll() is None:
            # it ends at once where nobody listens yet, and when lowhalf has what it wants
            subprocess.run([*driver, "0", "100"], stdout=subprocess.DEVNULL, timeout=60)
            time.sleep(0.05)
    assert reading.process.returncode == 0, reading.logged
    title, low, kind = reading.printed
    number = int(title.split()[1])
    assert number >= 100
    assert low.split()[:3] == ["Written", "half", f"0x{number:04X}"]
    assert kind.split() == ["kind", "lantern", "0x80002000"]


@contextmanager
def console(pair: PtyPair, *, kept: tuple[int, int] = (0, 0)) -> Iterator[None]:
    """A console's program: HELLO until it is welcomed, then what is wanted, six frames later."""
    stop = threading.Event()

    def talk() -> None:
        receiver = StreamReceiver()
        welcome, number = False, 0
        since: dict[tuple[int, int], int] = {}
        ram = bytes(files.ram())
        while not stop.wait(0.01):
            number += 1
            for kind, payload in receiver.receive(pair.console.read(65536)):
                message = lhp.decode(kind, payload)
                if isinstance(message, lhp.Welcome | lhp.Want):
                    welcome = True
                    since = {r: since.get(r, number) for r in message.ranges}
            if not welcome:
                if number % 10 == 1:
                    pair.console.write(lhp.encode(lhp.Hello(files.BASE, files.SIZE)))
                continue
            ready = [
                (address, length)
                for (address, length), first in since.items()
                if number - first >= LATE and not kept[0] <= address < kept[1]
            ]
            changes = tuple(
                (address, ram[address - files.BASE :][:length])
                for address, length in ready or [(files.BASE, 1)]
            )
            try:
                pair.console.write(lhp.encode(lhp.FramePart(number, False, changes)))
            except serial.SerialException:
                return  # nobody reads any more: the command has ended

    thread = threading.Thread(target=talk, daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(20)
        assert not thread.is_alive()


def over_serial(folder: Path, pair: PtyPair) -> str:
    bridge = files.BRIDGE.replace(
        'kind = "file"\npath = "t.bin"', f'kind = "serial"\nport = "{pair.host}"'
    )
    return str(files.write(folder, bridge=bridge))


@pytest.mark.needs("socat", "socat")
def test_a_console_whose_lines_come_late(tmp_path: Path) -> None:
    with PtyPair(tmp_path) as pair, console(pair):
        done = lowhalf("read", over_serial(tmp_path, pair), "--wait", "50")
    assert done.returncode == 0, done.stderr
    assert [line.split()[-1] for line in done.stdout.splitlines()[1:]] == [
        "0x8000202E",
        "0x80002000",
    ]


@pytest.mark.needs("socat", "socat")
def test_a_console_that_never_sends_a_line(tmp_path: Path) -> None:
    kept = (files.BASE + files.LANTERN, files.BASE + files.LANTERN + 256)
    with PtyPair(tmp_path) as pair, console(pair, kept=kept):
        done = lowhalf("read", over_serial(tmp_path, pair), "--wait", "2")
    assert done.returncode == 1
    assert done.stderr.splitlines()[0] == (
        f"lowhalf: serial {pair.host}: not all has come within 2 s: "
        "courier.held.position.x: 0x8000202E has not been sent yet; "
        "courier.held.kind: 0x80002000 has not been sent yet"
    )
