"""The overlay's server: what it gives, to whom, and that no client makes another wait."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import json
import logging
import socket
import time
from collections.abc import AsyncIterator
from dataclasses import replace
from typing import Any
from urllib.parse import urlsplit

import aiohttp
import pytest

from adapters.outputs.web.clients import Clients
from adapters.outputs.web.server import OverlayServer
from bridge.heap.blocks import Block, Heap
from bridge.readings.reading import Reading, Watch
from bridge.values.status import Status
from bridge.values.target import near
from bridge.values.value_type import FLOAT, INTEGER
from schemas.errors import OutputError
from schemas.output_settings import OverlayOutput
from tests.adapters.made_frames import EAST, HALF, OIL, forty, frame, good, listening, three
from tests.adapters.raw_websocket import RawWebSocket

pytestmark = pytest.mark.loopback

LOG = logging.getLogger("test")


def made(listen: str = "127.0.0.1:0") -> OverlayServer:
    return OverlayServer(OverlayOutput(listen=listen), LOG)


@pytest.fixture
async def server() -> AsyncIterator[OverlayServer]:
    async with listening(made()) as served:
        yield served


@pytest.fixture
async def http() -> AsyncIterator[aiohttp.ClientSession]:
    async with aiohttp.ClientSession() as session:
        yield session


async def raw(url: str, request: str) -> str:
    """The whole answer to *request*, in which PORT stands for the server's port."""
    place = urlsplit(url)
    reader, writer = await asyncio.open_connection(place.hostname, place.port)
    writer.write(request.replace("PORT", str(place.port)).encode())
    try:
        async with asyncio.timeout(5):
            return (await reader.read()).decode()
    finally:
        writer.close()


def upgrade(host: str, origin: str) -> str:
    return (
        f"GET /live HTTP/1.1\r\nHost: {host}\r\nOrigin: {origin}\r\nUpgrade: websocket\r\n"
        "Connection: Upgrade, close\r\nSec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n"
        "Sec-WebSocket-Version: 13\r\n\r\n"
    )


# What it gives


async def test_frame_json_is_the_frames_own_json(
    server: OverlayServer, http: aiohttp.ClientSession
) -> None:
    newest = three(812)
    server.publish(three(811))
    server.publish(newest)
    async with http.get(server.url + "frame.json") as answer:
        assert answer.status == 200
        assert answer.content_type == "application/json"
        assert json.loads(await answer.text()) == newest.as_json()


async def test_without_a_frame_there_is_503(
    server: OverlayServer, http: aiohttp.ClientSession
) -> None:
    async with http.get(server.url + "frame.json") as answer:
        assert answer.status == 503
        assert await answer.json() == {"error": "no frame yet"}


async def test_not_a_number_is_null_in_json(
    server: OverlayServer, http: aiohttp.ClientSession
) -> None:
    server.publish(frame(1, [Reading(EAST, Status.ERROR, float("nan"), reason="not a number")]))
    async with http.get(server.url + "frame.json") as answer:
        reading = (await answer.json())["readings"][0]
    assert (reading["value"], reading["status"]) == (None, "error")
    async with http.ws_connect(server.url + "live") as live:
        assert (await live.receive_json(timeout=2))["readings"][0]["value"] is None


async def test_a_snapshot_carries_what_pages_show(
    server: OverlayServer, http: aiohttp.ClientSession
) -> None:
    sent = three(5)
    server.publish(sent)
    async with http.ws_connect(server.url + "live") as live:
        snapshot = await live.receive_json(timeout=2)
    assert {key: snapshot[key] for key in sent.as_json() if key != "readings"} == {
        key: value for key, value in sent.as_json().items() if key != "readings"
    }
    assert snapshot["stats"]["skipped"] == 2
    assert 0 <= snapshot["held"] < 2
    oil, east, half = snapshot["readings"]
    assert oil["label"] == "Lamp oil"
    assert oil["words"] == ""
    assert (east["distance"], east["words"]) == (2.75, "+2.75 to go")
    assert (east["target_text"], east["target"]) == ("120.0 ± 0.5", "miss")
    server.publish(sent.offline("the pier is gone", sent.ticks + 1))
    async with http.ws_connect(server.url + "live") as live:
        gone = (await live.receive_json(timeout=2))["readings"][1]
    assert (gone["target"], gone["distance"], gone["words"]) == ("unknown", None, "")
    assert (half["status"], half["reason"]) == ("null", "courier.held is null")


async def test_before_the_first_frame_the_watches_wait(
    server: OverlayServer, http: aiohttp.ClientSession
) -> None:
    server.announce([OIL, HALF])
    async with http.ws_connect(server.url + "live") as live:
        snapshot = await live.receive_json(timeout=2)
    assert snapshot["frame"] is None
    assert [(r["watch"], r["status"]) for r in snapshot["readings"]] == [
        ("oil", "waiting"),
        ("held_x_low", "waiting"),
    ]


async def test_an_infinite_distance_is_null(
    server: OverlayServer, http: aiohttp.ClientSession
) -> None:
    far = Watch("far", "", "far", FLOAT, "", near(1.7e308, 0.0, FLOAT))
    server.publish(frame(1, [good(far, -1.7e308)]))
    async with http.ws_connect(server.url + "live") as live:
        assert (await live.receive_json(timeout=2))["readings"][0]["distance"] is None


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("", "text/html"),
        ("overlay", "text/html"),
        ("pages/overlay/overlay.js", "text/javascript"),
        ("pages/overlay/overlay.css", "text/css"),
        ("pages/shared/mark.svg", "image/svg+xml"),
    ],
)
async def test_pages_are_served_whole(
    server: OverlayServer, http: aiohttp.ClientSession, path: str, kind: str
) -> None:
    async with http.get(server.url + path) as answer:
        assert (answer.status, answer.content_type) == (200, kind)
        assert len(await answer.read()) > 100


@pytest.mark.parametrize("path", ["/pages/../overlay.py", "/pages/..%2Foverlay.py", "/pages/x.js"])
async def test_nothing_else_is_served(server: OverlayServer, path: str) -> None:
    answer = await raw(
        server.url, f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:PORT\r\nConnection: close\r\n\r\n"
    )
    assert answer.startswith("HTTP/1.1 404 ")
    assert "import" not in answer


# To whom


# RFC 9110 15.5.20: 421 where the server does not answer for the host; RFC 9112 3.2: 400 without.
@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("127.0.0.1:PORT", 200),
        ("localhost:PORT", 200),
        ("LOCALHOST:PORT", 200),
        ("[::1]:PORT", 200),
        ("evil.example", 421),
        ("evil.example:PORT", 421),
        ("127.0.0.1", 421),
        ("127.0.0.1:1", 421),
        ("localhost.evil.example:PORT", 421),
        ("127.0.0.1:PORT.evil.example", 421),
        ("user@127.0.0.1:PORT", 421),
        ("", 421),
    ],
)
@pytest.mark.parametrize("path", ["/frame.json", "/overlay"])
async def test_only_its_own_hosts_are_answered(
    server: OverlayServer, path: str, host: str, status: int
) -> None:
    server.publish(three(812))
    answer = await raw(
        server.url, f"GET {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n"
    )
    found = int(answer.split()[1])
    # An HTTP library may find a host malformed before the guard does.
    assert found == status or (status == 421 and found == 400)
    if status != 200:
        assert "oil" not in answer
        assert "812" not in answer
    if host == "evil.example":
        assert found == 421
        assert "Content-Security-Policy: default-src 'none'" in answer


@pytest.mark.parametrize(
    "hosts", ["", "Host: 127.0.0.1:PORT\r\nHost: evil.example\r\n"], ids=["none", "two"]
)
async def test_a_request_has_one_host(server: OverlayServer, hosts: str) -> None:
    server.publish(three(812))
    answer = await raw(server.url, f"GET /frame.json HTTP/1.1\r\n{hosts}Connection: close\r\n\r\n")
    assert answer.startswith(("HTTP/1.1 400 ", "HTTP/1.0 400 "))
    assert "oil" not in answer


@pytest.mark.parametrize(
    "origin",
    ["http://evil.example", "null", "https://127.0.0.1:PORT", "http://127.0.0.1:1", "file://"],
)
async def test_a_foreign_origin_gets_no_socket_and_no_data(
    server: OverlayServer, origin: str
) -> None:
    server.publish(three(812))
    answer = await raw(server.url, upgrade("127.0.0.1:PORT", origin))
    assert answer.startswith("HTTP/1.1 403 ")
    assert "oil" not in answer
    fetched = await raw(
        server.url,
        f"GET /frame.json HTTP/1.1\r\nHost: 127.0.0.1:PORT\r\nOrigin: {origin}\r\n"
        "Connection: close\r\n\r\n",
    )
    assert fetched.startswith("HTTP/1.1 403 ")
    assert "oil" not in fetched
    assert "access-control" not in fetched.lower()


async def test_a_foreign_host_gets_no_socket(server: OverlayServer) -> None:
    answer = await raw(server.url, upgrade("evil.example:PORT", "http://evil.example:PORT"))
    assert answer.startswith("HTTP/1.1 421 ")
    assert server.clients == 0


async def test_its_own_origin_gets_a_socket(
    server: OverlayServer, http: aiohttp.ClientSession
) -> None:
    server.publish(three(1))
    async with http.ws_connect(server.url + "live", origin=server.url.rstrip("/")) as live:
        assert (await live.receive_json(timeout=2))["frame"] == 1


async def test_an_element_of_a_foreign_page_is_refused(
    server: OverlayServer, http: aiohttp.ClientSession
) -> None:
    server.publish(three(1))
    element = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors"}
    async with http.get(server.url + "frame.json", headers=element) as answer:
        assert answer.status == 403
    link = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate"}
    async with http.get(server.url + "overlay", headers=link) as answer:
        assert answer.status == 200


@pytest.mark.parametrize("path", ["", "overlay", "frame.json", "pages/shared/live.js", "nowhere"])
async def test_every_answer_carries_the_headers(
    server: OverlayServer, http: aiohttp.ClientSession, path: str
) -> None:
    server.publish(three(1))
    async with http.get(server.url + path) as answer:
        headers = answer.headers
    port = urlsplit(server.url).port
    assert headers["Content-Security-Policy"] == (
        "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; "
        "font-src 'self'; img-src 'self'; "
        f"connect-src 'self' ws://127.0.0.1:{port}; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Cross-Origin-Resource-Policy"] == "same-origin"
    assert "aiohttp" not in headers["Server"]
    assert "Access-Control-Allow-Origin" not in headers


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "OPTIONS"])
async def test_nothing_is_taken(
    server: OverlayServer, http: aiohttp.ClientSession, method: str
) -> None:
    async with http.request(method, server.url + "frame.json", data=b"x") as answer:
        assert answer.status == 405


@pytest.mark.parametrize("message", ["write", "ack ack", '{"oil": 99}', ""])
async def test_any_message_but_an_acknowledgement_closes(
    server: OverlayServer, http: aiohttp.ClientSession, message: str
) -> None:
    server.publish(three(1))
    async with http.ws_connect(server.url + "live") as live:
        await live.receive_json(timeout=2)
        await live.send_str(message)
        closed = await live.receive(timeout=2)
        assert closed.type is aiohttp.WSMsgType.CLOSE
        assert (closed.data, closed.extra) == (1008, "this socket only sends")


async def test_acknowledging_what_was_not_sent_closes(
    server: OverlayServer, http: aiohttp.ClientSession
) -> None:
    async with http.ws_connect(server.url + "live") as live:
        for _ in range(50):
            await live.send_str("ack")
        assert (await live.receive(timeout=2)).data == 1008


async def test_binary_closes(server: OverlayServer, http: aiohttp.ClientSession) -> None:
    async with http.ws_connect(server.url + "live") as live:
        await live.send_bytes(b"ack")
        assert (await live.receive(timeout=2)).data == 1008


# Many clients, slow clients


async def test_without_acknowledgement_two_are_sent(
    server: OverlayServer, http: aiohttp.ClientSession
) -> None:
    async with http.ws_connect(server.url + "live") as live:
        for number in range(1, 21):
            server.publish(three(number))
            await asyncio.sleep(0.005)
        first = await live.receive_json(timeout=2)
        second = await live.receive_json(timeout=2)
        with pytest.raises(TimeoutError):
            await live.receive(timeout=0.2)
        await live.send_str("ack")
        third = await live.receive_json(timeout=2)
    assert (first["frame"], second["frame"], third["frame"]) == (1, 2, 20)
    assert server.skipped == 17


async def test_a_still_game_is_repeated(
    server: OverlayServer, http: aiohttp.ClientSession, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Clients, "REPEAT", 0.2)
    server.publish(three(7))
    async with http.ws_connect(server.url + "live") as live:
        snapshots: list[dict[str, Any]] = []
        for _ in range(3):
            snapshots.append(await live.receive_json(timeout=2))
            await live.send_str("ack")
    assert [snapshot["frame"] for snapshot in snapshots] == [7, 7, 7]
    assert snapshots[2]["held"] - snapshots[0]["held"] == pytest.approx(0.4, abs=0.25)


@pytest.mark.timing
@pytest.mark.wine("some frames in a hundred take longer than a sixtieth of a second to come")
async def test_a_stalled_client_makes_no_other_wait_and_sees_the_present_again(
    server: OverlayServer, http: aiohttp.ClientSession
) -> None:
    """Frames of 40 watches at 60 Hz; one client reads nothing for 4 s, then everything."""
    stalled = await RawWebSocket.connect(server.url, "/live")
    number = 0
    behind: list[int] = []

    async def follow() -> None:
        async with http.ws_connect(server.url + "live") as live:
            async for message in live:
                behind.append(number - json.loads(message.data)["frame"])
                await live.send_str("ack")

    follower = asyncio.create_task(follow())
    try:
        resumed_at = 0
        stale = fresh = 0
        reading: asyncio.Task[tuple[int, bytes]] | None = None
        begun = time.monotonic()
        while fresh < 5:
            number += 1
            server.publish(forty(number))
            if number == 240:
                resumed_at = number
                reading = asyncio.create_task(stalled.receive())
            while reading is not None and fresh < 5:
                done, _ = await asyncio.wait([reading], timeout=0.002)
                if not done:
                    break
                opcode, payload = reading.result()
                if opcode == 1:
                    if json.loads(payload)["frame"] < resumed_at:
                        stale += 1
                    else:
                        fresh += 1
                    await stalled.send_text("ack")
                reading = asyncio.create_task(stalled.receive())
            assert number < 400
            await asyncio.sleep(max(0.0, begun + number / 60 - time.monotonic()))
        if reading is not None:
            reading.cancel()
    finally:
        follower.cancel()
        await asyncio.wait([follower])
        stalled.close()
    behind.sort()
    assert len(behind) > 200
    assert behind[int(len(behind) * 0.99)] == 0  # each comes before the next one is there
    assert stale <= 2


async def test_a_client_that_is_gone_is_dropped(
    server: OverlayServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Clients, "HEARTBEAT", 0.4)
    dead = await RawWebSocket.connect(server.url, "/live")
    try:
        assert server.clients == 1
        begun = time.monotonic()
        while server.clients:
            server.publish(forty(1))
            await asyncio.sleep(0.02)
            assert time.monotonic() - begun < 3
    finally:
        dead.close()


async def test_a_client_that_vanishes_mid_send_harms_nobody(
    server: OverlayServer, http: aiohttp.ClientSession
) -> None:
    async with http.ws_connect(server.url + "live") as live:
        for number in range(1, 31):
            gone = await RawWebSocket.connect(server.url, "/live")
            server.publish(forty(number))
            gone.close()
            assert (await live.receive_json(timeout=2))["frame"] <= number
            await live.send_str("ack")
        for _ in range(100):
            if server.clients == 1:
                break
            await asyncio.sleep(0.02)
        assert server.clients == 1


async def test_of_fifty_clients_one_stalls_and_the_others_get_the_newest(
    server: OverlayServer, http: aiohttp.ClientSession
) -> None:
    async def last(number: int) -> float:
        async with http.ws_connect(server.url + "live") as live:
            connected.release()
            async for message in live:
                await live.send_str("ack")
                if json.loads(message.data)["frame"] == number:
                    return time.process_time()
        raise AssertionError("the socket closed")

    connected = asyncio.Semaphore(0)
    http.connector._limit = 0  # type: ignore[union-attr]
    stalled = await RawWebSocket.connect(server.url, "/live")
    tasks = [asyncio.create_task(last(60)) for _ in range(49)]
    for _ in tasks:
        async with asyncio.timeout(5):
            await connected.acquire()
    for number in range(1, 61):
        server.publish(forty(number))
        await asyncio.sleep(1 / 60)
    published = time.process_time()
    async with asyncio.timeout(3):
        arrived = await asyncio.gather(*tasks)
    assert max(arrived) - published < 1.0
    assert server.clients >= 1
    stalled.close()


async def test_too_many_clients_are_refused(
    server: OverlayServer, http: aiohttp.ClientSession, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Clients, "MOST", 1)
    async with http.ws_connect(server.url + "live"):
        with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
            await http.ws_connect(server.url + "live")
    assert refused.value.status == 503


async def test_a_snapshot_that_cannot_be_made_closes_and_is_logged(
    server: OverlayServer, http: aiohttp.ClientSession, caplog: pytest.LogCaptureFixture
) -> None:
    broken = three(2)
    object.__setattr__(broken, "make_readings", lambda: 1 / 0)
    server.publish(broken)
    async with http.ws_connect(server.url + "live") as live:
        assert (await live.receive(timeout=2)).data == 1011
    assert "overlay: a snapshot could not be made" in caplog.text


# Its life


async def test_it_stops_within_a_second_with_clients(http: aiohttp.ClientSession) -> None:
    server = made()
    async with listening(server):
        stalled = await RawWebSocket.connect(server.url, "/live")
        live = await http.ws_connect(server.url + "live")
        for number in range(1, 31):
            server.publish(forty(number))
            await asyncio.sleep(0.005)
        begun = time.monotonic()
    assert time.monotonic() - begun < 1.0
    codes = [await live.receive(timeout=1) for _ in range(3)]
    assert codes[-1].data == 1001
    assert server.url == ""
    stalled.close()
    await live.close()


@pytest.mark.parametrize("turns", range(5))
def test_connections_that_come_while_it_stops_are_closed(turns: int) -> None:
    """A leaked one is a ResourceWarning, which is an error here."""

    async def stop_amid() -> list[socket.socket]:
        async with listening(made()) as server:
            place = urlsplit(server.url)
            callers = [socket.create_connection((place.hostname, place.port)) for _ in range(3)]
            for _ in range(turns):
                await asyncio.sleep(0)
        return callers

    callers = asyncio.run(stop_amid())
    gc.collect()
    for caller in callers:
        caller.settimeout(1)
        with contextlib.suppress(ConnectionResetError):
            assert caller.recv(1) == b""
        caller.close()


async def test_a_taken_port_is_an_error_with_the_next_step() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(OutputError) as refused:
            await made(f"127.0.0.1:{port}").run()
    assert str(refused.value) == (
        f"overlay: cannot listen on 127.0.0.1 port {port}: the port is in use, perhaps by "
        "another lowhalf; stop what uses it, or name another with --listen (port 0 takes a free "
        "one)"
    )
    assert isinstance(refused.value.__cause__, OSError)


@pytest.mark.parametrize("listen", ["7365", "::1:7365", "127.0.0.1", ":7365", ""])
def test_listen_is_host_and_port(listen: str) -> None:
    with pytest.raises(OutputError) as refused:
        made(listen)
    assert str(refused.value) == (
        f'overlay: listen: expected a host and a port such as 127.0.0.1:7365, found "{listen}"'
    )


@pytest.mark.parametrize("port", ["65536", "-1", "x", "", "７"])
def test_a_port_is_a_number(port: str) -> None:
    with pytest.raises(OutputError) as refused:
        made(f"127.0.0.1:{port}")
    assert str(refused.value) == (
        "overlay: listen: expected a host and a port such as 127.0.0.1:7365, "
        f'found "127.0.0.1:{port}"'
    )


async def test_localhost_is_one_address() -> None:
    async with listening(made("localhost:0")) as server:
        assert urlsplit(server.url).hostname == "127.0.0.1"


async def test_it_listens_on_ipv6(http: aiohttp.ClientSession) -> None:
    try:
        socket.create_server(("::1", 0), family=socket.AF_INET6).close()
    except OSError:
        pytest.skip("this system has no IPv6 loopback")
    async with listening(made("[::1]:0")) as server:
        assert server.url.startswith("http://[::1]:")
        server.publish(three(3))
        async with http.get(server.url + "frame.json") as answer:
            assert (await answer.json())["frame"] == 3


# The one thing that strangers may load


async def test_a_page_of_any_origin_may_learn_that_it_is_up(
    server: OverlayServer, http: aiohttp.ClientSession
) -> None:
    """What a browser sends for a picture on a local page; and it holds no data."""
    server.publish(three(812))
    picture = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors"}
    async with http.get(server.url + "here.svg?1", headers=picture) as answer:
        assert (answer.status, answer.content_type) == (200, "image/svg+xml")
        assert answer.headers["Cross-Origin-Resource-Policy"] == "cross-origin"
        assert answer.headers["Cache-Control"] == "no-store"
        assert "Access-Control-Allow-Origin" not in answer.headers
        body = await answer.text()
    assert "812" not in body
    async with http.get(server.url + "pages/shared/mark.svg", headers=picture) as answer:
        assert answer.status == 403
    async with http.get(server.url + "here.svg", headers={"Host": "evil.example"}) as answer:
        assert answer.status == 421


# The heap, for those who ask


async def test_the_heap_comes_only_to_those_who_ask(
    server: OverlayServer, http: aiohttp.ClientSession
) -> None:
    slot = Watch("slot", "Held", "block(courier.held).index", INTEGER)
    blocks = [
        Block(0x1010, 0x30, True, 0, "crate", 0x1000),
        Block(0x1050, 0x10, False, 1, "free", 0x1040),
    ]
    sent = replace(frame(1, [good(OIL, 3), good(slot, 0)]), heap=Heap(blocks, "it broke", 16))
    server.publish(sent)
    async with http.ws_connect(server.url + "live") as live:
        assert "heap" not in await live.receive_json(timeout=2)
    async with http.ws_connect(server.url + "live?parts=heap") as live:
        snapshot = await live.receive_json(timeout=2)
    assert snapshot["heap"] == {
        "frame": 1,
        "count": 2,
        "start": 0x1000,
        "end": 0x1060,
        "bytes": 0x40,
        "free_bytes": 0x10,
        "owners": ["crate", "free"],
        "blocks": [[0x1010, 0x30, True, 0], [0x1050, 0x10, False, 1]],
        "held": [
            {
                "watch": "slot",
                "label": "Held",
                "index": 0,
                "start": 0x1010,
                "size": 0x30,
                "owner": "crate",
            }
        ],
        "damaged": "it broke",
        "empty": "",
    }
    # what has not come yet is not damaged
    server.publish(replace(sent, heap=Heap([], "not there yet", 16, awaited=True)))
    async with http.ws_connect(server.url + "live?parts=heap") as live:
        assert (await live.receive_json(timeout=2))["heap"]["awaited"] is True
    server.publish(three(2))
    async with http.ws_connect(server.url + "live?parts=heap") as live:
        assert (await live.receive_json(timeout=2))["heap"] is None


async def test_an_unknown_part_is_refused(
    server: OverlayServer, http: aiohttp.ClientSession
) -> None:
    async with http.get(server.url + "live?parts=heap,tide") as answer:
        assert (answer.status, await answer.text()) == (400, "parts: expected desk, heap\n")
