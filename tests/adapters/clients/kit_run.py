"""Runs a kit's driver against the real daemon, and against a peer that the test plays."""

from __future__ import annotations

import json
import signal
import struct
import subprocess
import time
import urllib.request
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from adapters.sources.pushed import lhp
from bridge.memory.byte_order import ByteOrder, reorder
from tests.adapters.clients.wire import Peer, Tap
from tests.commands import files
from tests.commands.command import Running
from tests.systems import WINDOWS

KITS = Path(__file__).parent.parent.parent.parent / "adapters" / "clients"
DRIVERS = Path(__file__).parent
SECOND = 0x3000
FRAMES = 110
"""The courier takes the second lantern up in the middle: then another line is wanted."""
ORDERS = {0: ByteOrder.BIG, 2: ByteOrder.SWAP32}
BRIDGE = (
    files.BRIDGE.replace('kind = "file"\npath = "t.bin"', 'kind = "push"\nlisten = "127.0.0.1:0"')
    + '[outputs.overlay]\nlisten = "127.0.0.1:0"\n'
)


def guest() -> bytearray:
    """RAM with a second lantern at SECOND."""
    ram = files.ram()
    struct.pack_into(">H", ram, SECOND, 2)
    struct.pack_into(">I", ram, SECOND + 0x2C, 0x3F9D0000)
    return ram


def frame_of(url: str) -> dict[str, Any]:
    with urllib.request.urlopen(f"{url}frame.json", timeout=5) as answer:
        frame: dict[str, Any] = json.load(answer)
        return frame


def run_against_the_daemon(driver: Sequence[str], folder: Path, order: int) -> None:
    """Values are right in every frame that is looked at, and only wanted bytes are sent."""
    path = files.write(folder, bridge=BRIDGE)
    (folder / "ram").write_bytes(reorder(bytes(guest()), ORDERS[order]))
    with Running("run", str(path), "--quiet") as daemon:
        port = int(daemon.wait_for("listening on 127.0.0.1 port").rsplit(" ", 1)[1])
        url = daemon.url()
        seen: dict[int, int] = {}
        with Tap(port) as tap:
            assert isinstance(tap, Tap)
            command = [*driver, str(KITS), str(tap.port), str(folder / "ram")]
            with subprocess.Popen(
                [*command, str(order), str(FRAMES)], stdout=subprocess.PIPE, text=True
            ) as process:
                end = time.monotonic() + 30
                while process.poll() is None:
                    assert time.monotonic() < end
                    frame = frame_of(url)
                    low_x, kind = frame["readings"]
                    if low_x["status"] == "ok":
                        assert low_x["value"] == frame["frame"]
                        assert kind["text"] == "lantern"
                        assert frame["build"] == "first-print"
                        seen[frame["frame"]] = low_x["address"]
                    time.sleep(0.005)
                assert process.stdout is not None
                assert (process.returncode, process.stdout.read()) == (0, "")
        assert len(seen) > 5
        assert {address for number, address in seen.items() if number < 150} == {
            files.BASE + files.LANTERN + 0x2E
        }
        assert {address for number, address in seen.items() if number > 150} == {
            files.BASE + SECOND + 0x2E
        }
        assert tap.check_only_wanted_bytes(files.BASE) == FRAMES
        # what tells the build, the courier's pointer, what it points at; and nothing else
        lines = {0x400, files.COURIER + 0x100, SECOND}
        assert {a - files.BASE for a, n in tap.wants()[-1] for a in range(a, a + n, 0x100)} == lines
        daemon.wait_for("test pier: the producer said BYE")
        # on Windows that ends a program outright (Python's documentation of Popen.send_signal)
        assert daemon.stop(signal.SIGTERM) == (1 if WINDOWS else 0)


def run_to(peer: Peer, driver: Sequence[str], folder: Path, frames: int) -> tuple[int, str]:
    """The driver's exit code and what it printed."""
    (folder / "ram").write_bytes(guest())
    done = subprocess.run(
        [*driver, str(KITS), str(peer.port), str(folder / "ram"), "0", str(frames)],
        stdout=subprocess.PIPE,
        text=True,
        timeout=30,
    )
    return done.returncode, done.stdout


def run_with_small_messages(driver: Sequence[str], folder: Path) -> None:
    """Frames that do not fit a message are cut into parts, whole ranges or not."""
    ranges = [(0x100, 256), (0x1000, 1000), (0x3000, 1), (0x2F00, 256), (0x3F00, 256)]
    with Peer(300, [(files.BASE + at, length) for at, length in ranges]) as peer:
        assert isinstance(peer, Peer)
        assert run_to(peer, driver, folder, 3) == (0, "")
    assert peer.hello == lhp.Hello(files.BASE, files.SIZE, name="test pier")
    assert peer.bye
    assert [frame.frame for frame in peer.frames] == [100, 101, 102]
    memory = guest()
    for frame in peer.frames:
        struct.pack_into(">H", memory, files.LANTERN + 0x2E, frame.frame)
        struct.pack_into(">H", memory, SECOND + 0x2E, frame.frame)
        sent: list[int] = []
        for address, data in frame.changes:
            at = address - files.BASE
            assert data == memory[at : at + len(data)]
            sent += range(at, at + len(data))
        assert sent == [byte for at, length in ranges for byte in range(at, at + length)]


def run_with_most_ranges(driver: Sequence[str], folder: Path) -> None:
    """As many ranges as a WANT may hold."""
    ranges = [(files.BASE + at * 4, 1 + at % 4) for at in range(lhp.MAX_RANGES)]
    with Peer(lhp.MAX_PAYLOAD, ranges) as peer:
        assert isinstance(peer, Peer)
        assert run_to(peer, driver, folder, 2) == (0, "")
    assert [frame.frame for frame in peer.frames] == [100, 101]
    for frame in peer.frames:
        assert [(address, len(data)) for address, data in frame.changes] == ranges


def run_until_refused(driver: Sequence[str], folder: Path, words: str) -> None:
    """A fatal ERROR ends the session, with its reason."""
    with Peer(lhp.MAX_PAYLOAD, [(files.BASE, 4)]) as peer:
        assert isinstance(peer, Peer)
        peer.refuse_after = 2
        code, printed = run_to(peer, driver, folder, 500)
    assert code == 1
    assert printed.startswith("lost: ")
    assert words in printed
    assert 2 <= len(peer.frames) < 500


def run_with_nobody_there(driver: Sequence[str], folder: Path) -> None:
    """Where nothing listens the kit says so."""
    peer = Peer(lhp.MAX_PAYLOAD, [])
    peer._listening.close()
    code, printed = run_to(peer, driver, folder, 1)
    assert code == 1
    assert printed.startswith("lost: ")
