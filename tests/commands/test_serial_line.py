"""The serial source under the real daemon: the cable is taken away and comes back."""

from __future__ import annotations

import json
import signal
import struct
import threading
import time
from pathlib import Path

import pytest

from adapters.sources.pushed import lhp
from adapters.sources.pushed.lhp_stream import StreamReceiver
from tests.adapters.sources.pty_pair import PtyPair
from tests.commands import files
from tests.commands.command import Running


def console(pair: PtyPair, stop: threading.Event) -> None:
    """A console program: HELLO until it is welcomed, then the wanted bytes of each frame."""
    receiver = StreamReceiver()
    welcome = False
    wanted: tuple[tuple[int, int], ...] = ()
    number = 0
    while not stop.wait(0.01):
        number += 1
        for kind, payload in receiver.receive(pair.console.read(65536)):
            message = lhp.decode(kind, payload)
            if isinstance(message, lhp.Welcome | lhp.Want):
                welcome, wanted = True, message.ranges
        if not welcome:
            if number % 10 == 1:
                pair.console.write(lhp.encode(lhp.Hello(files.BASE, files.SIZE)))
            continue
        ram = files.ram()
        struct.pack_into(">H", ram, files.LANTERN + 0x2E, number)
        changes = tuple(
            (address, bytes(ram[address - files.BASE :][:length]))
            for address, length in wanted or ((files.BASE, 1),)
        )
        pair.console.write(b"step\r\n" + lhp.encode(lhp.FramePart(number, False, changes)))


class Talking:
    """The console's program runs while this lasts."""

    def __init__(self, pair: PtyPair) -> None:
        self._stop = threading.Event()
        self._thread = threading.Thread(target=console, args=(pair, self._stop), daemon=True)
        self._thread.start()

    def end(self) -> None:
        self._stop.set()
        self._thread.join(10)
        assert not self._thread.is_alive()


@pytest.mark.needs("socat", "socat")
def test_frames_over_a_line_that_is_unplugged_and_plugged_in_again(tmp_path: Path) -> None:
    with PtyPair(tmp_path) as pair:
        bridge = files.BRIDGE.replace(
            'kind = "file"\npath = "t.bin"', f'kind = "serial"\nport = "{pair.host}"'
        )
        path = files.write(tmp_path, bridge=bridge)
        with Running("run", str(path), "--json") as daemon:
            for _ in range(2):
                talking = Talking(pair)
                seen = len(daemon.printed)
                end = time.monotonic() + 20
                while sum('"ok"' in line for line in daemon.printed[seen:]) < 20:
                    assert time.monotonic() < end, daemon.logged[-20:]
                    time.sleep(0.02)
                talking.end()
                pair.unplug()
                daemon.wait_for('"offline"', printed=True)
                daemon.wait_for(f"{pair.host} was unplugged (")
                absent = f"{pair.host} is not there: is the cable plugged in?"
                daemon.wait_for(absent, printed=True)
                pair.plug()
            daemon.wait_for("is back")
            assert daemon.stop(signal.SIGTERM) == 0
    frames = [json.loads(line) for line in daemon.printed]
    good = [frame for frame in frames if frame["readings"][0]["status"] == "ok"]
    assert len(good) >= 40
    assert all(frame["readings"][0]["value"] == frame["frame"] for frame in good)
    assert {frame["consistency"] for frame in good} == {"sender"}
