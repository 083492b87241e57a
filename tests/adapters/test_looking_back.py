"""Looking back at what is recorded, on the desk page in a real browser.

The server is made up: whatever stands at a place follows from its frame's number, so that a page
that shows parts of two moments is caught.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import random
from collections.abc import AsyncIterator
from typing import Any

import pytest
import pytest_asyncio

from tests.adapters.accessibility import violations
from tests.adapters.browser import FRAME, Page
from tests.adapters.canned_desk import CannedDesk, DeskServer, full_desk, snapshot
from tests.adapters.canned_past import CannedPast, clip, rolling_past
from tests.adapters.desk_daemon import SAMPLES
from tests.adapters.desk_hands import LINK, part, press, show, text, texts, write
from tests.commands.command import Running, lowhalf

pytestmark = [
    pytest.mark.needs("chromium", "chromium"),
    pytest.mark.asyncio(loop_scope="module"),
]
SCREEN = 1280, 720

SLIDER = "document.getElementById('scrubber')"
PLACE = f"Number({SLIDER}.value)"
FOCUS = "document.activeElement.dataset.watch ?? document.activeElement.id"
WHICH = text("#looking .which")
VIEW = "document.body.dataset.view ?? 'live'"


@pytest_asyncio.fixture(loop_scope="module")
async def past() -> CannedPast:
    return rolling_past()


@pytest_asyncio.fixture(loop_scope="module")
async def desk(server: DeskServer, past: CannedPast) -> AsyncIterator[CannedDesk]:
    shown = full_desk()
    shown.pasts = [past, clip(16, "success"), clip(15, "failed", shift=1)]
    async with server.showing(shown):
        yield shown


async def look_back(page: Page, desk: CannedDesk) -> None:
    """By the key; then the last moment of what rolls is shown."""
    await show(page, desk)
    await page.wait_for("document.getElementById('look').hidden", False)
    await press(page, "b")
    await page.wait_for(VIEW, "past")


async def scrub(page: Page, place: int) -> None:
    """Move the thumb, as a hand does."""
    await page.evaluate(
        f"{{const s = {SLIDER}; s.value = {place}; s.dispatchEvent(new Event('input'))}}; 0"
    )


def moment(past: CannedPast, place: int) -> str:
    """What is said of a place."""
    left = past.timeline()["starts"][-1]
    end = left[2] + (past.count - 1 - left[0]) / 60
    seconds = round(place / 6) / 10
    clock = f"{int(seconds // 60)}:{seconds % 60:04.1f}"
    return (
        f"Not live: frame {past.frame(place)}, {clock} after the beginning and "
        f"{end - place / 60:.1f} s before the end of the rolling recording "
        "(the last 10 minutes)."
    )


async def test_the_whole_page_shows_the_moment_and_goes_back_to_live(
    page: Page, desk: CannedDesk, past: CannedPast
) -> None:
    await look_back(page, desk)
    assert await page.evaluate(FOCUS) == "scrubber"
    assert await page.evaluate(WHICH) == moment(past, 3599)
    await page.evaluate("document.querySelector('[data-watch=half]').click(); 0")
    await scrub(page, 1120)
    await page.wait_for(part("oil", "value"), "82120")
    assert await page.evaluate(WHICH) == moment(past, 1120)
    assert await page.evaluate(text("#where")) == (
        "not live · frame 82120 · first-print · pier, shared memory · guarded"
    )
    assert await page.evaluate(text("#result .answer")) == "0x140C8"  # of that moment
    attempt = f"attempt {1 + 82120 % 7}: step 2 of 3, turn"
    assert await page.evaluate(text("#practice .sentence")) == attempt
    # what is known of live only stands nowhere beside it
    assert await page.evaluate(texts(".past .number")) == [str(1 + 82120 % 7), str(82120 % 7)]
    assert await page.evaluate(
        "[...document.querySelectorAll('.plot')].every("
        "(e) => getComputedStyle(e).visibility === 'hidden')"
    )
    hidden = "document.querySelector('#tallies .tallies').getClientRects().length === 0"
    assert await page.evaluate(hidden)
    assert "of the live game" in await page.evaluate(text("#tallies .elsewhere"))
    # live goes on behind it, on the same connection
    connections = desk.connections
    await page.take(lambda: desk.tell(snapshot(950)))
    await page.wait_for(text("#looking .goes-on"), "Live goes on: frame 950.")
    assert await page.evaluate(part("oil", "value")) == "82120"
    assert desk.connections == connections
    await press(page, "l")
    await page.wait_for(VIEW, "live")
    await page.wait_for(part("oil", "value"), "950")
    await page.wait_for("document.getElementById('back').hidden")
    assert await page.evaluate(FOCUS) == "look"
    assert await page.evaluate(text("#result .answer")) == "0x85D8"
    assert await page.evaluate(LINK) == "live"
    await page.wait_for("document.querySelectorAll('.past li').length", 7)


async def test_the_keyboard_alone_goes_everywhere(
    page: Page, desk: CannedDesk, past: CannedPast
) -> None:
    """The scrubber's keys are a slider's by the WAI-ARIA Authoring Practices."""
    await look_back(page, desk)
    for key, place in [
        ("Home", 0), ("ArrowRight", 1), ("ArrowUp", 2), ("PageUp", 62), ("ArrowLeft", 61),
        ("PageDown", 1), ("ArrowDown", 0), ("ArrowLeft", 0), ("a", 120), ("s", 180), ("s", 340),
        ("o", 700), ("a", 900), ("A", 120), ("h", 137), ("H", 40), ("g", 1650), ("r", 3000),
        ("f", 3001), ("F", 3000), ("O", 2300), ("End", 3599),
    ]:  # fmt: skip
        await press(page, key, **({"modifiers": 8} if key.isupper() and len(key) == 1 else {}))
        await page.wait_for(PLACE, place)
    assert await page.evaluate(f"{SLIDER}.max") == "3599"
    await press(page, "O", modifiers=8)
    await page.wait_for(f"{SLIDER}.ariaValueText", f"frame {past.frame(2300)}, 0:38.3")
    await page.wait_for(text("#mark-words"), "attempt 3: given up at write")
    # the expression, with the names that Working offers
    await press(page, "e")
    assert await page.evaluate(FOCUS) == "turned"
    await write(page, "courier.he")
    assert await page.evaluate(texts("#turned-offers .offer")) == ["held"]
    await press(page, "ArrowDown")
    await press(page, "Enter")
    await write(page, " == 0")
    await press(page, "Enter")
    said = "courier.held == 0 turned true nowhere after it"
    await page.wait_for(text("#mark-words"), said)
    await press(page, "Enter", modifiers=8)
    await page.wait_for(PLACE, 2000)
    await page.evaluate(f"{SLIDER}.focus(); 0")
    await press(page, "E", modifiers=8)
    await page.wait_for(PLACE, 1000)
    await page.evaluate("document.getElementById('turned').focus(); 0")
    await write(page, "?")
    await press(page, "Enter")
    await page.wait_for(text("#turned-fault .fault"), "unexpected character")
    assert await page.evaluate(text("#turned-fault .spot")) == "?"
    # the list says in words what is drawn
    await page.evaluate("document.querySelector('#mark-list summary').focus(); 0")
    await press(page, "Enter")
    await page.evaluate(
        "{const k = document.getElementById('mark-kind'); k.value = 'outcome';"
        "k.dispatchEvent(new Event('change'))}; 0"
    )
    rows = (
        "[...document.querySelectorAll('.mark-table tbody tr')].map((row) => "
        "[...row.cells].map((cell) => cell.textContent))"
    )
    await page.wait_for(
        rows, [["81700", "0:11.7", "outcome", "attempt 1: success"],
               ["82500", "0:25.0", "outcome", "attempt 2: failed at turn"],
               ["83300", "0:38.3", "outcome", "attempt 3: given up at write"]],
    )  # fmt: skip
    await page.evaluate("document.querySelector('.mark-table button').focus(); 0")
    await press(page, "Enter")
    await page.wait_for(PLACE, 700)


async def test_a_mark_tells_what_it_is_under_the_pointer_and_is_gone_to(
    page: Page, desk: CannedDesk
) -> None:
    await look_back(page, desk)
    x, y, wide = await page.evaluate(
        "(({left, top, width}) => [left, top, width])"
        "(document.querySelector('canvas.marks').getBoundingClientRect())"
    )
    # its middle is 8 pixels from either end; attempts are on the second line, below 46 pixels
    at = {"x": x + 8 + 700 / 3599 * (wide - 16), "y": y + 60}
    await page.call("Input.dispatchMouseEvent", type="mouseMoved", **at)
    await page.wait_for(text("#mark-words"), "frame 81700: attempt 1: success")
    for kind in ("mousePressed", "mouseReleased"):
        await page.call("Input.dispatchMouseEvent", type=kind, button="left", clickCount=1, **at)
    await page.wait_for(PLACE, 700)
    await page.call("Input.dispatchMouseEvent", type="mouseMoved", x=at["x"], y=y + 300)
    await page.wait_for(part("oil", "value"), "81700")
    await page.wait_for(text("#mark-words"), "frame 81700: attempt 1: success")


WATCH = """
window.seen = {looks: 0, wrong: [], places: new Set(), emphases: []};
new MutationObserver(() => window.seen.emphases.push(performance.now())).observe(
  document.getElementById("groups"),
  {subtree: true, attributes: true, attributeFilter: ["data-target", "data-status", "data-mark"]});
(function look() {
  const words = document.querySelector("#looking .which").textContent;
  const text = (selector) => document.querySelector(selector)?.textContent;
  const said = /^Not live: frame (\\d+), /.exec(words);
  const isPast = document.body.dataset.view === "past";
  const isSaid = said !== null && !document.getElementById("back").hidden;
  if (isPast !== isSaid) window.seen.wrong.push([words, document.body.dataset.view]);
  if (said && isPast) {
    const frame = Number(said[1]);
    const hit = frame % 2 === 0;
    const row = document.querySelector("[data-watch=held_kind]");
    const found = [text("[data-watch=oil] .value"), text("[data-watch=held_kind] .value"),
      row.dataset.target, row.dataset.mark, text("[data-watch=held_kind] .words"),
      text("#practice .sentence").split(":")[0], text("#result .answer"),
      text("#where").split(" · ").slice(0, 2).join()];
    const verdict = hit ? "hit" : "miss";
    const wanted = [String(frame), `kind ${frame}`, verdict, verdict, hit ? "hit" : "no",
      `attempt ${1 + frame % 7}`, `0x${frame.toString(16).toUpperCase()}`,
      `not live,frame ${frame}`];
    window.seen.looks++;
    window.seen.places.add(frame);
    if (JSON.stringify(found) !== JSON.stringify(wanted)) window.seen.wrong.push([frame, found]);
  }
  requestAnimationFrame(look);
})();
0
"""


@pytest.mark.parametrize("moves", [40, pytest.param(600, marks=pytest.mark.full)])
async def test_fast_scrubbing_never_shows_half_of_two_moments(
    page: Page, desk: CannedDesk, past: CannedPast, moves: int
) -> None:
    """Looked at in every picture while moments come late, in any order, and live goes on."""
    chance = random.Random(5)
    past.resets.clear()
    await look_back(page, desk)
    await page.evaluate("document.querySelector('[data-watch=half]').click(); 0")
    await page.wait_for(text("#result .answer"), f"0x{past.frame(3599):X}")
    await page.evaluate(WATCH)
    gates: list[asyncio.Event] = []

    def gate(place: int) -> asyncio.Event | None:
        if chance.random() < 0.5:
            return None
        gates.append(asyncio.Event())
        return gates[-1]

    past.gate = gate
    past.asked.clear()
    for number in range(moves):
        await scrub(page, chance.randrange(3600))
        for each in [each for each in gates if chance.random() < 0.7]:
            each.set()
            gates.remove(each)
        desk.tell(snapshot(2000 + number))
        await page.pass_time(0.1, FRAME)
    past.gate = lambda place: None
    for each in gates:
        each.set()
    await scrub(page, 1234)
    await page.wait_for(part("oil", "value"), "82234")
    # what gave way was not asked for once more
    assert len([what for what, _ in past.asked if what == "moment"]) <= moves + 1
    for _ in range(2):  # there and back, as fast as keys go
        await press(page, "l")
        await page.pass_time(0.1, FRAME)
        await press(page, "b")
        await page.pass_time(0.3, FRAME)
    await press(page, "l")
    await page.wait_for(VIEW, "live")
    assert await page.evaluate("window.seen.wrong") == []
    assert await page.evaluate("window.seen.places.size") >= moves // 8  # it does follow
    # WCAG 2.2, success criterion 2.3.1, allows three flashes a second
    times = await page.evaluate("window.seen.emphases")
    assert len(times) >= moves // 20
    assert max(sum(start <= each < start + 1000 for each in times) for start in times) <= 2


async def test_what_is_not_ready_says_so_and_comes(
    page: Page, desk: CannedDesk, past: CannedPast
) -> None:
    past.ready = 1000
    event = asyncio.Event()
    past.gate = lambda place: event
    await show(page, desk)
    await page.wait_for("document.getElementById('look').hidden", False)
    await press(page, "b")
    await page.wait_for(
        text("#looking-note"), "evaluated so far: 1000 of 3600 frames, with their marks"
    )
    assert await page.evaluate(WHICH) == "What stands below is still live."
    coming = "1:00.0 is on its way: not evaluated yet."
    await page.wait_for(text("#looking .coming"), coming)
    assert await page.evaluate(VIEW) == "live"
    assert await page.evaluate(part("oil", "value")) == "812"
    past.ready = None
    event.set()
    await page.wait_for(WHICH, moment(past, 3599))
    await page.wait_for(text("#looking-note"), "")
    assert await page.evaluate(text("#looking .coming")) == ""


async def test_a_past_that_is_gone_is_told_of(
    page: Page, desk: CannedDesk, past: CannedPast
) -> None:
    await look_back(page, desk)
    desk.pasts = desk.pasts[1:]
    await scrub(page, 10)
    words = "0:00.2 is on its way: there is no past rolling any more."
    await page.wait_for(text("#looking .coming"), words)
    assert await page.evaluate(WHICH) == moment(past, 3599)  # what is shown is still told rightly
    page.faults.clear()  # the browser's own word of the 404


async def test_what_is_looked_at_is_asked_for_now_and_then(
    page: Page, desk: CannedDesk, past: CannedPast
) -> None:
    """The server lets go what nobody has asked for in a minute."""
    await look_back(page, desk)
    asked = len(past.asked)
    for _ in range(25):
        await page.take(desk.tell, 1.0)
    assert [what for what, _ in past.asked[asked:]] == ["timeline"]
    await press(page, "l")
    await page.wait_for(VIEW, "live")
    asked = len(past.asked)
    for _ in range(20):
        await page.take(desk.tell, 1.0)
    assert len(past.asked) == asked


async def test_an_attempt_of_the_list_is_looked_at_again(page: Page, desk: CannedDesk) -> None:
    await show(page, desk)
    labels = "[...document.querySelectorAll('.past .again button')].map(e => e.ariaLabel)"
    await page.wait_for(labels, ["Look at attempt 16 again", "Look at attempt 15 again"])
    links = "[...document.querySelectorAll('.past .again a')].map(e => e.getAttribute('href'))"
    assert await page.evaluate(links) == ["/beside?a=clip-16", "/beside?a=clip-15"]
    await page.evaluate("document.querySelectorAll('.past .again button')[1].click(); 0")
    await page.wait_for(part("oil", "value"), str(105_001))
    assert str(await page.evaluate(WHICH)).endswith("the end of attempt 15: failed.")
    assert await page.evaluate("document.getElementById('past').value") == "clip-15"
    # a page's address can name a moment
    await page.open(f"{desk.url}?past=clip-16&place=120")
    await page.wait_for(part("oil", "value"), str(106_120))
    assert await page.evaluate("location.search") == ""


@pytest.mark.parametrize("scheme", ["light", "dark"])
async def test_the_checker_finds_nothing_while_looking_back(
    page: Page, desk: CannedDesk, scheme: str
) -> None:
    """axe-core 4, its rules for WCAG 2.2 AA among them."""
    await page.emulate(prefers_color_scheme=scheme)
    await look_back(page, desk)
    await page.evaluate("document.querySelector('[data-watch=half]').click(); 0")
    await page.evaluate("document.querySelector('#mark-list').open = true; 0")
    await page.evaluate("document.getElementById('turned').focus(); 0")
    await write(page, "co")
    await page.wait_for("document.querySelectorAll('#turned-offers li').length > 0")
    await press(page, "ArrowDown")
    await page.pass_time(0.6)
    found: list[Any] = [each for each in await violations(page) if each.impact != "minor"]
    assert found == []


async def test_nothing_is_cut_off_and_targets_are_24_pixels(page: Page, desk: CannedDesk) -> None:
    """WCAG 2.2, success criteria 1.4.10 and 2.5.8."""
    await look_back(page, desk)
    await page.evaluate("document.querySelector('#mark-list').open = true; 0")
    wide = (
        "[document.documentElement, ...document.querySelectorAll('#back, #lanes, #mark-list')]"
        ".filter((e) => e.scrollWidth > e.clientWidth + 1).map((e) => e.id || e.tagName)"
    )
    small = (
        "[...document.querySelectorAll('#back :is(button, input, select, summary, a)')]"
        ".filter((e) => e.getClientRects().length).map((e) => [e.id || e.textContent, "
        "e.getBoundingClientRect()]).filter(([, b]) => b.width < 24 || b.height < 24)"
    )
    for size in [(1920, 1080), (1280, 720), (800, 900), (640, 360), (320, 256)]:
        await page.resize(*size)
        await page.pass_time(0.3)
        assert await page.evaluate(wide) == [], size
        assert await page.evaluate(small) == [], size


@pytest.mark.long
async def test_the_demos_moment_is_the_one_that_a_query_finds(page: Page) -> None:
    """Against ``lowhalf query``, which evaluates a recording without the engine of a live game."""
    expression = "courier.held != 0 and courier.position.x > 20"
    recording, bridge = str(SAMPLES / "demo.mcap"), str(SAMPLES / "demo.bridge.toml")
    asked = ["--watch", "x=courier.position.x", "--first", expression, "--json"]
    found = lowhalf("query", recording, "--bridge", bridge, *asked)
    first = json.loads(found.stdout)
    with Running("demo", "--listen", "127.0.0.1:0", "--quiet") as running:
        await page.open(running.url() + "desk")
        await page.wait_for("document.getElementById('look').hidden", False)
        await press(page, "b")
        for _ in range(6):  # on a busy machine it is long until all of it is evaluated
            with contextlib.suppress(AssertionError):
                await page.wait_for(VIEW, "past")
                break
        await press(page, "Home")
        await page.wait_for(f"/^Not live: frame .*, 0:00.0 /.test({WHICH})")
        await press(page, "e")
        await write(page, expression)
        await press(page, "Enter")
        await page.wait_for(f"{WHICH}?.startsWith('Not live: frame {first['frame']}, ')")
        x = f"{first['values']['x']:.3f}"
        assert await page.evaluate(part("x", "value")) == x
        await page.evaluate("document.getElementById('ask').focus(); 0")
        await write(page, "courier.position.x")
        await press(page, "Enter")
        answer = f"Number({text('#result .answer')}).toFixed(3)"
        await page.wait_for(answer, x)
        await page.open("about:blank")  # before what it asks is gone
