"""The desk's panel of heap events in a real browser, against a server that says what is told."""

from __future__ import annotations

from collections.abc import AsyncIterator
from functools import partial
from typing import Any

import pytest
import pytest_asyncio

from tests.adapters.accessibility import serious_violations
from tests.adapters.browser import Page
from tests.adapters.canned_desk import (
    CannedDesk,
    DeskServer,
    full_desk,
    happened,
    snapshot,
)
from tests.adapters.canned_past import rolling_past
from tests.adapters.desk_hands import cells, press, show, text

pytestmark = [
    pytest.mark.needs("chromium", "chromium"),
    pytest.mark.asyncio(loop_scope="module"),
]
SCREEN = 1500, 900

ROWS = "#events tbody tr"
COUNT = f"document.querySelectorAll('{ROWS}').length"
FIRST = f"document.querySelector('{ROWS} th')?.textContent"
BOX = "document.querySelector('#events .happened')"
WAITING = text("#events .aside")


@pytest_asyncio.fixture(loop_scope="module")
async def desk(server: DeskServer) -> AsyncIterator[CannedDesk]:
    async with server.showing(full_desk()) as shown:
        yield shown


def tell(desk: CannedDesk, events: dict[str, Any] | None) -> None:
    desk.tell({**snapshot(), "heap_events": events})


async def test_the_newest_events_stand_first_in_the_commands_words(
    page: Page, desk: CannedDesk
) -> None:
    await show(page, desk)
    assert await page.evaluate(cells(ROWS)) == [
        ["603", "+gull allocated", "3", "0x802000C0", "0x1D0"],
        ["602", "−mist_puff released", "2", "0x80200080", "0x1D0"],
        ["601", "±lantern where gull was", "1", "0x80200040", "0x1D0"],
    ]
    assert await page.evaluate(text("#events .sentence")) == "3 events"
    gap = "frames 604 to 611 not seen: what came and went between is not told"
    tell(desk, happened(3, [[0, 611, "unseen", gap]], changes=9))
    await page.wait_for(cells(ROWS) + "[0]", [gap])
    assert await page.evaluate(COUNT) == 4
    tell(desk, {**happened(500), "numbered": False})
    await page.wait_for(
        text("#events .sentence"),
        "500 events, the newest 200 listed; the game does not count its frames: what came and went "
        "between two looks is not told",
    )


async def test_without_events_it_says_why(page: Page, desk: CannedDesk) -> None:
    await show(page, desk)
    tell(desk, None)
    none = "no heap events: the schema describes no heap, or none was read yet"
    await page.wait_for(text("#events .sentence"), none)
    assert await page.evaluate(f"{BOX}.hidden") is True
    tell(desk, happened(0, [[0, 44, "anew", "told from frame 44 on"]]))
    await page.wait_for(
        text("#events .sentence"), "nothing allocated, nothing released since frame 44"
    )


async def test_hundreds_a_second_move_the_list_once_a_second(page: Page, desk: CannedDesk) -> None:
    """The lists that show are counted in the page; none of the newest is missing at the end."""
    await show(page, desk)
    await page.evaluate(
        "window.moves = new Set(); new MutationObserver(() => moves.add(performance.now()))"
        f".observe({BOX}, {{childList: true, subtree: true, characterData: true}}); 0"
    )
    count = 3
    for _ in range(4 * 60):
        count += 10
        await page.take(partial(tell, desk, happened(count)))
    moves = await page.evaluate("moves.size")
    assert 3 <= moves <= 5, moves
    # what stands between two movements is a list that came in one message
    await page.wait_for(FIRST, str(600 + count))
    rows = await page.evaluate(cells(ROWS))
    assert [row[0] for row in rows] == [str(600 + n) for n in range(count, count - 200, -1)]


async def test_it_keeps_its_place_while_somebody_reads(page: Page, desk: CannedDesk) -> None:
    await show(page, desk)
    tell(desk, happened(150))
    await page.wait_for(FIRST, "750")
    held = {
        "held while it is scrolled": (f"{BOX}.scrollTop = 400", f"{BOX}.scrollTop = 0"),
        "held while it has the focus": (f"{BOX}.focus()", f"{BOX}.blur()"),
        "held while text is selected": (
            f"getSelection().selectAllChildren(document.querySelector('{ROWS} .said'))",
            "getSelection().removeAllRanges()",
        ),
        "held": ("document.querySelector('#events .pages button').click()",) * 2,
    }
    count = 150
    for words, (begin, end) in held.items():
        await page.evaluate(f"{begin}; 0")
        before = await page.evaluate(f"[{FIRST}, {BOX}.scrollTop]")
        count += 40
        tell(desk, happened(count))
        await page.wait_for(WAITING, f"{words}: 40 newer")
        await page.pass_time(2.5)
        assert await page.evaluate(f"[{FIRST}, {BOX}.scrollTop]") == before
        await page.evaluate(f"{end}; 0")
        await page.wait_for(FIRST, str(600 + count))
        assert await page.evaluate(WAITING) == ""
    middle = f"(({{x, y}}) => [x + 50, y + 60])({BOX}.getBoundingClientRect())"
    place = await page.evaluate(f"({BOX}.scrollIntoView(), {middle})")
    await page.call("Input.dispatchMouseEvent", type="mouseMoved", x=place[0], y=place[1])
    tell(desk, happened(count + 1))
    await page.wait_for(WAITING, "held while the pointer is on it: 1 newer")
    await page.call("Input.dispatchMouseEvent", type="mouseMoved", x=3, y=3)
    await page.wait_for(FIRST, str(601 + count))


async def test_a_moment_of_the_past_has_its_own_events_also_where_the_list_is_held(
    page: Page, desk: CannedDesk
) -> None:
    past = rolling_past()
    desk.pasts = [past]
    await show(page, desk)
    await page.evaluate("document.querySelector('#events .pages button').click(); 0")
    await page.wait_for("document.getElementById('look').hidden", False)
    await press(page, "b")
    await page.wait_for("document.body.dataset.view", "past")
    slider = "document.getElementById('scrubber')"
    for place in (1200, 1207, 90):
        await page.evaluate(
            f"{slider}.value = {place}; {slider}.dispatchEvent(new Event('input')); 0"
        )
        await page.wait_for(FIRST, str(601 + past.frame(place) % 150))
        assert await page.evaluate(COUNT) == 1 + past.frame(place) % 150
        assert f"frame {past.frame(place)} ·" in await page.evaluate(text("#where"))
    await press(page, "l")
    await page.wait_for(FIRST, "603")


async def test_keys_reach_the_list_and_scroll_it(page: Page, desk: CannedDesk) -> None:
    """WCAG 2.2, success criteria 2.1.1 and 2.2.2: by keyboard, and it can be held."""
    await show(page, desk)
    tell(desk, happened(150))
    await page.wait_for(COUNT, 150)
    await press(page, "8")
    assert await page.evaluate("document.activeElement.id") == "events-title"
    await press(page, "Tab")
    assert await page.evaluate("document.activeElement.className") == "fold"
    await press(page, "Tab")
    assert await page.evaluate("document.activeElement.textContent") == "Hold the list"
    await press(page, "Enter")
    pressed = "document.querySelector('#events .pages button').getAttribute('aria-pressed')"
    await page.wait_for(pressed, "true")
    await press(page, "Tab")
    assert await page.evaluate(f"document.activeElement === {BOX}") is True
    await press(page, "End")
    await page.wait_for(f"{BOX}.scrollTop > 1000", True)


@pytest.mark.parametrize("scheme", ["light", "dark"])
async def test_the_checker_finds_nothing_serious(page: Page, desk: CannedDesk, scheme: str) -> None:
    """axe-core 4, its rules for WCAG 2.2 AA among them."""
    await page.emulate(prefers_color_scheme=scheme)
    await show(page, desk)
    gap = "frame 604 not seen: what came and went between is not told"
    tell(desk, happened(150, [[0, 604, "unseen", gap]]))
    await page.wait_for(COUNT, 151)
    await page.evaluate("document.querySelector('#events .pages button').click(); 0")
    assert await serious_violations(page) == []


async def test_a_guests_words_are_never_html(page: Page, desk: CannedDesk) -> None:
    await show(page, desk)
    hostile = "<img src=x onerror=window.hacked=1>\u202e allocated"
    more: list[list[int | str]] = [
        [4, 604, "allocated", hostile, 1, 64, 16],
        [0, 9, "unseen", hostile],
    ]
    tell(desk, happened(3, more, changes=9))
    await page.wait_for(COUNT, 5)
    assert await page.evaluate("document.querySelectorAll('#events img').length") == 0
    assert "\u202e" not in await page.evaluate("document.getElementById('events').textContent")
    assert await page.evaluate("window.hacked ?? 0") == 0
