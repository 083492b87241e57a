"""The overlay page in a real browser."""

from __future__ import annotations

import logging
from collections.abc import AsyncIterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
import pytest_asyncio

from adapters.outputs.web.clients import Clients
from adapters.outputs.web.server import OverlayServer
from bridge.readings.frame import Frame
from bridge.readings.reading import Reading, Watch
from bridge.values.status import Status
from bridge.values.value_type import INTEGER, TEXT
from schemas.output_settings import OverlayOutput
from tests.adapters.browser import Page
from tests.adapters.made_frames import EAST, HALF, OIL, frame, good, listening, three

pytestmark = [
    pytest.mark.needs("chromium", "chromium"),
    pytest.mark.asyncio(loop_scope="module"),
]

ROW = "document.querySelector('[data-watch={}] .{}')?.textContent"
LINK = "document.body?.dataset.link"
NOTICE = "document.getElementById('notice')?.textContent"


def made(listen: str = "127.0.0.1:0") -> OverlayServer:
    return OverlayServer(OverlayOutput(listen=listen), logging.getLogger("test"))


@pytest_asyncio.fixture(loop_scope="module")
async def server() -> AsyncIterator[OverlayServer]:
    async with listening(made()) as served:
        yield served


def shown(watch: str, part: str = "value") -> str:
    return ROW.format(watch, part)


async def test_the_page_shows_the_frame(page: Page, server: OverlayServer) -> None:
    server.publish(three(812))
    await page.open(server.url + "overlay")
    await page.wait_for(shown("oil"), "812")
    assert await page.evaluate(shown("oil", "label")) == "Lamp oil"
    assert await page.evaluate(shown("oil", "state")) == ""
    assert await page.evaluate(shown("east")) == "117.25"
    assert await page.evaluate(shown("east", "state")) == "+2.75 to go"
    assert await page.evaluate(shown("held_x_low")) == "–"
    # the reason names an expression, which is for the desk's working
    assert await page.evaluate(shown("held_x_low", "state")) == "nothing there"
    server.publish(frame(813, [good(OIL, 811), good(EAST, 120.25), good(HALF, 0x2B6D)]))
    await page.wait_for(shown("oil"), "811")
    await page.wait_for(shown("east", "state"), "hit")
    assert await page.evaluate(shown("held_x_low")) == "0x2B6D"


async def test_values_follow_the_frames(page: Page, server: OverlayServer) -> None:
    await page.open(server.url + "overlay")
    for number in range(1, 121):
        await page.take(partial(server.publish, three(number)))
    await page.pass_time(1 / 15)
    assert await page.evaluate(shown("oil")) == "120"


async def test_the_address_chooses_watches_order_and_size(
    page: Page, server: OverlayServer
) -> None:
    server.publish(three(1))
    await page.open(server.url + "overlay?watches=east,nowhere,oil,east&scale=1.5")
    await page.wait_for(shown("oil"), "1")
    names = "[...document.querySelectorAll('.watch')].map(e => e.dataset.watch)"
    assert await page.evaluate(names) == ["east", "nowhere", "oil"]
    assert await page.evaluate(shown("nowhere", "state")) == "no such watch"
    assert await page.evaluate("getComputedStyle(document.body).fontSize") == "33px"


async def test_it_is_transparent_and_never_scrolls(page: Page, server: OverlayServer) -> None:
    watches = [Watch(f"buoy_{i}", f"Buoy {i}", "x", INTEGER) for i in range(60)]
    server.publish(frame(1, [good(watch, 10**30) for watch in watches]))
    await page.resize(400, 225)
    await page.open(server.url + "overlay")
    await page.wait_for(shown("buoy_59"), "1e30")
    style = "getComputedStyle(document.{}).{}"
    for element in ("body", "documentElement"):
        assert await page.evaluate(style.format(element, "backgroundColor")) == "rgba(0, 0, 0, 0)"
        assert await page.evaluate(style.format(element, "overflow")) == "hidden"
    assert await page.evaluate("document.documentElement.clientWidth") == 400
    right = "Math.max(...[...document.querySelectorAll('.label')]"
    right += ".map(e => e.getBoundingClientRect().right))"
    assert await page.evaluate(right) <= 400


async def test_a_value_does_not_move_when_it_loses_a_digit(
    page: Page, server: OverlayServer
) -> None:
    left = "document.querySelector('[data-watch=oil] .label').getBoundingClientRect().left"
    server.publish(frame(1, [good(OIL, 100)]))
    await page.open(server.url + "overlay")
    await page.wait_for(shown("oil"), "100")
    first = await page.evaluate(left)
    for value in (7, 111, 999, 40):
        server.publish(frame(2, [good(OIL, value)]))
        await page.wait_for(shown("oil"), str(value))
        assert await page.evaluate(left) == pytest.approx(first, abs=0.1)  # pixels


async def test_a_stale_pointer_stands_beside_its_value(page: Page, server: OverlayServer) -> None:
    reason = "courier.held points into a free block (block 2)"
    readings = [Reading(OIL, Status.FREED, 73, reason=reason)]
    readings.append(Reading(EAST, Status.CHANGED, 117.25, reason=reason))
    server.publish(frame(5, readings))
    await page.open(server.url + "overlay")
    await page.wait_for(shown("oil"), "73")
    assert await page.evaluate(shown("oil", "state")) == "freed"
    assert await page.evaluate(shown("east")) == "117.25"
    assert await page.evaluate(shown("east", "state")) == "changed, +2.75 to go"
    # the value is there: it is not grey
    colour = "getComputedStyle(document.querySelector('[data-watch=oil] .value')).color"
    assert await page.evaluate(colour) == "rgb(255, 255, 255)"


async def test_offline_is_grey_with_its_age(page: Page, server: OverlayServer) -> None:
    last = frame(5, [good(OIL, 73), good(EAST, 120.0)])
    server.publish(last)
    await page.open(server.url + "overlay")
    await page.wait_for(shown("east", "state"), "hit")
    colour = "getComputedStyle(document.querySelector('[data-watch=oil] .value')).color"
    assert await page.evaluate(colour) == "rgb(255, 255, 255)"
    server.publish(last.offline("the pier is gone", last.ticks + 75))
    await page.wait_for(shown("oil", "state"), "offline 1 min")
    assert await page.evaluate(shown("oil")) == "73"
    # a hit is not known any more, and is not shown as one
    await page.wait_for(shown("east", "state"), "offline 1 min")
    target = "document.querySelector('[data-watch={}]').dataset.target"
    assert await page.evaluate(target.format("east")) == "unknown"
    assert await page.evaluate(target.format("oil")) == "none"
    await page.wait_for(colour, "rgb(180, 180, 180)")
    await page.wait_for(NOTICE, "the pier is gone")
    server.publish(replace(last, note="").offline("the pier is gone", last.ticks + 3))
    await page.wait_for(shown("oil", "state"), "offline 5 s")  # it goes on counting by itself
    server.publish(three(74))
    await page.wait_for(colour, "rgb(255, 255, 255)")
    await page.wait_for(NOTICE, "")


async def test_it_greys_when_the_server_goes_and_recovers_when_it_is_back(page: Page) -> None:
    async with listening(made()) as first:
        port = urlsplit(first.url).port
        first.publish(three(1))
        await page.open(first.url + "overlay")
        await page.wait_for(LINK, "live")
    await page.wait_for(LINK, "lost")
    assert await page.evaluate(shown("oil")) == "1"
    colour = "getComputedStyle(document.querySelector('[data-watch=oil] .value')).color"
    await page.wait_for(colour, "rgb(180, 180, 180)")
    said = "/^no connection to lowhalf, values from [1-9] s ago$/"
    await page.wait_for(f"{said}.test({NOTICE})")
    async with listening(made(f"127.0.0.1:{port}")) as second:
        second.publish(three(2))
        await page.pass_time(5)
        await page.wait_for(shown("oil"), "2")
        await page.wait_for(LINK, "live")
        await page.wait_for(NOTICE, "")
    # A refused connection is in the browser's own log; nothing else may be.
    page.faults[:] = [fault for fault in page.faults if "ERR_CONNECTION_REFUSED" not in fault]


async def test_a_server_that_falls_silent_is_taken_for_gone(
    page: Page, server: OverlayServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A frozen server keeps its sockets open; only its silence tells."""
    monkeypatch.setattr(Clients, "REPEAT", 60.0)
    await page.open(server.url + "overlay")
    await page.take(partial(server.publish, three(1)), 1)
    assert await page.evaluate(LINK) == "live"
    await page.pass_time(4.8)
    assert await page.evaluate(LINK) == "live"
    await page.pass_time(0.4)
    assert await page.evaluate(LINK) == "lost"
    await page.wait_for(LINK, "live")  # a new connection gets the newest at once


async def test_text_stays_text(page: Page, server: OverlayServer) -> None:
    evil = "<script>document.title='taken'</script><img src=x onerror=\"document.title='taken'\">"
    watch = Watch("name", f"<b>{evil}</b>", "name", TEXT)
    null = Reading(HALF, Status.NULL, reason="courier.held is null", cause=evil)
    server.publish(frame(1, [good(watch, evil), null], note=evil))
    await page.open(server.url + "overlay")
    await page.wait_for(shown("name"), evil)
    assert await page.evaluate(shown("name", "label")) == f"<b>{evil}</b>"
    assert await page.evaluate(shown("held_x_low", "state")) == evil
    assert await page.evaluate(NOTICE) == evil
    assert await page.evaluate("document.querySelectorAll('img, b, body script').length") == 0
    assert await page.evaluate("document.title") == "lowhalf overlay"


async def test_the_policy_blocks_what_is_injected(page: Page, server: OverlayServer) -> None:
    """A check of the checks: a violation does show up among the faults."""
    await page.open(server.url + "overlay")
    await page.wait_for("document.readyState", "complete")
    await page.evaluate(
        "window.refused = 0; addEventListener('securitypolicyviolation', () => window.refused++);"
        "{const s = document.createElement('script'); s.textContent = 'window.taken = 1';"
        "document.body.append(s); new Image().src = 'http://127.0.0.1:9/x'}"
    )
    await page.wait_for("window.refused", 2)
    assert await page.evaluate("window.taken === undefined")
    assert any("Content Security Policy" in fault for fault in page.faults)
    page.faults.clear()


async def test_a_users_own_style_wins(page: Page, server: OverlayServer) -> None:
    """Streaming software adds its user's rules as a style element in the head."""
    server.publish(three(1))
    await page.open(server.url + "overlay")
    await page.wait_for(shown("oil"), "1")
    await page.evaluate(
        "{const s = document.createElement('style');"
        "s.textContent = 'body {--text: rgb(1, 2, 3)} .label {display: none}';"
        "document.head.append(s)}"
    )
    style = "getComputedStyle(document.querySelector('[data-watch=oil] .{}')).{}"
    await page.wait_for(style.format("value", "color"), "rgb(1, 2, 3)")
    assert await page.evaluate(style.format("label", "display")) == "none"


WATCH_CHANGES = """
window.texts = []; window.emphases = [];
new MutationObserver((changes) => {
  const now = performance.now();
  if (changes.some((c) => c.type === "attributes")) window.emphases.push(now);
  if (changes.some((c) => c.type === "childList")) window.texts.push(now);
}).observe(document.body, {
  subtree: true, childList: true, attributes: true,
  attributeFilter: ["data-target", "data-status", "data-link", "class", "hidden"],
});
0
"""


def flipping(number: int) -> Frame:
    """Everything changes with every frame: values, hits, statuses and the note."""
    odd = number % 2 == 1
    half = good(HALF, number) if odd else Reading(HALF, Status.NULL, reason="courier.held is null")
    readings = [good(OIL, number), good(EAST, 120.0 if odd else 90.0), half]
    return frame(number, readings, note="the gull is here" if odd else "")


def most_in_a_second(times: list[float]) -> int:
    """The largest count in any second; times in milliseconds."""
    return max((sum(start <= t < start + 1000 for t in times) for start in times), default=0)


async def flip(page: Page, server: OverlayServer, seconds: float) -> dict[str, list[float]]:
    server.publish(flipping(0))
    await page.open(server.url + "overlay")
    await page.wait_for(LINK, "live")
    await page.evaluate(WATCH_CHANGES)
    for number in range(1, int(seconds * 60)):
        # Every seventh frame does not flip, so that no fixed pace can hide the flips.
        await page.take(partial(server.publish, flipping(number + number // 7)))
    found: Any = await page.evaluate("({texts, emphases})")
    return {name: list(times) for name, times in found.items()}


async def test_a_value_that_flips_at_60_hz_does_not_flash(
    page: Page, server: OverlayServer
) -> None:
    """At most two changes of emphasis and 15 of text in any second.

    WCAG 2.2, success criterion 2.3.1, allows three flashes; a flash is a pair of changes.
    """
    found = await flip(page, server, 5)
    assert len(found["emphases"]) >= 4  # it does follow
    assert most_in_a_second(found["emphases"]) <= 2
    assert len(found["texts"]) > 40
    assert most_in_a_second(found["texts"]) <= 15


async def test_reduced_motion_is_calmer_still(page: Page, server: OverlayServer) -> None:
    await page.emulate(prefers_reduced_motion="reduce")
    found = await flip(page, server, 4)
    assert most_in_a_second(found["emphases"]) <= 1
    assert len(found["emphases"]) >= 2
    style = "getComputedStyle(document.querySelector('[data-watch=oil] .value')).transitionDuration"
    assert await page.evaluate(style) == "0s"


async def test_the_first_page_leads_to_the_others(page: Page, server: OverlayServer) -> None:
    server.publish(three(1))
    await page.open(server.url)
    await page.wait_for("document.readyState", "complete")
    links = "[...document.querySelectorAll('a')].map(a => a.getAttribute('href'))"
    assert await page.evaluate(links) == [
        "/overlay",
        "/desk",
        "/practice",
        "/by-hand",
        "/frame.json",
    ]


async def test_a_picture_has_letters_and_is_transparent_elsewhere(
    page: Page, server: OverlayServer, tmp_path: Path
) -> None:
    """The browser itself counts the pixels of its own picture."""
    server.publish(three(812))
    await page.resize(400, 225)
    await page.open(server.url + "overlay")
    await page.wait_for(shown("oil"), "812")
    await page.pass_time(0.5)
    picture = await page.picture()
    bytes_text = ",".join(str(byte) for byte in picture)
    await page.open("about:blank")
    await page.wait_for("document.readyState", "complete")
    counts = await page.evaluate(
        "(async () => {"
        f"const blob = new Blob([new Uint8Array([{bytes_text}])], {{type: 'image/png'}});"
        "const image = await createImageBitmap(blob);"
        "const canvas = new OffscreenCanvas(image.width, image.height);"
        "const context = canvas.getContext('2d'); context.drawImage(image, 0, 0);"
        "const data = context.getImageData(0, 0, image.width, image.height).data;"
        "let clear = 0, white = 0, black = 0;"
        "for (let i = 0; i < data.length; i += 4) {"
        "  if (data[i + 3] === 0) clear++;"
        "  else if (data[i + 3] === 255 && data[i] + data[i + 1] + data[i + 2] > 740) white++;"
        "  else if (data[i + 3] === 255 && data[i] + data[i + 1] + data[i + 2] < 20) black++;"
        "} return {pixels: data.length / 4, clear, white, black}; })()"
    )
    assert counts["pixels"] == 400 * 225
    assert counts["clear"] > 0.6 * counts["pixels"]
    assert counts["white"] > 500
    assert counts["black"] > 500
