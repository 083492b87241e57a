"""What stands between a client kit and the daemon, or in the daemon's place."""

from __future__ import annotations

import contextlib
import select
import socket
import threading
from collections.abc import Sequence
from types import TracebackType

from adapters.sources.pushed import lhp
from adapters.sources.pushed.lhp_session import ByeSaid, FrameDone, HelloSaid, Session
from adapters.sources.pushed.lhp_stream import StreamReceiver

Ranges = tuple[tuple[int, int], ...]


class Listener:
    """Serves one connection in a thread, at ``port`` on loopback."""

    def __init__(self) -> None:
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listening.getsockname()[1]
        self.failure: BaseException | None = None
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Listener:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._thread.join(15)
        alive = self._thread.is_alive()
        self._listening.close()
        if fault is None:
            assert not alive
            if self.failure is not None:
                raise self.failure

    def _run(self) -> None:
        self._listening.settimeout(15)
        try:
            connection, _ = self._listening.accept()
            with connection:
                connection.settimeout(15)
                self.serve(connection)
        except BaseException as failure:
            self.failure = failure

    def serve(self, connection: socket.socket) -> None:
        raise NotImplementedError


class Tap(Listener):
    """Passes everything on to the daemon, and keeps what was said, in order."""

    def __init__(self, port: int) -> None:
        super().__init__()
        self._daemon = port
        self.said: list[lhp.Message] = []

    def serve(self, connection: socket.socket) -> None:
        with socket.create_connection(("127.0.0.1", self._daemon), timeout=15) as daemon:
            receivers = {connection: StreamReceiver(), daemon: StreamReceiver()}
            others = {connection: daemon, daemon: connection}
            while True:
                ready, _, _ = select.select(list(receivers), [], [], 15)
                assert ready
                for side in ready:
                    data = side.recv(1 << 16)
                    if not data:
                        return
                    self.said += [lhp.decode(*pair) for pair in receivers[side].receive(data)]
                    with contextlib.suppress(OSError):
                        others[side].sendall(data)

    def wants(self) -> list[Ranges]:
        """What the daemon asked for, one after the other."""
        return [m.ranges for m in self.said if isinstance(m, lhp.Welcome | lhp.Want)]

    def check_only_wanted_bytes(self, base: int) -> int:
        """Each frame holds exactly what was wanted then; gives how many frames there were.

        A client may have sent a frame while the next WANT was on its way to it.
        """
        answers = self.wants()
        asked, followed, frames = 0, 0, 0
        for message in self.said:
            if isinstance(message, lhp.Welcome | lhp.Want):
                asked += 1
            elif isinstance(message, lhp.FramePart):
                frames += 1
                sent = tuple((address, len(data)) for address, data in message.changes)
                while sent != (answers[followed] or ((base, 1),)):
                    followed += 1
                    assert followed < asked, (sent, answers[:asked])
            else:
                assert isinstance(message, lhp.Hello | lhp.Bye | lhp.Ack), message
        assert followed == len(answers) - 1
        return frames


class Peer(Listener):
    """Plays the daemon: WELCOME with these limits, then whole frames are gathered."""

    def __init__(self, longest: int, ranges: Sequence[tuple[int, int]]) -> None:
        super().__init__()
        self.welcome = lhp.Welcome(longest, tuple(ranges))
        self.hello: lhp.Hello | None = None
        self.frames: list[FrameDone] = []
        self.parts = 0
        self.bye = False
        self.refuse_after: int | None = None

    def serve(self, connection: socket.socket) -> None:
        session = Session(max_payload=self.welcome.max_length)
        while not self.bye:
            data = connection.recv(1 << 16)
            if not data:
                return
            for event in session.receive(data):
                match event:
                    case HelloSaid(hello):
                        self.hello = hello
                        session.accept()
                        reply = lhp.encode(self.welcome)
                        # in pieces, as a network may give it
                        for at in range(0, len(reply), 1000):
                            connection.sendall(reply[at : at + 1000])
                    case FrameDone():
                        self.frames.append(event)
                        connection.sendall(lhp.encode(lhp.Ack(event.frame)))
                        if len(self.frames) == self.refuse_after:
                            fatal = lhp.ErrorMessage(lhp.Code.IDLE, True, "tide is out")
                            connection.sendall(lhp.encode(fatal))
                            connection.shutdown(socket.SHUT_WR)
                    case ByeSaid():
                        self.bye = True
                    case _:
                        raise AssertionError(event)
