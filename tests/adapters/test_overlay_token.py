"""Pages on another address than loopback: no data without the token.

The second address is 127.0.0.2, which Linux answers as well: the code that decides is told that it
is not loopback, since a test must not listen on a network.
"""

from __future__ import annotations

import json
import logging
import sys
from collections.abc import AsyncIterator
from http.cookies import SimpleCookie
from pathlib import Path
from urllib.parse import urlsplit

import aiohttp
import pytest

from adapters.commands.demo import demo_bridge
from adapters.listen_address import ListenAddress
from adapters.outputs.web.desk import Desk
from adapters.outputs.web.server import OverlayServer
from adapters.outputs.web.token import WebToken
from adapters.system_clock import SystemClock
from bridge.prepared import prepare
from bridge.questions.question import Questions
from schemas.errors import OutputError
from schemas.loader import load_bridge
from schemas.output_settings import OverlayOutput
from tests.adapters.browser import new_page
from tests.adapters.made_frames import listening, three

LOG = logging.getLogger("test")
TOKEN = "a-lamp-in-the_fog-7"
PATHS = [
    *("", "overlay", "frame.json", "live", "pages/overlay/overlay.js", "nowhere"),
    *("desk", "ask", "names.json", "history.json", "tallies.json", "layouts.json"),
]


def made(listen: str, token: str = TOKEN) -> OverlayServer:
    bridge = load_bridge(demo_bridge())
    desk = Desk(bridge.schema, prepare(bridge), Questions(SystemClock()))
    return OverlayServer(OverlayOutput(listen=listen), LOG, token=token, desk=desk)


@pytest.fixture
async def server(monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[OverlayServer]:
    if sys.platform != "linux":
        pytest.skip("only Linux answers on every 127.*.*.*")
    monkeypatch.setattr(ListenAddress, "is_loopback", property(lambda self: False))
    async with listening(made("127.0.0.2:0")) as served:
        served.publish(three(812))
        yield served


@pytest.fixture
async def http() -> AsyncIterator[aiohttp.ClientSession]:
    async with aiohttp.ClientSession(cookie_jar=aiohttp.DummyCookieJar()) as session:
        yield session


# Where it listens


@pytest.mark.parametrize("listen", ["192.0.2.1:80", "[2001:db8::1]:7365"])
def test_another_address_needs_a_token(listen: str) -> None:
    host = listen.rpartition(":")[0].strip("[]")
    with pytest.raises(OutputError) as refused:
        made(listen, "")
    assert str(refused.value) == (
        f"overlay: listen: {host} is not loopback, so that others can reach the pages: set the "
        "environment variable LOWHALF_OVERLAY_TOKEN to a secret that requests must bring, or "
        "listen on 127.0.0.1"
    )
    assert made(listen).url == ""


@pytest.mark.parametrize("listen", ["0.0.0.0:7365", "[::]:7365", "224.0.0.1:80", "[fe80::1%2]:80"])
def test_the_address_is_one_under_which_it_is_reached(listen: str) -> None:
    host = listen.rpartition(":")[0].strip("[]")
    with pytest.raises(OutputError) as refused:
        made(listen)
    assert str(refused.value) == (
        f"overlay: listen: {host} does not say under which address the pages are reached; "
        "expected 127.0.0.1, or one address of this machine"
    )


def test_a_name_is_no_address() -> None:
    with pytest.raises(OutputError) as refused:
        made("pier.example:80")
    assert str(refused.value) == (
        "overlay: listen: 'pier.example' is not an IP address; expected 127.0.0.1, or one address "
        "of this machine"
    )


def test_a_token_has_sixteen_characters() -> None:
    with pytest.raises(OutputError) as refused:
        made("192.0.2.1:80", "fifteen-letters")
    assert str(refused.value) == (
        "overlay: LOWHALF_OVERLAY_TOKEN: expected at least 16 characters, found 15"
    )
    assert made("192.0.2.1:80", "sixteen-letters-").url == ""


@pytest.mark.parametrize("token", ["a lamp in the fog", "lamp&fog=lamp&fog=", "лампа-в-тумане-77"])
def test_a_token_can_stand_in_an_address(token: str) -> None:
    with pytest.raises(OutputError) as refused:
        made("192.0.2.1:80", token)
    assert str(refused.value) == (
        "overlay: LOWHALF_OVERLAY_TOKEN: expected letters, digits, - and _ alone, so that it can "
        "stand in an address"
    )
    assert token not in str(refused.value)


async def test_on_loopback_no_token_is_asked_for(http: aiohttp.ClientSession) -> None:
    async with listening(made("127.0.0.1:0")) as server:
        server.publish(three(812))
        async with http.get(server.url + "frame.json") as answer:
            assert answer.status == 200
            assert "Set-Cookie" not in answer.headers


# Who gets data


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize(
    ("query", "headers", "words"),
    [
        ("", {}, "a token is needed: add ?token=… to the address\n"),
        ("?token=", {}, "the token is wrong: add ?token=… to the address\n"),
        (f"?token={TOKEN[:-1]}", {}, "the token is wrong"),
        (f"?token={TOKEN}x", {}, "the token is wrong"),
        (f"?token={TOKEN.upper()}", {}, "the token is wrong"),
        (f"?token={TOKEN}&token=wrong", {}, "the token is wrong"),
        ("?token=%F0%9F%94%A5%00", {}, "the token is wrong"),
        ("", {"Authorization": "Bearer wrong"}, "the token is wrong"),
        ("", {"Authorization": f"Basic {TOKEN}"}, "a token is needed"),
        ("", {"Cookie": "lowhalf-PORT=wrong"}, "the token is wrong"),
        ("", {"Cookie": f"lowhalf-PORT={TOKEN}"}, "the token is wrong"),
    ],
)
async def test_without_the_token_there_is_nothing(
    server: OverlayServer,
    http: aiohttp.ClientSession,
    path: str,
    query: str,
    headers: dict[str, str],
    words: str,
) -> None:
    port = str(urlsplit(server.url).port)
    sent = {name: text.replace("PORT", port) for name, text in headers.items()}
    async with http.get(server.url + path + query, headers=sent) as answer:
        body = await answer.text()
        assert answer.status == 401
        # RFC 9110, 15.5.2: a 401 says how to do better
        assert answer.headers["WWW-Authenticate"] == 'Bearer realm="lowhalf"'
        assert "Set-Cookie" not in answer.headers
        assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
    assert body.startswith(words)
    assert "oil" not in body
    assert "812" not in body
    assert TOKEN not in body


async def test_a_socket_needs_the_token(server: OverlayServer, http: aiohttp.ClientSession) -> None:
    origin = server.url.rstrip("/")
    with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
        await http.ws_connect(server.url + "live", origin=origin)
    assert refused.value.status == 401
    assert server.clients == 0
    async with http.ws_connect(server.url + f"live?token={TOKEN}", origin=origin) as live:
        assert (await live.receive_json(timeout=2))["frame"] == 812


async def test_the_token_gives_a_cookie_which_then_suffices(
    server: OverlayServer, http: aiohttp.ClientSession
) -> None:
    port = urlsplit(server.url).port
    async with http.get(server.url + f"overlay?token={TOKEN}") as answer:
        assert answer.status == 200
        cookie = SimpleCookie(answer.headers["Set-Cookie"])[f"lowhalf-{port}"]
    # RFC 6265bis: scripts cannot read it, and no other site's page has it sent
    assert (cookie["httponly"], cookie["samesite"], cookie["path"]) == (True, "Strict", "/")
    assert TOKEN not in cookie.value
    brought = {"Cookie": f"lowhalf-{port}={cookie.value}"}
    async with http.get(server.url + "frame.json", headers=brought) as answer:
        assert json.loads(await answer.text())["frame"] == 812
        assert "Set-Cookie" not in answer.headers
    async with http.ws_connect(server.url + "live", headers=brought) as live:
        assert (await live.receive_json(timeout=2))["frame"] == 812


async def test_programs_bring_it_as_a_bearer_token(
    server: OverlayServer, http: aiohttp.ClientSession
) -> None:
    async with http.get(
        server.url + "frame.json", headers={"Authorization": f"Bearer {TOKEN}"}
    ) as answer:
        assert (await answer.json())["frame"] == 812


async def test_it_answers_under_its_own_address_alone(
    server: OverlayServer, http: aiohttp.ClientSession
) -> None:
    port = urlsplit(server.url).port
    for host in ("localhost", "127.0.0.1", "pier.example"):
        sent = {"Host": f"{host}:{port}"}
        async with http.get(server.url + f"frame.json?token={TOKEN}", headers=sent) as answer:
            assert answer.status == 421
            assert "oil" not in await answer.text()
    sent = {"Origin": f"http://127.0.0.1:{port}"}
    async with http.get(server.url + f"frame.json?token={TOKEN}", headers=sent) as answer:
        assert answer.status == 403


async def test_the_token_is_in_no_log(
    server: OverlayServer, http: aiohttp.ClientSession, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    for query in (f"?token={TOKEN}", "?token=wrong-but-secret-too"):
        async with http.get(server.url + "frame.json" + query):
            pass
    assert TOKEN not in caplog.text
    assert "wrong-but" not in caplog.text
    assert TOKEN not in server.url


def test_the_comparison_takes_the_same_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is compared is given whole to the library's comparison, which is made for it."""
    compared: list[tuple[bytes, bytes]] = []

    def noted(first: bytes, second: bytes) -> bool:
        compared.append((first, second))
        return False

    monkeypatch.setattr("adapters.outputs.web.token.hmac.compare_digest", noted)
    from aiohttp.test_utils import make_mocked_request
    from aiohttp.web import HTTPUnauthorized

    request = make_mocked_request("GET", "/frame.json?token=b")
    with pytest.raises(HTTPUnauthorized):
        WebToken(TOKEN).check(request, 7365)
    assert compared == [(b"b", TOKEN.encode())]


# In a real browser


@pytest.mark.needs("chromium", "chromium")
async def test_a_page_takes_the_token_from_its_address_once(
    browser: str, server: OverlayServer, tmp_path: Path
) -> None:
    value = "document.querySelector('[data-watch=oil] .value')?.textContent"
    async with new_page(browser) as page:
        # as from the local page: the overlay is then a stranger's target, to which the browser
        # sends no strict cookie
        start = tmp_path / "start.html"
        start.write_text(
            f"<script>location.replace('{server.url}overlay?watches=oil&token={TOKEN}')</script>",
            "utf-8",
        )
        await page.open(start.as_uri())
        await page.wait_for(value, "812")
        assert await page.evaluate("location.search") == "?watches=oil"
        assert await page.evaluate("document.cookie") == ""
        await page.call("Page.reload")
        await page.wait_for("performance.getEntriesByType('navigation')[0]?.type", "reload")
        await page.wait_for(value, "812")
        assert page.faults == []
        await page.open(server.url + "frame.json")
        await page.wait_for("document.body?.textContent.includes('812')")


@pytest.mark.needs("chromium", "chromium")
@pytest.mark.parametrize("path", ["", "overlay", "desk"])
async def test_no_page_leaves_the_token_in_its_address(
    browser: str, server: OverlayServer, path: str
) -> None:
    async with new_page(browser) as page:
        await page.open(f"{server.url}{path}?scale=1&token={TOKEN}")
        await page.wait_for("location.search", "?scale=1")
        await page.wait_for("document.body?.dataset.link", "live")
        assert page.faults == []
