"""How the overlay looks: themes, places, pieces, sizes, the gauge, contrast."""

from __future__ import annotations

import asyncio
import base64
import hashlib
import logging
from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from typing import Any

import aiohttp
import numpy as np
import pytest
import pytest_asyncio

from adapters.outputs.web.clients import Clients
from adapters.outputs.web.server import OverlayServer
from bridge.heap.blocks import Block, Heap
from bridge.practice.attempts import Attempt, Outcome
from bridge.practice.progress import Phase, Practice
from bridge.practice.steps import StepOutcome, StepResult
from bridge.practice.totals import Rate, Score
from bridge.readings.frame import Frame
from bridge.readings.reading import Reading, Watch
from bridge.values.status import Status
from bridge.values.target import between
from bridge.values.value_type import INTEGER, Kind, ValueType
from schemas.output_settings import OverlayOutput
from tests.adapters.accessibility import AXE, serious_violations, violations
from tests.adapters.browser import FRAME, Page, new_page
from tests.adapters.film import pixels
from tests.adapters.made_frames import EAST, HALF, OIL, frame, good, listening, three

pytestmark = [
    pytest.mark.needs("chromium", "chromium"),
    pytest.mark.asyncio(loop_scope="module"),
]

ANGLE = ValueType(Kind.INTEGER, 16, angle=True, name="angle16")
FACING = Watch("facing", "Facing", "courier.facing", ANGLE, "degrees", between(16000, 17000, ANGLE))
SLOT = Watch("slot", "Held crate", "block(courier.held).index", INTEGER)
FAILED = Attempt(16, "export", 1, 1.0, Outcome.FAILED, "turn", frames=80, seconds=1.3)
PRACTICE = Practice(
    Phase.RUNNING, "turn", 2, 3, 14, "half a turn", "", 18, 61,
    last=FAILED, score=Score(Rate(9, 17), 2, 1),
)  # fmt: skip
HEAP = Heap(
    [
        Block(0x8020_0010, 0x1F0, True, 0, "crate", 0x8020_0000),
        Block(0x8020_0210, 0x3F0, False, 1, "free", 0x8020_0200),
        Block(0x8020_0610, 0x1F0, True, 2, "<b>gull</b>", 0x8020_0600),
    ],
    header_size=16,
)
EVERYTHING = "show=values,steps,attempts,heap"
THEMES = ("outline", "plate", "light", "dark", "contrast")


def full(number: int = 812) -> Frame:
    """All kinds of lines, with and without target, warning and value; and all pieces."""
    readings = [
        good(OIL, number),
        good(EAST, 117.25),
        good(FACING, 16500),
        Reading(SLOT, Status.FREED, 2, reason="courier.held points into a free block"),
        Reading(HALF, Status.NULL, reason="courier.held is null"),
    ]
    return replace(frame(number, readings), practice=PRACTICE, heap=HEAP)


@pytest_asyncio.fixture(loop_scope="module")
async def server(monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[OverlayServer]:
    monkeypatch.setattr(Clients, "REPEAT", 0.1)  # pages tell with what they are sent
    settings = OverlayOutput(listen="127.0.0.1:0")
    async with listening(OverlayServer(settings, logging.getLogger("test"))) as served:
        served.publish(full())
        yield served


async def show(page: Page, server: OverlayServer, query: str = "") -> None:
    await page.open(f"{server.url}overlay?{query}")
    await page.wait_for("document.body?.dataset.link", "live")


def text_of(selector: str) -> str:
    return f"document.querySelector({selector!r})?.textContent"


def style_of(selector: str, name: str) -> str:
    return f"getComputedStyle(document.querySelector({selector!r})).{name}"


BOXES = """
[...document.querySelectorAll(
  ".value, .label, .state, .gauge, #steps > *, #attempts > *, #heap > *, .line")].filter(
    (each) => each.getClientRects().length > 0 && each.textContent + each.className !== ""
  ).map((each) => {
    const box = each.getBoundingClientRect();
    return {name: each.className + " " + each.textContent, left: box.left, top: box.top,
      right: box.right, bottom: box.bottom};
  })
"""


# Themes


@pytest.mark.parametrize("theme", THEMES)
async def test_the_checker_finds_nothing_serious(
    page: Page, server: OverlayServer, theme: str
) -> None:
    await show(page, server, f"{EVERYTHING}&theme={theme}")
    await page.pass_time(0.4)  # colours fade
    assert await serious_violations(page) == []
    server.publish(full().offline("the pier is gone", full().ticks + 75))
    await page.wait_for("document.body.dataset.source", "offline")
    await page.pass_time(0.4)
    assert await serious_violations(page) == []


async def test_the_checker_finds_nothing_serious_on_the_first_page(
    page: Page, server: OverlayServer
) -> None:
    for scheme in ("dark", "light"):
        await page.emulate(prefers_color_scheme=scheme)
        await page.open(server.url)
        await page.wait_for(text_of("[data-watch=oil] .value"), "812")
        assert await serious_violations(page) == []


async def test_the_checker_is_the_release_as_it_is_published() -> None:
    """The digest is that of the release's own list, sri-history.json."""
    digest = base64.b64encode(hashlib.sha256(AXE.read_bytes()).digest()).decode()
    assert digest == "ZqiqqVqLBEp/10pUNYc78E/2WhynVWfJIbdQl0IIWhQ="


async def test_the_checker_does_find_faults(page: Page, server: OverlayServer) -> None:
    """A check of the check."""
    await show(page, server, "theme=light")
    await page.evaluate(
        "{const s = document.createElement('style'); s.textContent = '.label {color: #ddd}';"
        "document.head.append(s)}"
    )
    await page.pass_time(0.4)
    found = await violations(page)
    assert "color-contrast" in [violation.rule for violation in found]


def luminance(colour: Any) -> float:
    """Relative luminance, WCAG 2.2."""
    share = np.asarray(colour, float) / 255
    linear = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(one: Any, other: Any) -> float:
    """Contrast ratio, WCAG 2.2."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("theme", THEMES)
async def test_every_colour_reads_on_any_picture(
    page: Page, server: OverlayServer, theme: str
) -> None:
    """4.5 to 1 against the outline, or the plate over black and over white (SC 1.4.3).

    The high contrast theme has 7 to 1 (SC 1.4.6).
    """
    await show(page, server, f"theme={theme}")
    colours = await page.evaluate(
        "Object.fromEntries(['text', 'hit', 'miss', 'warning', 'absent', 'outline', 'plate'].map("
        "name => {const probe = document.createElement('i');"
        "probe.style.color = `var(--${name})`; document.body.append(probe);"
        "const found = getComputedStyle(probe).color.match(/[\\d.]+/g).map(Number);"
        "probe.remove(); return [name, found]}))"
    )
    red, green, blue, *alpha = colours.pop("plate")
    outline = colours.pop("outline")
    opacity = alpha[0] if alpha else 1.0
    plates = [
        np.array([red, green, blue]) * opacity + 255 * picture * (1 - opacity) for picture in (0, 1)
    ]
    behind = [outline] if theme == "outline" else plates
    least = 7.0 if theme == "contrast" else 4.5
    for name, colour in colours.items():
        for each in behind:
            assert contrast(colour, each) >= least, (name, colour, each)
    # no saturated red, which must not even change slowly (SC 2.3.1)
    for colour in colours.values():
        share = ((np.asarray(colour) / 255 + 0.055) / 1.055) ** 2.4
        assert share[0] / share.sum() < 0.8


async def test_a_state_is_told_by_shape_and_words(page: Page, server: OverlayServer) -> None:
    await show(page, server)
    opacity = "[...document.querySelectorAll('[data-watch={}] .mark g')]"
    opacity += ".filter(g => getComputedStyle(g).opacity === '1').map(g => g.className.baseVal)"
    for watch, shape, words in [
        ("east", "miss", "+2.75 to go"),
        ("facing", "hit", "hit"),
        ("slot", "warning", "freed"),
        ("held_x_low", "absent", "nothing there"),
    ]:
        await page.wait_for(opacity.format(watch), [shape])
        assert await page.evaluate(text_of(f"[data-watch={watch}] .state")) == words
    assert await page.evaluate(style_of("[data-watch=oil] .mark", "display")) == "none"
    server.publish(full().offline("the pier is gone", full().ticks + 75))
    await page.wait_for(opacity.format("east"), ["offline"])
    assert await page.evaluate(text_of("[data-watch=east] .state")) == "offline 1 min"


# What the address says


async def told(server: OverlayServer, count: int = 1) -> list[str]:
    """What the desk is told of overlay pages, once it is told of so many complaints."""

    def pages(snapshot: Any) -> list[str]:
        found: list[str] = snapshot["health"]["pages"]
        return found if "; ".join(found).count("; ") >= count - 1 else []

    found: list[str] = await newest(server, pages)
    return found


async def newest(server: OverlayServer, wanted: Callable[[Any], Any], seconds: float = 15) -> Any:
    """What *wanted* gives of what a desk is sent, once it gives anything."""
    url = f"{server.url}live?parts=desk"
    async with aiohttp.ClientSession() as http, http.ws_connect(url) as live:
        async with asyncio.timeout(seconds):
            while not (found := wanted(await live.receive_json())):
                await live.send_str("ack")
            return found


@pytest.fixture
def console(page: Page) -> list[str]:
    """What the page writes in its console."""
    said: list[str] = []
    page.listeners["Runtime.consoleAPICalled"] = lambda event: said.append(
        event["args"][0]["value"]
    )
    return said


async def test_what_is_not_understood_is_told_to_the_desk_and_not_on_air(
    page: Page, server: OverlayServer, console: list[str]
) -> None:
    query = "theme=%3Cimg%20src=x%3E&align=up,left&show=heaps&scale=99&colour=1&watches=oil,nowhere"
    await show(page, server, query)
    words = [
        'scale "99": expected a number from 0.25 to 10',
        'theme "<img src=x>": expected outline, plate, light, dark, contrast',
        'align "up": expected left, center, right, top, middle, bottom',
        'show "heaps": expected values, steps, attempts, plan, heap',
        '"colour": expected watches, scale, theme, align, show',
        'watches "nowhere": no such watch',
    ]
    assert await told(server, 6) == ["; ".join(words)]
    assert console == [f"lowhalf: {each}" for each in words]
    assert "expected" not in await page.evaluate("document.body.textContent")
    # all the rest is there as ever
    assert await page.evaluate(text_of("[data-watch=oil] .value")) == "812"
    assert await page.evaluate(style_of("body", "fontSize")) == "22px"
    assert await page.evaluate("document.querySelectorAll('img, b').length") == 0


async def test_the_desk_shows_what_overlay_pages_do_not(
    page: Page, server: OverlayServer, browser: str
) -> None:
    await page.resize(200, 60)
    await show(page, server, "theme=neon")
    (words,) = await told(server, 2)
    complaint, _, rest = words.partition("; ")
    assert complaint == 'theme "neon": expected outline, plate, light, dark, contrast'
    assert rest.endswith(" more do not fit")
    async with new_page(browser) as desk:
        await desk.open(f"{server.url}desk")
        listed = "[...document.querySelectorAll('#bridge .complaints li')].map(e => e.textContent)"
        await desk.wait_for(listed, [words])
        await page.open("about:blank")
        await desk.call("Page.bringToFront")  # a page that is not seen does not paint
        await desk.wait_for(listed, [], seconds=15)


@pytest.mark.parametrize(
    ("align", "across", "down"),
    [
        ("", "left", "top"),
        ("right", "right", "top"),
        ("bottom", "left", "bottom"),
        ("right,bottom", "right", "bottom"),
        ("bottom-right", "right", "bottom"),
        ("center%20middle", "center", "middle"),
        ("centre", "center", "top"),
    ],
)
async def test_the_place_in_the_window(
    page: Page, server: OverlayServer, align: str, across: str, down: str
) -> None:
    await show(page, server, f"theme=plate&watches=oil,east&show=values&align={align}")
    box = await page.evaluate(
        "(({left, right, top, bottom}) => [left, 800 - right, top, 600 - bottom])"
        "(document.getElementById('stage').getBoundingClientRect())"
    )
    left, right, top, bottom = box
    margin = 11  # half an em of 22 px
    assert (left == pytest.approx(margin, abs=1)) is (across == "left")
    assert (right == pytest.approx(margin, abs=1)) is (across == "right")
    assert (left == pytest.approx(right, abs=1.5)) is (across == "center")
    assert (top == pytest.approx(margin, abs=1)) is (down == "top")
    assert (bottom == pytest.approx(margin, abs=1)) is (down == "bottom")
    assert (top == pytest.approx(bottom, abs=1.5)) is (down == "middle")
    # on the right the numbers are at the edge, else the labels follow them
    number, label = [
        await page.evaluate(f"document.querySelector('{part}').getBoundingClientRect().left")
        for part in ("[data-watch=oil] .value", "[data-watch=oil] .label")
    ]
    assert (number > label) is (across == "right")


@pytest.mark.parametrize("align", ["left", "center", "right"])
async def test_nothing_moves_when_words_change(
    page: Page, server: OverlayServer, align: str
) -> None:
    """The longest words were there once; then hit, miss and lost digits move nothing."""
    server.publish(frame(1, [good(OIL, 100), good(EAST, -780.25)]))
    await show(page, server, f"align={align}")
    await page.wait_for(text_of("[data-watch=east] .state"), "+900.25 to go")
    lefts = "[...document.querySelectorAll('.label')].map(e => e.getBoundingClientRect().left)"
    before = await page.evaluate(lefts)
    for value, words in ((120.0, "hit"), (90.25, "+29.75 to go"), (9.5, "+110.50 to go")):
        server.publish(frame(2, [good(OIL, 7), good(EAST, value)]))
        await page.wait_for(text_of("[data-watch=east] .state"), words)
        assert await page.evaluate(lefts) == pytest.approx(before, abs=0.1)


async def test_only_the_pieces_that_were_asked_for_are_there_in_their_order(
    page: Page, server: OverlayServer
) -> None:
    await show(page, server, "show=attempts,values")
    ids = "[...document.getElementById('stage').children].map(e => e.id).filter(Boolean)"
    assert await page.evaluate(ids) == ["attempts", "watches", "notice"]
    assert await page.evaluate("document.querySelectorAll('.watch').length") == 5
    await show(page, server, "show=steps")
    assert await page.evaluate("document.querySelectorAll('.watch').length") == 0


# Pieces


async def test_steps(page: Page, server: OverlayServer) -> None:
    await show(page, server)
    assert await page.evaluate(text_of("#steps .where")) == "attempt 18: step 2 of 3, turn"
    assert await page.evaluate(text_of("#steps .hint")) == "half a turn"
    states = "[...document.querySelectorAll('.dash')].map(dash => dash.dataset.state)"
    assert await page.evaluate(states) == ["done", "now", "ahead"]
    done = replace(PRACTICE, phase=Phase.DONE, step="", hint="<i>row</i>")
    server.publish(replace(full(), practice=done))
    await page.wait_for(states, ["done", "done", "done"])
    assert await page.evaluate(text_of("#steps .where")) == "attempt 18: all 3 steps done"
    assert await page.evaluate(text_of("#steps .hint")) == "<i>row</i>"


async def test_frames_of_the_step_and_of_those_before_go_on_and_those_missed_are_told(
    page: Page, server: OverlayServer
) -> None:
    await show(page, server, "show=steps,attempts")
    done = StepResult("corner", StepOutcome.DONE, 0, 47, 0.8)
    assert await page.evaluate(text_of("#steps .count")) == "14 frames"
    lefts = "[...document.querySelectorAll('#stage *')].map(e => e.getBoundingClientRect().left)"
    server.publish(replace(full(), practice=replace(PRACTICE, finished=(done,))))
    await page.wait_for(text_of("#steps .count"), "14 frames after 47")
    before = await page.evaluate(lefts)
    for frames in (1, 15, 999):
        now = replace(PRACTICE, finished=(done,), frames=frames)
        server.publish(replace(full(), practice=now))
        said = f"{frames} frame{'s' * (frames > 1)} after 47"
        await page.wait_for(text_of("#steps .count"), said)
        assert await page.evaluate(lefts) == before  # nothing moves
    finished = (done, done, replace(done, frames=3))
    all_done = replace(PRACTICE, phase=Phase.DONE, step="", finished=finished)
    server.publish(replace(full(), practice=all_done))
    await page.wait_for(text_of("#steps .count"), "in 47 + 47 + 3 frames")
    assert PRACTICE.last is not None
    missed = replace(PRACTICE.last, frames=80, frames_seen=77)
    server.publish(replace(full(), practice=replace(PRACTICE, last=missed)))
    await page.wait_for(text_of("#attempts .past"), "last failed at turn, 3 of 80 frames missed")
    doubted = replace(missed, frames_seen=None)
    server.publish(replace(full(), practice=replace(PRACTICE, last=doubted)))
    await page.wait_for(text_of("#attempts .past"), "last failed at turn")  # not known
    server.publish(replace(full(), practice=replace(PRACTICE, phase=Phase.BETWEEN, index=0)))
    await page.wait_for(text_of("#steps .count"), "")


async def test_attempts(page: Page, server: OverlayServer) -> None:
    await show(page, server)
    assert await page.evaluate(text_of("#attempts .rate")) == "9 of 17 attempts, 53 %"
    assert await page.evaluate(text_of("#attempts .streak")) == "2 in a row"
    assert await page.evaluate(text_of("#attempts .past")) == "last failed at turn"
    line = "(part) => document.querySelector(`.chances ${part}`).getBoundingClientRect()"
    track, bar, point = [
        await page.evaluate(f"(({line})('{part}')).toJSON()")
        for part in (".track", ".range", ".point")
    ]
    low, high = Rate(9, 17).interval
    assert (bar["left"] - track["left"]) / track["width"] == pytest.approx(low, abs=0.02)
    assert (bar["right"] - track["left"]) / track["width"] == pytest.approx(high, abs=0.02)
    middle = (point["left"] + point["right"]) / 2 - track["left"]
    assert middle / track["width"] == pytest.approx(9 / 17, abs=0.03)


async def test_the_heap_is_a_strip_with_the_held_block_marked(
    page: Page, server: OverlayServer
) -> None:
    await show(page, server, "show=heap&theme=dark&scale=2")
    await page.wait_for(
        text_of("#heap .note"), "Held crate: block 2 of 3, <b>gull</b>; 3 blocks, 50 % free"
    )
    box = await page.evaluate("document.querySelector('.strip').getBoundingClientRect().toJSON()")
    picture = pixels(await page.picture())
    row = picture[int(box["bottom"] - box["height"] * 0.3)]

    def colour(share: float) -> tuple[int, ...]:
        return tuple(int(part) for part in row[int(box["left"] + share * box["width"])])

    # a quarter used, half free, a quarter used and held
    assert colour(0.12) == (0xB4, 0xB4, 0xB4)
    assert colour(0.5) == (0x10, 0x1A, 0x22)
    assert colour(0.87) == (0xF0, 0xE4, 0x42)
    assert await page.evaluate("document.querySelectorAll('#heap b').length") == 0


async def test_a_piece_that_there_is_nothing_for_says_so(page: Page, server: OverlayServer) -> None:
    server.publish(three(1))
    await show(page, server, EVERYTHING)
    assert await page.evaluate(text_of("#steps .where")) == "no steps in the bridge file"
    assert await page.evaluate(text_of("#attempts .rate")) == "no attempts in the bridge file"
    words = "no heap: no watch reads it, or the schema describes none"
    assert await page.evaluate(text_of("#heap .note")) == words
    await show(page, server)
    for piece in ("steps", "attempts"):
        assert await page.evaluate(style_of(f"#{piece}", "display")) == "none"
    server.publish(frame(2, []))
    await show(page, server, "show=values")
    await page.wait_for(text_of("#notice"), "there are no watches")


# The gauge

PLACE = (
    "parseFloat(document.querySelector('[data-watch={}] .gauge').style.getPropertyValue('--at'))"
)


async def test_the_gauge_shows_which_way_and_how_far(page: Page, server: OverlayServer) -> None:
    def east(value: float) -> Frame:
        return frame(1, [good(EAST, value)])

    server.publish(east(20.0))
    await show(page, server)
    await page.wait_for(PLACE.format("east"), -1)  # the furthest so far, too small
    for value, at in ((95.0, -0.5), (220.0, 1), (145.0, 0.5), (120.0, 0), (520.0, 1), (220.0, 0.5)):
        server.publish(east(value))
        await page.wait_for(PLACE.format("east"), at)
    server.publish(frame(1, [Reading(EAST, Status.NULL, reason="courier is null")]))
    shown = style_of("[data-watch=east] .float", "visibility")
    await page.wait_for(shown, "hidden")


async def test_the_gauge_of_an_angle_and_a_range(page: Page, server: OverlayServer) -> None:
    """Inside the range the float is in the middle; outside it is on the shorter side."""
    server.publish(frame(1, [good(FACING, 0xF000)]))
    await show(page, server)
    await page.wait_for(PLACE.format("facing"), -1)  # 20,096 up to 16,000, by way of a whole turn
    for value, sign in ((16500, 0), (17500, 1), (15000, -1), (0x9000, 1)):
        server.publish(frame(1, [good(FACING, value)]))
        await page.wait_for(f"Math.sign({PLACE.format('facing')})", sign)


async def test_the_float_glides(page: Page, server: OverlayServer) -> None:
    server.publish(frame(1, [good(EAST, 20.0)]))
    await show(page, server)
    await page.wait_for(PLACE.format("east"), -1)
    await page.pass_time(0.4)
    server.publish(frame(1, [good(EAST, 110.0)]))
    left = "document.querySelector('[data-watch=east] .float').getBoundingClientRect().left"
    places: set[int] = set()
    for _ in range(20):
        await page.pass_time(FRAME, FRAME)
        places.add(round(await page.evaluate(left)))
    assert len(places) >= 4


@pytest.mark.parametrize("value", [120.0, 220.0])
async def test_the_float_jumps_where_the_words_do(
    page: Page, server: OverlayServer, value: float
) -> None:
    """To a hit, and past the target: between its two places it would say something false."""
    server.publish(frame(1, [good(EAST, 20.0)]))
    await show(page, server)
    await page.wait_for(PLACE.format("east"), -1)
    await page.pass_time(0.4)
    await page.evaluate(
        "window.places = new Set(); window.look = () => { window.places.add(Math.round("
        "document.querySelector('[data-watch=east] .float').getBoundingClientRect().left));"
        "requestAnimationFrame(window.look) }; window.look()"
    )
    server.publish(frame(1, [good(EAST, value)]))
    await page.pass_time(1, FRAME)
    assert await page.evaluate(text_of("[data-watch=east] .value")) == f"{value:.2f}"
    assert await page.evaluate("window.places.size") == 2


# Any size

SIZES = [(200, 60), (150, 400), (400, 225), (800, 600), (1920, 1080), (3840, 2160)]


@pytest.mark.parametrize(
    "query", [EVERYTHING, f"{EVERYTHING}&theme=plate&align=right,bottom", f"{EVERYTHING}&scale=4"]
)
async def test_in_every_size_nothing_overlaps_and_nothing_scrolls(
    page: Page, server: OverlayServer, query: str
) -> None:
    await show(page, server, query)
    for size in SIZES:
        await page.resize(*size)
        await page.pass_time(0.2)
        await check_size(page, *size)


async def check_size(page: Page, width: int, height: int) -> None:
    root = "document.documentElement"
    assert await page.evaluate(f"[{root}.clientWidth, {root}.clientHeight]") == [width, height]
    assert await page.evaluate(f"{root}.scrollHeight <= {height} && {root}.scrollWidth <= {width}")
    boxes = await page.evaluate(BOXES)
    assert len(boxes) >= 2
    for box in boxes:
        assert box["left"] >= -0.5, box
        assert box["top"] >= -0.5, box
        assert box["right"] <= width + 0.5, box
        assert box["bottom"] <= height + 0.5, box
    for number, one in enumerate(boxes):
        for other in boxes[number + 1 :]:
            across = min(one["right"], other["right"]) - max(one["left"], other["left"])
            down = min(one["bottom"], other["bottom"]) - max(one["top"], other["top"])
            assert across < 1.5 or down < 1.5, (one, other)
    assert await page.evaluate("parseFloat(getComputedStyle(document.body).fontSize)") >= 5.5


async def test_what_does_not_fit_is_left_out_last_first_and_told(
    page: Page, server: OverlayServer, console: list[str]
) -> None:
    watches = [Watch(f"buoy_{i}", f"Buoy {i}", "x", INTEGER) for i in range(60)]
    server.publish(frame(1, [good(watch, 7) for watch in watches]))
    await page.resize(400, 225)
    await show(page, server)
    shown = "[...document.querySelectorAll('.value')].filter(e => e.getClientRects().length).length"
    await page.wait_for(f"{shown} > 5")
    count = await page.evaluate(shown)
    assert console == [f"lowhalf: {60 - count} more do not fit"]
    assert await told(server) == [f"{60 - count} more do not fit"]
    assert "more" not in await page.evaluate("document.body.textContent")
    assert (
        await page.evaluate("document.querySelector('.dropped').dataset.watch") == f"buoy_{count}"
    )
    await page.resize(1200, 2000)
    await page.wait_for(shown, 60)
    assert len(console) == 1
    await newest(server, lambda found: found["health"]["pages"] == [])


# Nothing jumps on air

LAYOUT = """
(() => {
  const left = (each) => Math.round(each.getBoundingClientRect().left * 10) / 10;
  return {
    size: getComputedStyle(document.body).fontSize,
    width: Math.round(document.getElementById("stage").getBoundingClientRect().width),
    labels: [...document.querySelectorAll(".label")].map(left),
    values: [...document.querySelectorAll(".watch")].map((each) => each.offsetTop),
  };
})()
"""
HUGE = Watch("huge", "Tide", "tide", INTEGER)
LONG_REASON = (
    "first: [a for a in chain(head, 'next') if a.kind == ActorKind.lantern or a.kind == 1] is empty"
)


def calm() -> list[Reading]:
    """All is well."""
    return [good(HUGE, 1234567), good(EAST, 117.25), good(FACING, 16500), good(HALF, 0x2B6D)]


def troubled() -> list[Reading]:
    """Warned, absent, far away: all that has long reasons and long numbers."""
    return [
        Reading(HUGE, Status.NULL, reason=LONG_REASON, cause="nothing there: an empty list"),
        Reading(EAST, Status.CHANGED, 1e60, reason="east was aimed at a crate and now is not"),
        Reading(FACING, Status.UNMAPPED, reason=f"{LONG_REASON}: 0x00000024 is outside ram"),
        Reading(HALF, Status.ERROR, reason=f"{LONG_REASON}: division by zero"),
    ]


@pytest.mark.parametrize("query", ["theme=outline", "theme=plate", "theme=dark&align=right,bottom"])
async def test_no_reason_moves_or_resizes_anything(
    page: Page, server: OverlayServer, query: str
) -> None:
    server.publish(frame(1, calm()))
    await show(page, server, query)
    for size in [(400, 225), (960, 1080), (1920, 1080)]:
        await page.resize(*size)
        await page.wait_for(text_of("[data-watch=huge] .value"), "1234567")
        await page.pass_time(0.1)
        before = await page.evaluate(LAYOUT)
        last = frame(2, troubled())
        gone = "shared ram: /home/keeper/ram is not there: is it on?" * 3
        for made, words in (
            (last, "nothing there"),
            (last.offline(gone, 99.0), "offline"),
            (frame(3, calm(), note="the guard never passed " * 9), ""),
            (frame(4, calm()), ""),
        ):
            server.publish(made)
            await page.wait_for(text_of("[data-watch=huge] .words"), words)
            await page.wait_for(f"{text_of('#notice')} === ''", not made.note)
            assert await page.evaluate(LAYOUT) == before
            assert "ActorKind" not in await page.evaluate("document.body.textContent")


async def test_a_number_of_61_digits_moves_no_label_further_than_its_room(
    page: Page, server: OverlayServer
) -> None:
    server.publish(frame(1, [good(HUGE, -1234567), good(OIL, 7)]))
    await show(page, server, "theme=plate")
    await page.wait_for(text_of("[data-watch=huge] .value"), "-1234567")
    before = await page.evaluate(LAYOUT)
    for value, text in ((123456 * 10**55, "1.2346e60"), (-(10**60), "-1e60"), (2**63, str(2**63))):
        server.publish(frame(2, [good(HUGE, value), good(OIL, 7)]))
        await page.wait_for(text_of("[data-watch=huge] .value"), text)
        after = await page.evaluate(LAYOUT)
        assert after["size"] == before["size"]
        room = 12 if len(text) > 9 else 1  # digits more than it had
        assert after["labels"][0] - before["labels"][0] <= room * 20


async def test_an_empty_hint_leaves_no_hole_and_a_hint_resizes_nothing(
    page: Page, server: OverlayServer
) -> None:
    await page.resize(400, 225)
    server.publish(replace(full(), practice=replace(PRACTICE, hint="")))
    await show(page, server, "show=values,steps,attempts&theme=plate")
    await page.wait_for(text_of("#steps .where"), "attempt 18: step 2 of 3, turn")
    size = await page.evaluate(style_of("body", "fontSize"))
    gap = (
        "document.querySelector('#attempts').getBoundingClientRect().top"
        " - document.querySelector('#steps .where').getBoundingClientRect().bottom"
    )
    em = float(size.removesuffix("px"))
    assert await page.evaluate(gap) < 0.5 * em
    server.publish(full())
    await page.wait_for(text_of("#steps .hint"), "half a turn")
    assert await page.evaluate(gap) > 0.5 * em
    assert await page.evaluate(style_of("body", "fontSize")) == size
    # what has no value is told elsewhere: it names expressions
    reason = "done: first: [a for a in chain(head, 'next')] is empty"
    server.publish(replace(full(), practice=replace(PRACTICE, hint="", reason=reason)))
    await page.wait_for(text_of("#steps .hint"), "")
    assert "chain" not in await page.evaluate("document.body.textContent")


async def test_a_heap_that_is_damaged_is_told_in_a_word(page: Page, server: OverlayServer) -> None:
    damaged = replace(full(), heap=Heap(HEAP.blocks, header_size=16, damaged="block 2: ActorKind"))
    server.publish(damaged)
    await show(page, server, "show=heap")
    words = "Held crate: block 2 of 3, <b>gull</b>; 3 blocks, 50 % free; damaged"
    await page.wait_for(text_of("#heap .note"), words)
