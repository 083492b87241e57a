"""Source ``push``: frames that a script inside an emulator sends over TCP (LHP/1)."""

from __future__ import annotations

import asyncio
import os
import socket
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from adapters.access_token import too_short
from adapters.listen_address import ListenAddress, listen_address
from adapters.printable import printable
from adapters.sources.pushed import lhp
from adapters.sources.pushed.lhp_session import (
    ByeSaid,
    Event,
    FrameDone,
    HelloSaid,
    PingSaid,
    Refused,
    Session,
)
from adapters.sources.pushed.pushed_frames import PushedFrames, image_of
from adapters.sources.sent_at_once import send_at_once
from bridge.memory.address_map import MemoryMap, Span
from bridge.ports.source import Opened
from schemas.errors import SourceLost, SourceUnusable
from schemas.source_settings import PushSource
from schemas.system_words import system_words

__all__ = [
    "HELLO_TIMEOUT",
    "IDLE_TIMEOUT",
    "MAX_STRANGERS",
    "MAX_STRANGERS_OF_A_HOST",
    "MAX_UNSENT",
    "TOKEN_VARIABLE",
    "WRONG_TOKEN_DELAY",
    "PushServer",
]

TOKEN_VARIABLE = "LOWHALF_PUSH_TOKEN"
HELLO_TIMEOUT = 5.0
IDLE_TIMEOUT = 30.0

_READ_SIZE = 1 << 18
MAX_STRANGERS, MAX_STRANGERS_OF_A_HOST = 64, 16
"""Connections that are open at a time without being the producer's, in all and of one address."""
WRONG_TOKEN_DELAY = 1.0
"""Seconds after which a wrong token is answered: whoever tries many holds as many connections."""
MAX_UNSENT = 1 << 16
"""Bytes of answers that wait for a producer that does not read; further ACKs are left out."""
_LINGER = 1.0
"""Seconds for which a refused peer is still read, so that it sees the ERROR and not a reset."""


@dataclass(slots=True)
class _Stranger:
    """A connection that is not the producer's, by now; *refused* where it never will be."""

    host: str
    task: asyncio.Task[None]
    refused: bool = False


class PushServer(PushedFrames):
    """Listens for one producer at a time.

    Each whole frame is acknowledged when it arrives.  The bytes that are read change only in
    :meth:`wait`, which skips to the newest frame.  ``notes`` holds the newest refusals.
    """

    kind: ClassVar[str] = "push"
    opening_words: ClassVar[str] = "waiting for a sender"

    def __init__(
        self,
        settings: PushSource,
        *,
        hello_timeout: float = HELLO_TIMEOUT,
        idle_timeout: float = IDLE_TIMEOUT,
    ) -> None:
        """Timeouts are in seconds."""
        super().__init__()
        self.settings = settings
        self.port = 0
        """The port that is listened on; 0 before the first open."""
        self._hello_timeout = hello_timeout
        self._idle_timeout = idle_timeout
        self._token = b""
        self._server: asyncio.Server | None = None
        self._connections: set[asyncio.Task[None]] = set()
        self._strangers: dict[asyncio.StreamWriter, _Stranger] = {}
        self._expecting = False
        self._producer: asyncio.StreamWriter | None = None

    @property
    def name(self) -> str:
        said = self._hello.name if self._hello else ""
        return f"push {printable(said)}" if said else self.kind

    def want(self, spans: Sequence[Span]) -> None:
        self._wanted = list(spans)
        if self._producer is not None:
            self._answer(self._producer, lhp.Want(lhp.MAX_PAYLOAD, self._wanted_ranges()))

    async def _open(self, guest: MemoryMap) -> Opened:
        self._guest = guest
        if self._producer is None:
            self._forget_producer()
        self._expecting = True
        try:
            if self._server is None:
                await self._listen()
            while self._image is None:
                self._changed.clear()
                await self._changed.wait()
        except BaseException:
            # a caller that stops waiting for a producer must not leave the port taken
            await self._close()
            raise
        finally:
            self._expecting = False
        return self._opened(guest, self._image)

    async def _close(self) -> None:
        server, self._server = self._server, None
        if server is not None:
            server.close()
        connections = list(self._connections)
        for connection in connections:
            connection.cancel()
        # one that was never begun cannot close its own
        for writer in self._strangers:
            writer.transport.abort()
        self._strangers.clear()
        if connections:
            await asyncio.wait(connections)
        if server is not None:
            await server.wait_closed()
        self._producer = None
        self._forget_producer()
        self._lost = "is closed"
        self._changed.set()

    async def _listen(self) -> None:
        where = self._where()
        try:
            self._server = await asyncio.start_server(
                self._connected, where.host, where.port, limit=_READ_SIZE
            )
        except (socket.gaierror, UnicodeError) as fault:
            raise SourceUnusable(
                f"cannot listen on {where}: no such host ({fault})", source=self.name
            ) from fault
        except OSError as fault:
            raise SourceLost(
                f"cannot listen on {where} ({system_words(fault) or fault}): is another program, "
                "or a second lowhalf, on that port?",
                source=self.name,
            ) from fault
        if not self.port:
            self.port = self._server.sockets[0].getsockname()[1]
            self.notes.append(f"listening on {where.host} port {self.port}")

    def _where(self) -> ListenAddress:
        try:
            where = listen_address(self.settings.listen)
        except ValueError as fault:
            raise SourceUnusable(f"listen: {fault}", source=self.name) from fault
        self._token = os.environ.get(TOKEN_VARIABLE, "").encode("utf-8", "surrogateescape")
        if len(self._token) > lhp.MAX_TOKEN:
            raise SourceUnusable(
                f"expected a token of at most {lhp.MAX_TOKEN} bytes in {TOKEN_VARIABLE}, "
                f"found {len(self._token)}",
                source=self.name,
            )
        if not where.is_loopback:
            if not self._token:
                raise SourceUnusable(
                    f"{where} can be reached from other machines: set a token in {TOKEN_VARIABLE}, "
                    "or listen on 127.0.0.1",
                    source=self.name,
                )
            if short := too_short(TOKEN_VARIABLE, self._token.decode("utf-8", "replace")):
                raise SourceUnusable(short, source=self.name)
        # one address, so that there is one port; and the same again after a reopen
        host = "127.0.0.1" if where.host == "localhost" else where.host
        return ListenAddress(host, where.port or self.port)

    def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self._server is None:
            writer.transport.abort()
            return
        send_at_once(writer.transport)
        host = str((writer.get_extra_info("peername") or ("",))[0])
        self._make_room(host)
        task = asyncio.get_running_loop().create_task(self._connection(reader, writer))
        self._strangers[writer] = _Stranger(host, task)
        self._connections.add(task)
        task.add_done_callback(self._connections.discard)

    def _make_room(self, host: str) -> None:
        """Close connections that say nothing of use, so that a producer always finds room.

        First those that were refused, then those that have waited longest; of the same address,
        unless all addresses together are too many.
        """
        same = [writer for writer, each in self._strangers.items() if each.host == host]
        if len(same) >= MAX_STRANGERS_OF_A_HOST:
            closing = same
        elif len(self._strangers) >= MAX_STRANGERS:
            closing = list(self._strangers)
        else:
            return
        oldest = next((each for each in closing if self._strangers[each].refused), closing[0])
        self._strangers.pop(oldest).task.cancel()
        oldest.transport.abort()
        self._note_crowd()

    async def _connection(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        session = Session(token=self._token)
        reason = "the connection was cut"
        try:
            if self._producer is not None:
                self._refuse(writer, session.refuse(lhp.Code.BUSY, "another producer is connected"))
            else:
                reason = await self._talk(session, reader, writer)
            self._leave(writer, reason)
            await self._linger(reader, writer)
        except OSError as fault:
            reason = f"the connection was cut ({system_words(fault) or fault})"
        finally:
            self._strangers.pop(writer, None)
            self._leave(writer, reason)
            writer.transport.abort()

    async def _talk(
        self, session: Session, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> str:
        """Serve a connection until it is over; returns why."""
        reason = "the connection was cut"
        loop = asyncio.get_running_loop()
        hello_by = loop.time() + self._hello_timeout
        while not session.over:
            greeted = session.hello is not None
            try:
                async with asyncio.timeout_at(
                    loop.time() + self._idle_timeout if greeted else hello_by
                ):
                    data = await reader.read(_READ_SIZE)
            except TimeoutError:
                code = lhp.Code.IDLE if greeted else lhp.Code.HELLO_TIMEOUT
                limit = self._idle_timeout if greeted else self._hello_timeout
                text = f"sent nothing for {limit:g} s" if greeted else f"no HELLO in {limit:g} s"
                self._refuse(writer, session.refuse(code, text))
                return text
            if not data:
                return reason
            for event in session.receive(data):
                if isinstance(event, Refused) and event.error.code is lhp.Code.TOKEN:
                    await self._keep_waiting(writer)
                reason = self._take(session, writer, event) or reason
        return reason

    async def _keep_waiting(self, writer: asyncio.StreamWriter) -> None:
        """Let a peer with a wrong token wait for the answer; one with the right token need not."""
        stranger = self._strangers.get(writer)
        if stranger is not None:
            stranger.refused = True
        await asyncio.sleep(WRONG_TOKEN_DELAY)

    def _take(self, session: Session, writer: asyncio.StreamWriter, event: Event) -> str:
        """Deal with one event; returns why the session ends where it does."""
        match event:
            case HelloSaid(hello):
                return self._greet(session, writer, hello)
            case FrameDone(frame, changes):
                self._applied(frame, changes)
                self._answer(writer, lhp.Ack(frame))
            case PingSaid(data):
                self._answer(writer, lhp.Pong(data))
            case ByeSaid():
                return "the producer said BYE"
            case Refused(error):
                self._refuse(writer, event)
                if error.fatal:
                    return f"the producer was refused: {error.text}"
        return ""

    def _greet(self, session: Session, writer: asyncio.StreamWriter, hello: lhp.Hello) -> str:
        layout = self._guest
        if self._producer is not None or not self._expecting or layout is None:
            text = "another producer is connected" if self._producer else "not ready, try again"
            self._refuse(writer, session.refuse(lhp.Code.BUSY, text))
            return text
        try:
            image = image_of(layout, hello)
        except lhp.LhpError as fault:
            self._refuse(writer, session.refuse(fault.code, fault.text))
            return fault.text
        session.accept()
        self._strangers.pop(writer, None)
        self._producer = writer
        self._expecting = False
        self._greeted(hello, image)
        self._answer(writer, self._welcome())
        return ""

    def _note_crowd(self) -> None:
        self.note_recurring(
            "crowd", "more connections than a producer needs: the oldest are closed"
        )

    def _refuse(self, writer: asyncio.StreamWriter, refused: Refused) -> None:
        error = refused.error
        if stranger := self._strangers.get(writer):
            stranger.refused = True
        said = f"refused a producer: {error.text} (code {error.code:d})"
        self.note_recurring(f"refused {error.code:d}", said)
        self._answer(writer, error)

    def _answer(self, writer: asyncio.StreamWriter, message: lhp.Message) -> None:
        # never drained: a script that does not read must not stop being read
        if writer.transport.get_write_buffer_size() < MAX_UNSENT:
            writer.write(lhp.encode(message))

    def _leave(self, writer: asyncio.StreamWriter, reason: str) -> None:
        if self._producer is writer:
            self._producer = None
            self._lost = reason
            self._changed.set()

    async def _linger(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            async with asyncio.timeout(_LINGER):
                if writer.can_write_eof():
                    writer.write_eof()
                while await reader.read(_READ_SIZE):
                    pass
        except TimeoutError:
            pass
