"""Many peers that each send a request a letter at a time, in a process of their own.

``python -m tests.adapters.slow_peers PORT COUNT PAUSE`` prints ``ready`` once COUNT have connected,
then goes on until it is ended: each sends a letter a second, and one that was closed comes back
after PAUSE seconds.
"""

from __future__ import annotations

import contextlib
import selectors
import socket
import subprocess
import sys
import time
from collections import deque
from collections.abc import Iterator
from pathlib import Path

REQUEST = b"GET /overlay HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Pier: " + b"a" * 100_000


@contextlib.contextmanager
def slow_peers(port: int, count: int, pause: float) -> Iterator[subprocess.Popen[str]]:
    """The process, once all have connected."""
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.adapters.slow_peers", str(port), str(count), str(pause)],
        cwd=Path(__file__).parents[2],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    try:
        assert process.stdout.readline() == "ready\n"
        yield process
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


class _Peers:
    """``come`` is when those that were closed come back, the soonest first."""

    def __init__(self, port: int, count: int, pause: float) -> None:
        self._port, self._pause = port, pause
        self._events = selectors.DefaultSelector()
        self._sent: dict[socket.socket, int] = {}
        self._come: deque[float] = deque([0.0] * count)

    def connect_due(self) -> None:
        while self._come and self._come[0] <= time.monotonic():
            self._come.popleft()
            peer = socket.create_connection(("127.0.0.1", self._port), timeout=60)
            self._sent[peer] = 0
            self._events.register(peer, selectors.EVENT_READ)
            self._send(peer)
            self.drop_closed(0)

    def send_all(self) -> None:
        for peer in list(self._sent):
            self._send(peer)

    def drop_closed(self, seconds: float) -> None:
        for key, _ in self._events.select(seconds):
            if isinstance(key.fileobj, socket.socket) and key.fileobj in self._sent:
                self._drop(key.fileobj)

    def _send(self, peer: socket.socket) -> None:
        at = self._sent[peer]
        try:
            peer.send(REQUEST[at : at + (1 if at else 60)])
            self._sent[peer] = at + (1 if at else 60)
        except OSError:
            self._drop(peer)

    def _drop(self, peer: socket.socket) -> None:
        del self._sent[peer]
        self._events.unregister(peer)
        peer.close()
        self._come.append(time.monotonic() + self._pause)


def main() -> None:
    import resource

    port, count, pause = int(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3])
    _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(hard, count + 100), hard))
    peers = _Peers(port, count, pause)
    peers.connect_due()
    print("ready", flush=True)
    while True:
        end = time.monotonic() + 1
        while (left := end - time.monotonic()) > 0:
            peers.drop_closed(left)
            peers.connect_due()
        peers.send_all()


if __name__ == "__main__":
    main()
