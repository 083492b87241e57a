"""The newest snapshot, and the WebSocket clients that follow it or what else is sent live.

A client that does not read must not make the others wait, must not make memory grow, and must
see the present again as soon as it reads.  So each client has a task of its own and a credit of
two messages: a message takes one, the client's ``ack`` gives it back.  What is sent is always the
newest snapshot, whole; what came and went while there was no credit is never sent.  At most two
messages are ever under way to a client, so that is also how many stale ones it can get.

When nothing is new for a while the newest is sent again, so that a page can tell a game that
stands still from a server that is gone.  ``held`` is how many seconds ago the snapshot was new.

A page on air does not show what is wrong with its own address, or what it has no room for.  It
tells it here, in a message that begins with ``told``, and the desk shows it while the page is open.
"""

from __future__ import annotations

import asyncio
import json
import logging
import time
from collections.abc import Callable
from typing import Any, Protocol

from aiohttp import WSCloseCode, WSMsgType, web

from adapters.printable import printable

__all__ = [
    "ACK",
    "CREDIT",
    "MAX_TOLD",
    "MAX_TOLD_LENGTH",
    "TOLD",
    "Clients",
    "Credit",
    "Feed",
    "FeedParts",
    "Followed",
    "Parts",
    "Snapshot",
    "asked_parts",
]

ACK = "ack"
TOLD = "told "
MAX_TOLD_LENGTH = 1000
"""Characters of what a page tells that are kept."""
MAX_TOLD = 16
CREDIT = 2

Parts = frozenset[str]
"""What a client asked for beyond what every snapshot holds."""
Snapshot = Callable[[Parts], dict[str, Any]]


class Followed(Protocol):
    """What a client is sent, whole, each time that there is a newer one."""

    @property
    def serial(self) -> int:
        """Which one is the newest; 0 means none yet."""

    async def newer(self, serial: int, patience: float) -> None:
        """Return when there is a later one than *serial*, or one at all after *patience* s.

        Where it returns and ``serial`` is still 0, nothing is to come any more.
        """

    def take(self) -> str:
        """The newest as JSON in ASCII."""


class Feed:
    """The newest snapshot.  ``serial`` counts snapshots; 0 means none yet."""

    LASTS = 1.0
    """Seconds after which a snapshot that is sent again is made again, since parts of it age."""

    def __init__(self) -> None:
        self.serial = 0
        self.sent_serial = 0
        self._make: Snapshot = _nothing
        self._bodies: dict[Parts, tuple[float, str]] = {}
        self._since = 0.0
        self._changed = asyncio.Event()

    def put(self, make: Snapshot) -> None:
        """A new snapshot; *make* is called when first a client needs it, if ever.

        It is given the parts that the client has asked for, and called once for each such set; and
        again where the snapshot is sent after LASTS.
        """
        self.serial += 1
        self._make = make
        self._bodies.clear()
        self._since = time.monotonic()
        self._changed.set()
        self._changed = asyncio.Event()

    def take(self, parts: Parts = frozenset()) -> str:
        """The newest snapshot as JSON in ASCII."""
        now = time.monotonic()
        made, body = self._bodies.get(parts, (now, ""))
        if not body or now - made > self.LASTS:
            body = json.dumps(self._make(parts), allow_nan=False, separators=(",", ":"))[1:]
            self._bodies[parts] = (now, body)
        self.sent_serial = self.serial
        return f'{{"held":{now - self._since:.3f},{body}'

    async def newer(self, serial: int, patience: float) -> None:
        """Return when there is a later one than *serial*, or one at all after *patience* s."""
        while self.serial == serial:
            changed = self._changed
            try:
                async with asyncio.timeout(patience):
                    await changed.wait()
            except TimeoutError:
                if self.serial:
                    return


def _nothing(parts: Parts) -> dict[str, Any]:
    return {}


class FeedParts:
    """A feed as a client follows it that has asked for these parts."""

    def __init__(self, feed: Feed, parts: Parts) -> None:
        self._feed = feed
        self._parts = parts

    @property
    def serial(self) -> int:
        return self._feed.serial

    async def newer(self, serial: int, patience: float) -> None:
        await self._feed.newer(serial, patience)

    def take(self) -> str:
        return self._feed.take(self._parts)


def asked_parts(request: web.Request, known: Parts) -> Parts:
    """The parts that ``?parts=`` names.  Raises HTTPBadRequest where one is unknown."""
    parts = frozenset(filter(None, request.query.get("parts", "").split(",")))
    if not parts <= known:
        raise web.HTTPBadRequest(text=f"parts: expected {', '.join(sorted(known))}\n")
    return parts


class Credit:
    """How many messages may yet be sent before the next acknowledgement."""

    def __init__(self) -> None:
        self._left = CREDIT
        self._more = asyncio.Event()

    async def take(self) -> None:
        while self._left == 0:
            self._more.clear()
            await self._more.wait()
        self._left -= 1

    def give(self) -> bool:
        """False where nothing was owed: a client must not grant itself more."""
        if self._left == CREDIT:
            return False
        self._left += 1
        self._more.set()
        return True


class Clients:
    """All connected clients of one kind."""

    HEARTBEAT = 5.0
    """Seconds between pings; a client that answers none for half as long again is dropped."""
    REPEAT = 2.0
    """Seconds after which the newest snapshot is sent again."""
    MOST = 256
    """Clients at a time; one more is refused with 503."""
    GOODBYE = 0.4
    """Seconds that a client gets to answer a close before it is cut off."""

    def __init__(self, log: logging.Logger, room: int = MOST, *, hears: bool = False) -> None:
        """*room* is how many there may be where that is fewer than MOST.

        *hears* says whether clients may tell what they cannot show.
        """
        self._log = log
        self._room = room
        self._hears = hears
        self._transports: dict[web.WebSocketResponse, asyncio.Transport] = {}
        self._told: dict[web.WebSocketResponse, str] = {}

    def __len__(self) -> int:
        return len(self._transports)

    @property
    def told(self) -> list[str]:
        """What the clients that are connected have to tell, each once, at most MAX_TOLD."""
        return list(dict.fromkeys(filter(None, self._told.values())))[:MAX_TOLD]

    async def serve(self, request: web.Request, followed: Followed) -> web.StreamResponse:
        """A client's whole life.  Raises HTTPServiceUnavailable where there are enough already."""
        if len(self) >= (most := min(self.MOST, self._room)):
            raise web.HTTPServiceUnavailable(text=f"{most} clients are connected already\n")
        socket = web.WebSocketResponse(
            heartbeat=self.HEARTBEAT,
            timeout=self.GOODBYE,
            compress=False,
            max_msg_size=4096,
            writer_limit=1 << 14,
        )
        transport = request.transport
        # a socket that was never open cannot be closed, which aiohttp does with what it is given
        response: web.StreamResponse = web.Response()
        try:
            await socket.prepare(request)
            response = socket
            if not isinstance(transport, asyncio.Transport):
                return response
            self._transports[socket] = transport
            credit = Credit()
            sender = asyncio.create_task(self._send(socket, credit, followed))
            try:
                await self._receive(socket, credit)
            finally:
                sender.cancel()
                await asyncio.wait([sender])
        except ConnectionError:
            pass  # the client went; there is nobody to tell
        finally:
            self._transports.pop(socket, None)
            self._told.pop(socket, None)
            if isinstance(transport, asyncio.Transport):
                # A transport that is only closed waits for a client that does not read.
                asyncio.get_running_loop().call_later(self.GOODBYE, transport.abort)
        return response

    async def _send(
        self, socket: web.WebSocketResponse, credit: Credit, followed: Followed
    ) -> None:
        serial = 0
        try:
            while True:
                await credit.take()
                await followed.newer(serial, self.REPEAT)
                serial = followed.serial
                if not serial:
                    return
                await socket.send_str(followed.take())
        except ConnectionError:
            return
        except Exception:
            self._log.exception("overlay: a snapshot could not be made")
            await socket.close(code=WSCloseCode.INTERNAL_ERROR)

    async def _receive(self, socket: web.WebSocketResponse, credit: Credit) -> None:
        async for message in socket:
            if message.type is WSMsgType.TEXT and message.data == ACK and credit.give():
                continue
            if self._hears and message.type is WSMsgType.TEXT and message.data.startswith(TOLD):
                self._told[socket] = printable(message.data[len(TOLD) :][:MAX_TOLD_LENGTH])
                continue
            if message.type in (WSMsgType.TEXT, WSMsgType.BINARY):
                await socket.close(
                    code=WSCloseCode.POLICY_VIOLATION, message=b"this socket only sends"
                )
            return

    async def close(self) -> None:
        """Say good-bye to all, and cut off those that have not answered within GOODBYE."""
        transports = dict(self._transports)
        closing = [
            asyncio.create_task(
                socket.close(code=WSCloseCode.GOING_AWAY, message=b"lowhalf stops", drain=False)
            )
            for socket in transports
        ]
        if not closing:
            return
        _, late = await asyncio.wait(closing, timeout=self.GOODBYE)
        for transport in transports.values():
            transport.abort()
        for task in late:
            task.cancel()
        await asyncio.gather(*closing, return_exceptions=True)
