"""A warning that several rows share is told once; rows give back the room of one that has gone."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator
from functools import partial
from typing import Any

import pytest
import pytest_asyncio

from tests.adapters.accessibility import serious_violations
from tests.adapters.browser import FRAME, Page
from tests.adapters.canned_desk import CannedDesk, DeskServer, full_desk, snapshot
from tests.adapters.desk_hands import part, show, texts

pytestmark = [
    pytest.mark.needs("chromium", "chromium"),
    pytest.mark.asyncio(loop_scope="module"),
]
SCREEN = 1280, 900

STALE = "courier.held points into a free block (block 2)"
PLAIN = "freed: points into a free block"
NOTES = texts("#notes li")


@pytest_asyncio.fixture(loop_scope="module")
async def desk(server: DeskServer) -> AsyncIterator[CannedDesk]:
    async with server.showing(full_desk()) as shown:
        yield shown


def warned(*watches: str, frame: int = 812, reason: str = STALE) -> dict[str, Any]:
    """A frame in which *watches* go through the same stale pointer."""
    made = snapshot(frame)
    for each in made["readings"]:
        if each["watch"] in watches:
            each.update(status="freed", reason=reason, plain=PLAIN)
    return made


def height(watch: str) -> str:
    return f"document.querySelector('[data-watch={watch}]').getBoundingClientRect().height"


async def test_what_several_rows_share_is_told_once_and_in_full(
    page: Page, desk: CannedDesk
) -> None:
    desk.snapshot = warned("held_kind", "held", "half")
    await show(page, desk)
    await page.wait_for(NOTES, [f"note 1freed: {STALE}"])
    assert await page.evaluate(part("held_kind", "words")) == "freed, hit; note 1"
    assert await page.evaluate(part("held", "words")) == "freed; note 1"
    # a warning of one row alone stands in it
    assert await page.evaluate(part("gull", "words")) == PLAIN
    assert str(await page.evaluate("document.body.innerText")).count(STALE) == 1
    assert await serious_violations(page) == []
    desk.tell(warned("held", reason=STALE.replace("2", "3")))
    await page.wait_for(part("held", "words"), PLAIN)
    await page.wait_for("document.getElementById('notes').hidden")


async def test_notes_stand_at_the_foot_and_move_no_row(page: Page, desk: CannedDesk) -> None:
    await show(page, desk)
    tops = (
        "[...document.querySelectorAll('.entry')].map((e) => Math.round(e.getBoundingClientRect()"
        ".top))"
    )
    await page.wait_for("document.querySelectorAll('.past li').length", 7)
    await page.pass_time(0.2)
    before = await page.evaluate(tops)
    desk.tell(warned("held_kind", "held", "half"))
    await page.wait_for(f"{NOTES}.length", 1)
    assert await page.evaluate(tops) == before


NUMBERS = """
(async () => {
  const { WarnedOnce } = await import("/pages/shared/warned_once.js");
  const warned = new WarnedOnce();
  const frame = (text) => warned.of([...text].map((reason, i) => ({
    watch: `w${i}`, status: reason === "." ? "ok" : "freed", reason, plain: "freed: it is free",
  }))).map(({ number, reason, watches }) => `${number}${reason}:${watches.join("")}`).join(" ");
  return %s.map(frame);
})()
"""


async def test_a_note_keeps_its_number_while_there_are_any(page: Page, desk: CannedDesk) -> None:
    await page.open(desk.url.replace("/desk", "/bare"))
    frames = ["aabb.", "..bb.", "c.bbc", "cbbbc", "aa.ccc"[:5], "a.b.c", "..bb."]
    found = await page.evaluate(NUMBERS % json.dumps(frames))
    assert found == [
        "1a:w0w1 2b:w2w3",
        "2b:w2w3",
        "1c:w0w4 2b:w2w3",
        "1c:w0w4 2b:w1w2w3",
        "1a:w0w1 2c:w3w4",
        "",
        "1b:w2w3",
    ]


async def test_a_row_gives_the_room_of_a_warning_back_when_it_has_gone(
    page: Page, desk: CannedDesk
) -> None:
    long = "freed: " + "points into a free block " * 4
    await show(page, desk)
    await page.wait_for(part("oil", "value"), "812")
    before = await page.evaluate(height("held_kind"))
    made = warned("held_kind")
    made["readings"][1]["plain"] = long
    desk.tell(made)
    await page.wait_for(f"{height('held_kind')} > {before + 15}")
    grown = await page.evaluate(height("held_kind"))
    desk.tell(snapshot())
    await page.wait_for(part("held_kind", "words"), "hit")
    await page.pass_time(2)
    assert await page.evaluate(height("held_kind")) == grown  # it may come again at once
    await page.pass_time(2)
    assert await page.evaluate(height("held_kind")) == before


async def test_no_row_moves_while_a_warning_comes_and_goes_at_60_hz(
    page: Page, desk: CannedDesk
) -> None:
    long = "freed: " + "points into a free block " * 4
    await show(page, desk)
    await page.evaluate(
        "window.heights = []; new ResizeObserver(() => window.heights.push("
        f"{height('held_kind')})).observe(document.querySelector('[data-watch=held_kind]')); 0"
    )
    for number in range(240):
        made = warned(*(["held_kind"] if number // 20 % 2 else []), frame=number)
        if number // 20 % 2:
            made["readings"][1]["plain"] = long
        await page.take(partial(desk.tell, made), FRAME)
    heights = await page.evaluate("window.heights")
    assert len(heights) <= 2, heights  # as it was at first, and with room for the warning


async def test_no_row_moves_while_attempts_begin_and_end_above_them(
    page: Page, desk: CannedDesk
) -> None:
    await show(page, desk)
    await page.wait_for("document.querySelectorAll('.past li').length", 7)
    await page.pass_time(1)
    top = "document.getElementById('log').getBoundingClientRect().top"
    before = await page.evaluate(top)
    for number in range(4):
        made = snapshot(900 + number)
        if number % 2 == 0:
            made["practice"].update(phase="between", step=None, index=0, attempt=None, hint="")
        desk.tell(made)
        await page.pass_time(2)
        assert await page.evaluate(top) == before
    assert await page.evaluate(texts("#practice .length")) == ["61 frames so far"]
