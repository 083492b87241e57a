"""Two recordings side by side, in a real browser, against a server that a test makes up."""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator
from typing import Any

import pytest
import pytest_asyncio

from tests.adapters.accessibility import violations
from tests.adapters.browser import FRAME, Page
from tests.adapters.canned_desk import CannedDesk, DeskServer, full_desk
from tests.adapters.canned_past import CannedPast, clip
from tests.adapters.desk_daemon import eventually
from tests.adapters.desk_hands import cells, press, text, write

pytestmark = [
    pytest.mark.needs("chromium", "chromium"),
    pytest.mark.asyncio(loop_scope="module"),
]
SCREEN = 1280, 720

SLIDER = "document.getElementById('scrubber')"
WHICH = text("#looking .which")
ROWS = f"{cells('#readings tbody tr')}"
FOUND: dict[str, Any] = {
    "a": 120, "b": 130, "count": 470, "before": 120,
    "first": {"offset": 31, "watch": "half", "label": "Written half", "a": "0x2B6D",
              "b": "0x2B6C"},
    "memory": {"offset": 29, "path": "courier.position.x", "a": "1.5", "b": "2.5"},
    "error": "",
}  # fmt: skip


@pytest_asyncio.fixture(loop_scope="module")
async def clips() -> list[CannedPast]:
    return [clip(17, "failed"), clip(16, "success"), clip(15, "failed", shift=1)]


@pytest_asyncio.fixture(loop_scope="module")
async def desk(server: DeskServer, clips: list[CannedPast]) -> AsyncIterator[CannedDesk]:
    shown = full_desk()
    shown.pasts = list(clips)
    shown.beside = lambda query: FOUND
    async with server.showing(shown):
        yield shown


async def show(page: Page, desk: CannedDesk, query: str = "?a=clip-15") -> None:
    await page.open(desk.url.replace("/desk", "/beside") + query)
    await page.wait_for("document.querySelectorAll('#sides li').length", 2)


async def choose(page: Page, name: str, value: str) -> None:
    await page.evaluate(
        f"{{const s = document.getElementById('{name}'); s.value = '{value}';"
        "s.dispatchEvent(new Event('change'))}; 0"
    )


async def test_what_differs_comes_first_with_the_way_to_the_first_difference(
    page: Page, desk: CannedDesk
) -> None:
    await show(page, desk)
    chosen = "['a', 'b'].map((id) => document.getElementById(id).value)"
    assert await page.evaluate(chosen) == ["clip-15", "clip-16"]  # beside one that worked
    assert await page.evaluate(cells("#partings li")) == [
        ["First difference: +31 frames, Written half: A 0x2B6D, B 0x2B6C", "Go there"],
        ["First difference in memory: +29 frames, courier.position.x: A 1.5, B 2.5", "Go there"],
    ]
    assert await page.evaluate(WHICH) == "Not live: where both are aligned"
    await press(page, "d")
    await page.wait_for(WHICH, "Not live: +31 frames from where both are aligned")
    # a place of A is 120 + 31, of B 130 + 31; what stands there follows from the frame's number
    sides = await page.evaluate("[...document.querySelectorAll('#sides .words')].map(e => "
                                "e.textContent.split('; ').slice(0, 2))")  # fmt: skip
    assert sides == [
        ["attempt 15: failed", "frame 105151, 0:02.5 after its beginning"],
        ["attempt 16: success", "frame 106161, 0:02.7 after its beginning"],
    ]
    rows = await page.evaluate(ROWS)
    assert rows[:2] == [
        ["Lamp oil", "105152", "106161", "≠ differs"],
        ["In hand", "kind 105152hit", "kind 106161no", "≠ differs"],
    ]
    differ = [row[3] == "≠ differs" for row in rows]
    assert differ == sorted(differ, reverse=True)
    assert ["Written half", "0x85D8hit", "0x85D8hit", "= same"] in rows
    assert await page.evaluate(text("#counted")) == f"{sum(differ)} of 10 watches differ"
    links = "[...document.querySelectorAll('#sides a')].map(e => e.getAttribute('href'))"
    assert await page.evaluate(links) == [
        "/desk?past=clip-15&place=151", "/desk?past=clip-16&place=161"
    ]  # fmt: skip


async def test_the_keyboard_alone_chooses_and_scrubs(page: Page, desk: CannedDesk) -> None:
    """The scrubber's keys are a slider's by the WAI-ARIA Authoring Practices."""
    asked: list[dict[str, Any]] = []

    def beside(query: dict[str, Any]) -> dict[str, Any]:
        asked.append(query)
        return FOUND if "?" not in query.get("expr", "") else {**FOUND, "error": "no such thing"}

    desk.beside = beside
    await show(page, desk)
    await page.evaluate(f"{SLIDER}.focus(); 0")
    for key, offset in [
        ("ArrowRight", 1), ("PageUp", 61), ("ArrowLeft", 60), ("PageDown", 0), ("Home", -120),
        ("End", 469), ("0", 0), ("f", 1), ("F", 0), ("m", 29),
    ]:  # fmt: skip
        await press(page, key, **({"modifiers": 8} if key == "F" else {}))
        await page.wait_for(f"Number({SLIDER}.value)", offset)
    await page.wait_for(f"{SLIDER}.ariaValueText", "+29 frames")
    options = "[...document.getElementById('align').options].map((e) => e.textContent)"
    await page.wait_for(
        options, ["their first frames", "the step reach the pier", "where an expression turns true"]
    )
    await choose(page, "align", "step reach the pier")
    await page.wait_for(WHICH, "Not live: where both are aligned")
    await choose(page, "align", "expr")
    assert await page.evaluate("document.activeElement.id") == "turned"
    await write(page, "oil == 3")
    await press(page, "Enter")
    await page.wait_for("location.search.includes('expr=oil')")
    await page.wait_for(WHICH, "Not live: where both are aligned")
    await eventually(lambda: asked[-1].get("expr") == "oil == 3", 10, "asked")
    await write(page, " ?")
    await press(page, "Enter")
    await page.wait_for(text("#align-fault"), "no such thing")
    assert await page.evaluate("document.getElementById('offsets').hidden")
    known = [{key: query.get(key) for key in ("step", "expr")} for query in asked]
    assert known[0] == {"step": None, "expr": None}
    assert {"step": "reach the pier", "expr": None} in known
    assert {"step": None, "expr": "oil == 3"} in known


WATCH = """
window.seen = {looks: 0, wrong: [], offsets: new Set()};
(function look() {
  const which = document.querySelector("#looking .which").textContent;
  const said = /^Not live: (?:([+−]\\d+) frame|where)/.exec(which);
  const rows = [...document.querySelectorAll("#readings tbody tr")];
  const oil = rows.find((row) => row.cells[0].textContent === "Lamp oil");
  const kind = rows.find((row) => row.cells[0].textContent === "In hand");
  if (said && oil && kind) {
    const offset = Number((said[1] ?? "0").replace("−", "-"));
    const [a, b] = [105121 + offset, 106130 + offset];
    const words = (number) => `kind ${number}${number % 2 === 0 ? "hit" : "no"}`;
    const cells = [...[...oil.cells].slice(1), ...[...kind.cells].slice(1)];
    const found = cells.map((cell) => cell.textContent);
    const wanted = [String(a), String(b), "≠ differs", words(a), words(b), "≠ differs"];
    window.seen.looks++;
    window.seen.offsets.add(offset);
    if (JSON.stringify(found) !== JSON.stringify(wanted)) window.seen.wrong.push([offset, found]);
  }
  requestAnimationFrame(look);
})();
0
"""


async def test_both_sides_are_of_one_offset_in_every_picture(
    page: Page, desk: CannedDesk, clips: list[CannedPast]
) -> None:
    chance = random.Random(6)
    await show(page, desk)
    await page.evaluate(WATCH)
    gates: list[asyncio.Event] = []

    def gate(place: int) -> asyncio.Event | None:
        if chance.random() < 0.6:
            return None
        gates.append(asyncio.Event())
        return gates[-1]

    for each in clips:
        each.gate = gate
    for _ in range(30):
        await page.evaluate(
            f"{{const s = {SLIDER}; s.value = {chance.randrange(-120, 470)};"
            "s.dispatchEvent(new Event('input'))}; 0"
        )
        for event in [event for event in gates if chance.random() < 0.7]:
            event.set()
            gates.remove(event)
        await page.pass_time(0.1, FRAME)
    for each in clips:
        each.gate = lambda place: None
    for event in gates:
        event.set()
    await press(page, "d")
    await page.wait_for(WHICH, "Not live: +31 frames from where both are aligned")
    assert await page.evaluate("window.seen.wrong") == []
    assert await page.evaluate("window.seen.offsets.size") >= 4  # it does follow


async def test_without_two_recordings_it_says_how_they_come(page: Page, desk: CannedDesk) -> None:
    desk.pasts = []
    await page.open(desk.url.replace("/desk", "/beside"))
    await page.wait_for("document.getElementById('none').hidden", False)
    assert 'clips = "attempts"' in await page.evaluate(text("#none"))
    assert await page.evaluate("document.getElementById('choice').hidden")


@pytest.mark.parametrize("scheme", ["light", "dark"])
async def test_the_checker_finds_nothing_and_nothing_is_cut_off(
    page: Page, desk: CannedDesk, scheme: str
) -> None:
    """axe-core 4, and WCAG 2.2, success criteria 1.4.10 and 2.5.8."""
    await page.emulate(prefers_color_scheme=scheme)
    await show(page, desk)
    await choose(page, "align", "expr")
    await page.pass_time(0.6)
    assert [each for each in await violations(page) if each.impact != "minor"] == []
    wide = (
        "[document.documentElement, ...document.querySelectorAll('#pair, section')]"
        ".filter((e) => e.scrollWidth > e.clientWidth + 1).map((e) => e.id || e.tagName)"
    )
    small = (
        "[...document.querySelectorAll('button, input, select, summary, a')]"
        ".filter((e) => e.getClientRects().length).map((e) => [e.id || e.textContent, "
        "e.getBoundingClientRect()]).filter(([, b]) => b.width < 24 || b.height < 24)"
    )
    for size in [(1280, 720), (800, 900), (320, 256)]:
        await page.resize(*size)
        await page.pass_time(0.3)
        assert await page.evaluate(wide) == [], size
        assert await page.evaluate(small) == [], size
