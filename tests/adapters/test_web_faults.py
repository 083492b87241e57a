"""Malformed requests: nothing but lowhalf's own log tells of them, a line a kind with a count."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import re
import ssl
from collections.abc import Iterator
from urllib.parse import urlsplit

import pytest

from adapters.outputs.web.faults import WebFaults
from adapters.outputs.web.server import OverlayServer
from schemas.output_settings import OverlayOutput
from tests.adapters.desk_daemon import eventually
from tests.adapters.made_frames import listening, three
from tests.adapters.raw_websocket import RawWebSocket

pytestmark = pytest.mark.loopback

TOO_LONG = "overlay: a malformed request was refused: its address or a header is too long"
NO_METHOD = (
    "overlay: a malformed request was refused: it begins with no method of HTTP, as encrypted "
    "traffic does"
)
NOT_HTTP = "overlay: a malformed request was refused: it is not HTTP"

HEAD = b"GET /overlay HTTP/1.1\r\nHost: 127.0.0.1:PORT\r\n"


class Told(logging.Handler):
    """A log's lines."""

    def __init__(self) -> None:
        super().__init__()
        self.lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        assert record.exc_info is None
        self.lines.append(record.getMessage())

    def without_seconds(self) -> list[str]:
        return [re.sub(r"in \d+ s\)", "in N s)", line) for line in self.lines]


@pytest.fixture
def told() -> Iterator[Told]:
    made = Told()
    log = logging.getLogger("test.faults")
    log.propagate = False
    log.setLevel(logging.INFO)
    log.addHandler(made)
    yield made
    log.removeHandler(made)


@pytest.fixture
def elsewhere() -> Iterator[Told]:
    """What any other logger says, asyncio's and the web library's among them."""
    made = Told()
    root = logging.getLogger()
    root.addHandler(made)
    yield made
    root.removeHandler(made)


def made() -> OverlayServer:
    return OverlayServer(OverlayOutput(listen="127.0.0.1:0"), logging.getLogger("test.faults"))


async def send(url: str, data: bytes) -> bytes:
    """What the server answers until it closes; at most that long."""
    place = urlsplit(url)
    reader, writer = await asyncio.open_connection(place.hostname, place.port)
    writer.write(data.replace(b"PORT", str(place.port).encode()))
    try:
        async with asyncio.timeout(20):
            return await reader.read()
    except ConnectionError:
        return b""
    finally:
        writer.close()


def _hello() -> bytes:
    """How TLS begins, as OpenSSL does it."""
    into, out = ssl.MemoryBIO(), ssl.MemoryBIO()
    session = ssl.create_default_context().wrap_bio(into, out, server_hostname="pier.invalid")
    with pytest.raises(ssl.SSLWantReadError):
        session.do_handshake()
    return out.read()


MALFORMED = {
    "long path": (b"GET /" + b"a" * 9000 + b" HTTP/1.1\r\nHost: 127.0.0.1:PORT\r\n\r\n", TOO_LONG),
    "long header": (HEAD + b"X-Pier: " + b"a" * 9000 + b"\r\n\r\n", TOO_LONG),
    "long name": (HEAD + b"X" * 9000 + b": a\r\n\r\n", TOO_LONG),
    "no colon": (HEAD + b"X-Pier\r\n\r\n", NOT_HTTP),
    "NUL": (HEAD + b"X-Pier: a\0b\r\n\r\n", NOT_HTTP),
    "method": (b"G(T / HTTP/1.1\r\n\r\n", NO_METHOD),
    "garbage": (bytes(range(128, 256)) * 4 + b"\r\n\r\n", NO_METHOD),
    "TLS": (_hello(), NO_METHOD),
    "version": (b"GET / HTTP/9.9.9\r\n\r\n", NOT_HTTP),
    "lengths": (HEAD + b"Content-Length: 1\r\nContent-Length: 2\r\n\r\n", NOT_HTTP),
    "chunk": (HEAD + b"Transfer-Encoding: chunked\r\n\r\nzz\r\nx\r\n", NOT_HTTP),
}


@pytest.mark.parametrize("what", MALFORMED)
async def test_a_malformed_request_is_one_line_of_our_log(
    what: str, told: Told, elsewhere: Told, capfd: pytest.CaptureFixture[str]
) -> None:
    """RFC 9112, 2.2, 3 and 5: what a server is to answer with 400."""
    data, line = MALFORMED[what]
    async with listening(made()) as server:
        server.publish(three(812))
        first, *others = [await send(server.url, data) for _ in range(6)]
        for answer in (first, *others):  # "" where it was closed while we still sent
            assert answer.startswith((b"HTTP/1.0 400 ", b"HTTP/1.1 400 ")) or not answer, answer
    assert told.without_seconds()[1:] == [line, f"{line} (5 more in N s)"]
    assert elsewhere.lines == []
    assert capfd.readouterr() == ("", "")


async def test_damaged_websocket_frames_close_that_socket_alone(
    told: Told, elsewhere: Told, capfd: pytest.CaptureFixture[str]
) -> None:
    """RFC 6455, 5 and 8.1: reserved bits and opcodes, no mask, wrong lengths, bad UTF-8."""
    damaged = (
        b"\xf1\x80\0\0\0\0",
        b"\x83\x80\0\0\0\0",
        b"\x81\x03ack",
        b"\x89\xfe\x01\x00" + b"\0" * 260,
        b"\x81\xff" + b"\xff" * 8 + b"\0" * 40,
        b"\x81\x82\0\0\0\0\xff\xfe",
        b"\x80\x80\0\0\0\0",
        b"\x88\x81\0\0\0\0\x01",
    )
    async with listening(made()) as server:
        server.publish(three(812))
        good = await RawWebSocket.connect(server.url, "/live")
        assert (await good.receive())[0] == 1
        for frame in damaged:
            client = await RawWebSocket.connect(server.url, "/live")
            assert (await client.receive())[0] == 1
            await client.send_raw(frame)
            async with asyncio.timeout(20):
                with contextlib.suppress(ConnectionError):  # it was closed
                    while True:
                        await client.receive()
            client.close()
        await good.send_text("ack")
        server.publish(three(813))
        assert (await good.receive())[0] == 1
        good.close()
    assert len(told.lines) == 1, told.lines  # where the pages are
    assert elsewhere.lines == []
    assert capfd.readouterr() == ("", "")


async def test_a_fault_of_our_own_is_named_without_a_traceback(
    told: Told, elsewhere: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    server = made()

    def broken(name: str) -> None:
        raise ZeroDivisionError("secret")

    monkeypatch.setattr(server._pages, "page", broken)
    async with listening(server):
        for _ in range(3):
            answer = await send(
                server.url,
                b"GET /desk HTTP/1.1\r\nHost: 127.0.0.1:PORT\r\nConnection: close\r\n\r\n",
            )
            assert answer.startswith(b"HTTP/1.1 500 ")
            assert b"secret" not in answer
    place = f"test_web_faults.py line {broken.__code__.co_firstlineno + 1}"
    line = f"overlay: a request failed, a fault of lowhalf: ZeroDivisionError in {place}"
    assert told.without_seconds()[1:] == [line, f"{line} (2 more in N s)"]
    assert elsewhere.lines == []


async def test_what_was_counted_is_told_when_the_minute_is_over(
    told: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The minute is made short; what is told is the web server's own timer's."""
    monkeypatch.setattr("bridge.reporting.counted_lines.MINUTE", 0.5)
    async with listening(made()) as server:
        for _ in range(4):
            await send(server.url, b"\0\r\n\r\n")
        await eventually(lambda: any("more in" in line for line in told.lines), 20, "told")
    counted = [line for line in told.lines if line.startswith(NO_METHOD)]
    assert counted[0] == NO_METHOD
    assert len(counted) > 1


async def test_each_kind_is_told_when_its_own_minute_is_over(
    told: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("bridge.reporting.counted_lines.MINUTE", 0.5)
    faults = WebFaults(logging.getLogger("test.faults"))
    faults.came("oil", "no oil")
    faults.came("oil", "no oil")
    await asyncio.sleep(0.25)
    faults.came("wick", "no wick")
    faults.came("wick", "no wick")
    await asyncio.sleep(1.5)
    assert told.without_seconds() == [
        "overlay: no oil",
        "overlay: no wick",
        "overlay: no oil (1 more in N s)",
        "overlay: no wick (1 more in N s)",
    ]
    faults.close()
