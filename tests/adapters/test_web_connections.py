"""Connections that ask for nothing: how long they are kept, and who makes way for whom."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import logging
import os
import socket
import time
from collections.abc import AsyncIterator, Iterator
from urllib.parse import urlsplit

import pytest
from aiohttp import web

from adapters.outputs.web import connection as web_connection
from adapters.outputs.web import connections as web_connections
from adapters.outputs.web.connection import Connection
from adapters.outputs.web.connections import Connections
from adapters.outputs.web.faults import WebFaults
from adapters.outputs.web.room import Room
from adapters.outputs.web.server import OverlayServer
from schemas.output_settings import OverlayOutput
from tests.adapters.desk_daemon import eventually
from tests.adapters.made_frames import listening, three
from tests.adapters.raw_websocket import RawWebSocket
from tests.adapters.test_web_faults import Told, told

__all__ = ["told"]  # a fixture

pytestmark = pytest.mark.loopback

HALF = b"GET /overlay HTTP/1.1\r\nHost: 127.0.0.1:PORT\r\nX-Pier: "
WHOLE = b"GET /frame.json HTTP/1.1\r\nHost: 127.0.0.1:PORT\r\n\r\n"
LOG = logging.getLogger("test.faults")
HALF_TOLD = "overlay: a request was not whole within 5 s: its connection was closed"


def made(room: Room | None = None) -> OverlayServer:
    server = OverlayServer(OverlayOutput(listen="127.0.0.1:0"), LOG)
    if room is not None:
        server._room = room
        server._clients._room = room.live
    return server


class Peer:
    """A connection that sends what it is told to."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, port: int):
        self._reader, self._writer, self._port = reader, writer, port

    @classmethod
    async def to(cls, server: OverlayServer, data: bytes = b"", *, own: str = "127.0.0.1") -> Peer:
        place = urlsplit(server.url)
        opened = await asyncio.open_connection(place.hostname, place.port, local_addr=(own, 0))
        assert place.port is not None
        peer = cls(*opened, place.port)
        peer.send(data)
        return peer

    def send(self, data: bytes) -> None:
        self._writer.write(data.replace(b"PORT", str(self._port).encode()))

    async def answer(self) -> bytes:
        """The next answer's first line, once all of it is there."""
        async with asyncio.timeout(100):
            head = await self._reader.readuntil(b"\r\n\r\n")
            length = int(head.lower().split(b"content-length: ")[1].split(b"\r\n")[0])
            await self._reader.readexactly(length)
        return head.split(b"\r\n")[0]

    async def closed(self) -> float:
        """Seconds until the server closes it."""
        begun = time.monotonic()
        async with asyncio.timeout(100):
            with contextlib.suppress(ConnectionError):
                while await self._reader.read(65536):
                    pass
        return time.monotonic() - begun

    @property
    def is_open(self) -> bool:
        return not self._reader.at_eof() and self._reader.exception() is None

    def close(self) -> None:
        self._writer.close()


@pytest.fixture
async def server(told: Told) -> AsyncIterator[OverlayServer]:
    async with listening(made()) as served:
        served.publish(three(812))
        yield served


def test_times_are_as_documented() -> None:
    assert (web_connection.BEGIN, web_connection.IDLE, web_connection.ANSWER) == (5.0, 30.0, 60.0)


# Deadlines


@pytest.mark.parametrize("begin", [b"", b"G", HALF, b"GET", HALF + b"a" * 4000])
async def test_a_request_that_is_never_whole_is_closed(
    server: OverlayServer, told: Told, begin: bytes
) -> None:
    """A letter now and then does not prolong it."""
    peer = await Peer.to(server, begin)

    async def dribble() -> None:
        while True:
            await asyncio.sleep(1)
            peer.send(b"a" if begin == HALF else b"")

    dribbling = asyncio.create_task(dribble())
    assert 4 < await peer.closed() < 15
    dribbling.cancel()
    peer.close()
    # who sent nothing has done no wrong: browsers open connections that they do not use
    assert told.lines[1:] == ([HALF_TOLD] if begin else [])


async def test_the_next_request_of_a_connection_has_the_same_time(
    server: OverlayServer, told: Told
) -> None:
    peer = await Peer.to(server, WHOLE)
    assert await peer.answer() == b"HTTP/1.1 200 OK"
    await asyncio.sleep(25)
    peer.send(WHOLE)
    assert await peer.answer() == b"HTTP/1.1 200 OK"
    assert told.lines[1:] == []
    peer.send(HALF)
    await peer.closed()
    assert told.lines[1:] == [HALF_TOLD]
    peer.close()


async def test_a_connection_that_asks_no_more_is_closed_without_a_word(
    server: OverlayServer, told: Told
) -> None:
    peer = await Peer.to(server, WHOLE)
    await peer.answer()
    assert await peer.closed() > 25
    assert told.lines[1:] == []
    peer.close()


@pytest.mark.parametrize(
    "headers", [b"Content-Length: 100000", b"Transfer-Encoding: chunked", b"Content-Length: 5"]
)
async def test_a_body_that_dribbles_in_is_not_waited_for(
    server: OverlayServer, told: Told, headers: bytes
) -> None:
    peer = await Peer.to(server, WHOLE.replace(b"\r\n\r\n", b"\r\n" + headers + b"\r\n\r\n"))
    assert await peer.answer() == b"HTTP/1.1 200 OK"

    async def dribble() -> None:
        while True:
            peer.send(b"1\r\na\r\n" if b"chunked" in headers else b"a")
            await asyncio.sleep(0.4)

    dribbling = asyncio.create_task(dribble())
    await peer.closed()
    dribbling.cancel()
    peer.close()


async def test_an_answer_that_takes_too_long_is_cut_off(
    told: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    server = made()
    go_on = asyncio.Event()

    async def slow(request: web.Request) -> web.Response:
        await go_on.wait()
        return web.Response(text="late")

    monkeypatch.setattr(server, "_newest", slow)
    async with listening(server):
        peer = await Peer.to(server, WHOLE)
        await peer.closed()
        go_on.set()
        peer.close()
    assert told.lines[1:] == ["overlay: an answer took over 60 s or was not read: it was cut off"]


async def test_a_page_stays_live_for_longer_than_any_request(
    server: OverlayServer, told: Told
) -> None:
    page = await RawWebSocket.connect(server.url, "/live")
    end = time.monotonic() + 90
    while time.monotonic() < end:
        server.publish(three(813))
        assert (await page.receive())[0] in (1, 9)
        await page.send_text("ack")
        await asyncio.sleep(1)
    assert server.clients == 1
    page.close()
    assert told.lines[1:] == []


# Room


def test_room_is_half_of_the_descriptors() -> None:
    """1024 is Linux's default, 256 that of other systems; 64 and 20 are a user's own idea."""
    assert Room.within(None).ceiling > 1 << 30
    most = 256 if os.name == "nt" else 512
    limits = (None, 20_000, 1024, 256, 64, 20)
    assert [Room.within(limit).most for limit in limits] == [most, most, most, 128, 32, 10]
    small = Room.within(256)
    assert small == Room(most=128, most_each=64, live=64, asked=16, ceiling=192)


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such limit")
def test_the_room_is_that_of_the_process() -> None:
    import resource

    assert Room.of_process() == Room.within(resource.getrlimit(resource.RLIMIT_NOFILE)[0])


async def test_who_has_waited_longest_makes_way_and_live_pages_stay(told: Told) -> None:
    room = Room(most=20, most_each=20, live=10, asked=2, ceiling=1 << 30)
    async with listening(made(room)) as server:
        server.publish(three(812))
        pages = [await RawWebSocket.connect(server.url, "/live") for _ in range(10)]
        halves = [await Peer.to(server, HALF) for _ in range(60)]
        whole = await Peer.to(server, WHOLE)
        assert await whole.answer() == b"HTTP/1.1 200 OK"
        await asyncio.gather(*(half.closed() for half in halves[:50]))
        assert all(half.is_open for half in halves[51:])
        assert server.clients == 10
        server.publish(three(813))
        for page in pages:
            while b"813" not in (await page.receive())[1]:
                await page.send_text("ack")
        for page in pages:
            page.close()
        for peer in (*halves, whole):
            peer.close()
        await eventually(lambda: server.clients == 0, 20, "empty")
    full = "overlay: over 20 connections are open: the one that has waited longest is closed for "
    assert told.without_seconds()[1:] == [
        f"{full}each new one",
        f"{full}each new one (50 more in N s)",
    ]


async def test_what_is_answered_for_long_makes_way_where_nobody_waits(
    told: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    room = Room(most=4, most_each=4, live=2, asked=1, ceiling=1 << 30)
    server = made(room)

    async def never(request: web.Request) -> web.Response:
        await asyncio.sleep(50)
        return web.Response()

    monkeypatch.setattr(server, "_newest", never)
    async with listening(server):
        slow = [await Peer.to(server, WHOLE) for _ in range(4)]
        await asyncio.sleep(web_connections.SLOW + 1)
        page = await Peer.to(server, WHOLE.replace(b"frame.json", b"overlay"))
        assert await page.answer() == b"HTTP/1.1 200 OK"
        await slow[0].closed()
        assert all(each.is_open for each in slow[1:])
        for each in (*slow, page):
            each.close()


@pytest.mark.skipif(os.name == "nt", reason="one address of loopback alone")
async def test_an_address_elsewhere_has_a_share_and_loopback_all(
    told: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    """127.0.0.2 is made a machine elsewhere; it takes nothing from the others."""

    def elsewhere(peer: tuple[str, int]) -> str:
        return peer[0] if peer[0] == "127.0.0.2" else ""

    assert web_connection._distant(("127.0.0.2", 1)) == ""
    assert web_connection._distant(("::1", 1, 0, 0)) == ""
    assert web_connection._distant(("192.0.2.7", 1)) == "192.0.2.7"
    monkeypatch.setattr(web_connection, "_distant", elsewhere)
    room = Room(most=100, most_each=5, live=50, asked=2, ceiling=1 << 30)
    async with listening(made(room)) as server:
        here = [await Peer.to(server, HALF) for _ in range(20)]
        theirs = [await Peer.to(server, HALF, own="127.0.0.2") for _ in range(12)]
        await asyncio.gather(*(peer.closed() for peer in theirs[:7]))
        assert all(peer.is_open for peer in (*here, *theirs[7:]))
        for peer in (*here, *theirs):
            peer.close()
    each = (
        "overlay: 127.0.0.2 has over 5 connections open: the one that has waited longest is closed "
        "for each new one"
    )
    assert told.without_seconds()[1:] == [each, f"{each} (6 more in N s)"]


# Descriptors

FEW = (
    "overlay: a connection was refused, since few descriptors are left, which the source needs; "
    "allow more with ulimit -n"
)


@pytest.mark.skipif(os.name == "nt", reason="descriptors are not counted there")
async def test_the_last_descriptors_are_left_alone(told: Told) -> None:
    held = [os.dup(0) for _ in range(10)]
    room = Room(most=100, most_each=100, live=50, asked=2, ceiling=max(held) + 30)
    for each in held:
        os.close(each)
    async with listening(made(room)) as server:
        peers = [await Peer.to(server, HALF) for _ in range(60)]
        await eventually(lambda: FEW in told.lines, 20, "told")
        await asyncio.sleep(0.2)
        whole = None
        for _ in range(5):  # the one that made room for it may have been refused itself
            whole = await Peer.to(server, WHOLE)
            with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
                assert await whole.answer() == b"HTTP/1.1 503 Service Unavailable"
                break
            whole.close()
        else:
            raise AssertionError("nobody made way")
        for peer in (*peers, whole):
            peer.close()


class Exhausted(socket.socket):
    """A listener of a system that has no descriptor left for a while."""

    tries = 0
    code = errno.EMFILE

    def accept(self) -> tuple[socket.socket, tuple[str, int]]:
        self.tries += 1
        raise OSError(self.code, os.strerror(self.code))


@pytest.fixture
def exhausted() -> Iterator[Exhausted]:
    with Exhausted() as listener:
        listener.bind(("127.0.0.1", 0))
        yield listener


@pytest.mark.parametrize("code", [errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM])
async def test_no_descriptor_at_all_is_no_reason_to_spin(
    told: Told, exhausted: Exhausted, code: int
) -> None:
    """accept(2): what it gives where the process or the system has none left."""
    exhausted.code = code
    faults = WebFaults(LOG)
    connections = Connections(Room.within(1024), faults)
    accepting = asyncio.create_task(connections.accept(exhausted, asyncio.Protocol))
    await asyncio.sleep(0)
    with socket.create_connection(exhausted.getsockname()):
        begun = time.monotonic()
        await eventually(lambda: exhausted.tries > 5, 20, "tried again")
        assert exhausted.tries <= 2 + (time.monotonic() - begun) / web_connections.PAUSE
    accepting.cancel()
    await asyncio.wait([accepting])
    assert accepting.cancelled()
    faults.close()
    assert told.lines[0] == FEW
    assert len(told.lines) == 2


# Turns


class Counted(Connection):
    """One that says when it was ended."""

    def __init__(self, ended: list[Connection]) -> None:
        self._ended = ended

    def end(self) -> None:
        self._ended.append(self)


async def test_what_came_together_is_not_ended_in_one_go(told: Told) -> None:
    """So that a frame waits for few of them: they are counted in turns of the event loop."""
    connections = Connections(Room.within(1024), WebFaults(LOG))
    ended: list[Connection] = []
    for _ in range(50):
        connections.late(Counted(ended))
    counts = []
    for _ in range(6):
        await asyncio.sleep(0)
        counts.append(len(ended))
    assert counts == [16, 32, 48, 50, 50, 50]
    connections.late(Counted(ended))
    await asyncio.sleep(0)
    assert len(ended) == 51
