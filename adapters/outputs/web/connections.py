"""Which connections the pages' server keeps: as many as there is room for (``room``).

Where there is no more, the one that has waited longest makes way for a new one, so that a page is
served at once however many others wait.  A WebSocket that is live never makes way, and what is
being answered only after SLOW seconds.

Connections are accepted here and not by ``loop.create_server``: that writes a traceback for each
one for which there is no descriptor, and knows no limit.
"""

from __future__ import annotations

import asyncio
import errno
import socket
from collections import Counter, deque
from collections.abc import Callable, Sequence

from aiohttp import web
from aiohttp.typedefs import Handler, Middleware

from adapters.outputs.web.connection import Connection, Stage
from adapters.outputs.web.faults import WebFaults
from adapters.outputs.web.room import Room

__all__ = ["BACKLOG", "BATCH", "JUST_CAME", "PAUSE", "SLOW", "Connections"]

SLOW = 5.0
"""Seconds after which what is being answered may make way, where nobody waits for so long."""
JUST_CAME = 1.0
"""Seconds for which nobody counts as waiting long."""
BACKLOG = 4096
"""Connections that the system keeps until they are accepted; it may allow fewer."""
BATCH = 16
"""Connections that are accepted, or ended, before frames and pages have their turn."""
PAUSE = 0.1
"""Seconds until the next try where the system has nothing to accept a connection with."""

_EXHAUSTED = {errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM}


class Connections:
    """Keeps to *room*, and tells *faults* of who does not fit."""

    def __init__(self, room: Room, faults: WebFaults) -> None:
        self._room = room
        self._faults = faults
        # in the order in which they came into their stage
        self._waiting: dict[Connection, None] = {}
        self._answering: dict[Connection, None] = {}
        self._live: set[Connection] = set()
        self._late: deque[Connection] = deque()
        self._from: Counter[str] = Counter()

    def __len__(self) -> int:
        return len(self._waiting) + len(self._answering) + len(self._live)

    @property
    def middleware(self) -> Middleware:
        """To be the outermost."""

        @web.middleware
        async def told(request: web.Request, handler: Handler) -> web.StreamResponse:
            connection = _connection(request)
            if connection is None:
                return await handler(request)
            connection.answering()
            try:
                return await handler(request)
            finally:
                connection.answered()

        return told

    async def prepared(self, request: web.Request, response: web.StreamResponse) -> None:
        """For the signal ``on_response_prepare``."""
        connection = _connection(request)
        if connection is not None and isinstance(response, web.WebSocketResponse):
            connection.live()

    async def accept(self, listener: socket.socket, serve: Callable[[], asyncio.Protocol]) -> None:
        """Accept until cancelled; *serve* makes the web library's side of a connection."""
        listener.setblocking(False)
        listener.listen(BACKLOG)
        while True:
            try:
                arrived = await self._arrived(listener)
            except OSError as fault:
                if fault.errno in _EXHAUSTED:
                    self._no_descriptor()
                    await asyncio.sleep(PAUSE)
                # else: the peer went while it was accepted
                continue
            await self._connect([taken for taken in arrived if self._may_take(taken)], serve)
            await asyncio.sleep(0)

    def close(self) -> None:
        """Cut off all that are left."""
        for connection in [*self._waiting, *self._answering, *self._live]:
            connection.end()

    async def _arrived(self, listener: socket.socket) -> list[socket.socket]:
        """The next connections, at least one.  Raises OSError."""
        arrived: list[socket.socket] = []
        while not arrived:
            await _readable(listener)
            try:
                while len(arrived) < BATCH:
                    taken, _ = listener.accept()
                    taken.setblocking(False)
                    arrived.append(taken)
            except BlockingIOError:
                continue
            except OSError:
                if not arrived:  # else the next try says it again
                    raise
        return arrived

    def _may_take(self, taken: socket.socket) -> bool:
        if taken.fileno() < self._room.ceiling:
            return True
        taken.close()
        self._no_descriptor()
        return False

    def _no_descriptor(self) -> None:
        self._faults.came(
            "descriptors",
            "a connection was refused, since few descriptors are left, which the source needs; "
            "allow more with ulimit -n",
        )
        self._make_way()

    async def _connect(
        self, arrived: Sequence[socket.socket], serve: Callable[[], asyncio.Protocol]
    ) -> None:
        """Hand them to the event loop, all of them also where this is cancelled meanwhile."""
        handing = [asyncio.ensure_future(self._hand_over(taken, serve)) for taken in arrived]
        if handing:
            try:
                await asyncio.wait(handing)
            finally:
                await asyncio.wait(handing)
            for handed in handing:
                handed.result()

    async def _hand_over(self, taken: socket.socket, serve: Callable[[], asyncio.Protocol]) -> None:
        try:
            await asyncio.get_running_loop().connect_accepted_socket(
                lambda: Connection(self, serve()), taken
            )
        except OSError:  # the peer went
            taken.close()

    # What connections tell

    def joined(self, connection: Connection) -> None:
        """A new one, which waits; another makes way for it where there is no room."""
        self._waiting[connection] = None
        address = connection.address
        if address:
            self._from[address] += 1
            if self._from[address] > self._room.most_each:
                self._faults.came(
                    "each",
                    f"{address} has over {self._room.most_each} connections open: "
                    "the one that has waited longest is closed for each new one",
                )
                self._make_way(address)
        if len(self) > self._room.most:
            self._faults.came(
                "full",
                f"over {self._room.most} connections are open: "
                "the one that has waited longest is closed for each new one",
            )
            self._make_way()

    def moved(self, connection: Connection) -> None:
        """It has come into another stage."""
        self._waiting.pop(connection, None)
        self._answering.pop(connection, None)
        self._live.discard(connection)
        match connection.stage:
            case Stage.WAITING:
                self._waiting[connection] = None
            case Stage.ANSWERING:
                self._answering[connection] = None
            case Stage.LIVE:
                self._live.add(connection)
            case Stage.GONE if connection.address:
                self._from[connection.address] -= 1
                if not self._from[connection.address]:
                    del self._from[connection.address]

    def late(self, connection: Connection) -> None:
        """It has had its time; those that came together are not all ended in one go."""
        self._late.append(connection)
        if len(self._late) == 1:
            asyncio.get_running_loop().call_soon(self._end_late)

    def _end_late(self) -> None:
        for _ in range(min(BATCH, len(self._late))):
            self._late.popleft().end()
        if self._late:
            asyncio.get_running_loop().call_soon(self._end_late)

    def came(self, kind: str, words: str) -> None:
        """Misuse of one."""
        self._faults.came(kind, words)

    def _make_way(self, address: str = "") -> None:
        """End the one that is missed least; of those of *address*, where one is named."""
        now = asyncio.get_running_loop().time()
        waiting = _oldest(self._waiting, address)
        answering = _oldest(self._answering, address)
        is_new = waiting is None or now - waiting.since < JUST_CAME
        if is_new and answering is not None and now - answering.since > SLOW:
            answering.end()
        elif waiting is not None:
            waiting.end()


async def _readable(listener: socket.socket) -> None:
    """Until there is something to accept.

    ``loop.sock_accept`` loses what it has accepted where it is cancelled just then.
    """
    loop = asyncio.get_running_loop()
    readable = asyncio.Event()
    try:
        loop.add_reader(listener, readable.set)
    except NotImplementedError:  # the proactor loop of Windows, which the daemon does not run on
        await asyncio.sleep(0.01)
        return
    try:
        await readable.wait()
    finally:
        loop.remove_reader(listener)


def _oldest(connections: dict[Connection, None], address: str) -> Connection | None:
    return next((each for each in connections if not address or each.address == address), None)


def _connection(request: web.Request) -> Connection | None:
    transport = request.transport
    protocol = transport.get_protocol() if transport is not None else None
    return protocol if isinstance(protocol, Connection) else None
