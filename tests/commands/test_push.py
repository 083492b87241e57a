"""The push source under the real daemon: a producer that sends only what it is asked for."""

from __future__ import annotations

import json
import signal
import socket
import time
import urllib.request
from pathlib import Path
from typing import Any

import pytest

from adapters.sources.pushed import lhp
from adapters.sources.pushed.lhp_stream import StreamReceiver
from tests.commands import files
from tests.commands.command import Running

BRIDGE = (
    files.BRIDGE.replace('kind = "file"\npath = "t.bin"', 'kind = "push"\nlisten = "127.0.0.1:0"')
    + '[outputs.overlay]\nlisten = "127.0.0.1:0"\n'
)


class Producer:
    """What a script in an emulator does: say hello, then send the wanted ranges each frame."""

    def __init__(self, port: int, ram: bytes) -> None:
        self._ram = ram
        self._socket = socket.create_connection(("127.0.0.1", port), timeout=5)
        self._receiver = StreamReceiver()
        self.wanted: tuple[tuple[int, int], ...] = ()
        self.sent = 0
        hello = lhp.Hello(files.BASE, len(ram), name="test pier")
        try:
            self._socket.sendall(lhp.encode(hello))
            self._listen_until(lhp.Welcome)
        except BaseException:
            self._socket.close()
            raise

    def _listen_until(self, kind: type) -> None:
        while True:
            data = self._socket.recv(4096)
            if not data:
                raise ConnectionError("the daemon closed the connection")
            for number, payload in self._receiver.receive(data):
                message = lhp.decode(number, payload)
                if isinstance(message, lhp.Want | lhp.Welcome):
                    self.wanted = message.ranges
                assert not isinstance(message, lhp.ErrorMessage), message
                if isinstance(message, kind):
                    return

    def frame(self, number: int) -> None:
        changes = tuple(
            (address, bytes(self._ram[address - files.BASE :][:length]))
            for address, length in self.wanted
        )
        self.sent += sum(len(data) for _, data in changes)
        empty = ((files.BASE, bytes(self._ram[:4])),)
        self._socket.sendall(lhp.encode(lhp.FramePart(number, False, changes or empty)))
        self._listen_until(lhp.Ack)

    def close(self) -> None:
        self._socket.close()


@pytest.mark.posix("a signal ends the daemon")
def test_a_producer_sends_what_is_wanted_leaves_and_comes_back(tmp_path: Path) -> None:
    path = files.write(tmp_path, bridge=BRIDGE)
    ram = bytes(files.ram())
    with Running("run", str(path), "--quiet") as daemon:
        port = int(daemon.wait_for("listening on 127.0.0.1 port").rsplit(" ", 1)[1])
        url = daemon.url()
        producer = Producer(port, ram)
        for number in range(100, 130):
            producer.frame(number)
            time.sleep(0.01)
        frame = newest(url)
        assert frame["consistency"] == "sender"
        assert frame["build"] == "first-print"
        assert 100 < frame["frame"] <= 129
        assert [reading["text"] for reading in frame["readings"]] == ["0xF3B6", "lantern"]
        # three lines are wanted: what tells the build, the courier's pointer, what it points at
        assert sum(length for _, length in producer.wanted) == 3 * 256
        producer.close()
        daemon.wait_for("test pier: ")
        end = time.monotonic() + 10
        while newest(url)["readings"][0]["status"] != "offline":
            assert time.monotonic() < end
            time.sleep(0.05)
        again = connect(port, ram)
        for number in range(5):
            again.frame(number)
            time.sleep(0.02)
        assert newest(url)["readings"][0]["status"] == "ok"
        again.close()
        assert daemon.stop(signal.SIGTERM) == 0


def test_a_producer_may_send_just_the_bytes_that_it_likes(tmp_path: Path) -> None:
    path = files.write(tmp_path, bridge=BRIDGE)
    ram = bytes(files.ram())
    with Running("run", str(path), "--quiet") as daemon:
        port = int(daemon.wait_for("listening on 127.0.0.1 port").rsplit(" ", 1)[1])
        url = daemon.url()
        producer = Producer(port, ram)
        places = [(0x400, 8), (files.COURIER + 0x13C, 4), (files.LANTERN + 0x2E, 2)]
        for number in range(1, 6):
            producer.wanted = tuple((files.BASE + at, length) for at, length in places)
            producer.frame(number)
            time.sleep(0.05)
        half, kind = newest(url)["readings"]
        assert (half["status"], half["text"]) == ("ok", "0xF3B6")
        assert (kind["status"], kind["value"]) == ("waiting", None)
        assert kind["reason"] == "courier.held.kind: 0x80002000 has not been sent yet"
        producer.close()


def connect(port: int, ram: bytes) -> Producer:
    """A producer that tries again, as scripts do, until the daemon listens."""
    end = time.monotonic() + 10
    while True:
        try:
            return Producer(port, ram)
        except (OSError, AssertionError):
            if time.monotonic() > end:
                raise
            time.sleep(0.1)


def newest(url: str) -> dict[str, Any]:
    with urllib.request.urlopen(f"{url}frame.json", timeout=5) as answer:
        frame: dict[str, Any] = json.load(answer)
        return frame
