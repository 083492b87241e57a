"""One connection of the pages' server, and how long it may take for what it does.

A connection costs its peer nothing: a program, or a page of any site, can open a thousand and send
half a request on each.  The web library waits for the rest for good.  So each connection is in one
of these states, with a time for it:

=========  ======================================================================
waiting    for a request: BEGIN seconds until the first is whole; then IDLE until
           the next begins, and BEGIN until that is whole
answering  a request: ANSWER seconds, also where the peer does not read
live       a WebSocket, which is looked after elsewhere (``clients``)
gone       closed, or about to be
=========  ======================================================================

This is the protocol object that asyncio talks to; it hands everything on to the web library's own.
That a request is whole, and when it has been answered, a middleware tells (``connections``).
"""

from __future__ import annotations

import asyncio
import enum
import ipaddress
from typing import Protocol

__all__ = ["ANSWER", "BEGIN", "IDLE", "LINGER", "Connection", "Keeper", "Stage"]

BEGIN = 5.0
"""Seconds in which a request must be whole, from the connection's or from its own first byte."""
IDLE = 30.0
"""Seconds that a connection is kept between two requests."""
ANSWER = 60.0
"""Seconds for an answer, of which the slowest compares the heap with every saved layout."""

LINGER = 2.0
"""Seconds that a request's body is read, and dropped, after the answer: nothing takes one."""


class Stage(enum.Enum):
    """What a connection is doing."""

    WAITING = enum.auto()
    ANSWERING = enum.auto()
    LIVE = enum.auto()
    GONE = enum.auto()


class Keeper(Protocol):
    """Who knows all connections."""

    def joined(self, connection: Connection) -> None: ...

    def moved(self, connection: Connection) -> None: ...

    def late(self, connection: Connection) -> None: ...

    def came(self, kind: str, words: str) -> None: ...


class Connection(asyncio.Protocol):
    """Times one connection, and hands on what comes in to *inner*, the web library's side of it."""

    def __init__(self, keeper: Keeper, inner: asyncio.Protocol) -> None:
        self._keeper = keeper
        self._inner = inner
        self._timer: asyncio.TimerHandle | None = None
        self._transport: asyncio.Transport | None = None
        self._begun = False
        self.stage = Stage.GONE
        self.since = 0.0
        """When it came into its stage, in the loop's seconds."""
        self.address = ""
        """The peer's, "" where that is this machine."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self.address = _distant(transport.get_extra_info("peername"))
        self._inner.connection_made(transport)
        self._enter(Stage.WAITING, BEGIN)
        self._keeper.joined(self)

    def data_received(self, data: bytes) -> None:
        if self.stage is Stage.WAITING and not self._begun:
            self._begun = True
            self._allow(BEGIN)
        self._inner.data_received(data)

    def eof_received(self) -> bool | None:
        return self._inner.eof_received()

    def pause_writing(self) -> None:
        self._inner.pause_writing()

    def resume_writing(self) -> None:
        self._inner.resume_writing()

    def connection_lost(self, exc: Exception | None) -> None:
        self._enter(Stage.GONE, None)
        self._inner.connection_lost(exc)

    def answering(self) -> None:
        """A request is whole."""
        self._enter(Stage.ANSWERING, ANSWER)

    def live(self) -> None:
        """The answer is a WebSocket."""
        self._enter(Stage.LIVE, None)

    def answered(self) -> None:
        """The answer is made; it may still be on its way."""
        self._begun = False
        self._enter(Stage.WAITING, IDLE)

    def end(self) -> None:
        """Cut it off, whatever is under way."""
        self._enter(Stage.GONE, None)
        if self._transport is not None:
            self._transport.abort()

    def _enter(self, stage: Stage, seconds: float | None) -> None:
        """Be in *stage*, for *seconds* at most; who is gone stays so."""
        made = self.since > 0.0
        if made and self.stage is Stage.GONE:
            return
        loop = asyncio.get_running_loop()
        self.stage, self.since = stage, loop.time()
        self._allow(seconds)
        if made:
            self._keeper.moved(self)

    def _allow(self, seconds: float | None) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if seconds is not None:
            self._timer = asyncio.get_running_loop().call_later(seconds, self._too_late)

    def _too_late(self) -> None:
        if self.stage is Stage.ANSWERING:
            self._keeper.came(
                "answer", f"an answer took over {ANSWER:.0f} s or was not read: it was cut off"
            )
        elif self._begun:
            self._keeper.came(
                "half", f"a request was not whole within {BEGIN:.0f} s: its connection was closed"
            )
        self._keeper.late(self)


def _distant(peer: object) -> str:
    """The address of a peer that is not this machine."""
    address = str(peer[0]) if isinstance(peer, tuple) and peer else ""
    try:
        return "" if ipaddress.ip_address(address).is_loopback else address
    except ValueError:
        return address
