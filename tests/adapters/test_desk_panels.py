"""The desk's panels: which come first, that no column is half empty, and that each can be folded,
hidden and moved, by mouse and keyboard, and stays so."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator
from typing import Any

import pytest
import pytest_asyncio

from tests.adapters.accessibility import serious_violations
from tests.adapters.browser import Page
from tests.adapters.canned_desk import CannedDesk, DeskServer, full_desk, heap, snapshot
from tests.adapters.desk_hands import choose, press, show, text

pytestmark = [
    pytest.mark.needs("chromium", "chromium"),
    pytest.mark.asyncio(loop_scope="module"),
]
SCREEN = 1920, 1080

FOCUS = "document.activeElement.id"
SHOWN = (
    "[...document.querySelectorAll('.panel')].filter((p) => p.getClientRects().length)"
    ".map((p) => p.id)"
)
FILLS = """
[...document.querySelectorAll(".column")].filter((column) => !column.hidden).map((column) => {
  const used = [...column.children].reduce((sum, panel) => sum + panel.offsetHeight, 0);
  return used / document.getElementById("desk").clientHeight;
})
"""
AT_FIRST = ["practice", "log", "working", "heap", "events", "layouts", "tallies", "bridge"]


@pytest_asyncio.fixture(loop_scope="module")
async def desk(server: DeskServer) -> AsyncIterator[CannedDesk]:
    async with server.showing(full_desk()) as shown:
        yield shown


def title(panel: str) -> str:
    return f"document.getElementById('{panel}-title')"


def fold(panel: str) -> str:
    return f"document.querySelector('#{panel} .fold')"


def row(panel: str, what: str) -> str:
    """A control of the list of panels, by what it is called."""
    return f"document.querySelector('#arranged [aria-label=\"{panel}: {what}\"]')"


async def kept(page: Page) -> Any:
    return json.loads(await page.evaluate("localStorage.getItem('lowhalf-desk-panels')"))


# Columns


async def test_at_960_pixels_the_desk_begins_with_the_step(page: Page, desk: CannedDesk) -> None:
    await page.resize(960, 1080)
    await show(page, desk)
    await page.pass_time(3)
    assert await page.evaluate(SHOWN) == AT_FIRST
    first = await page.evaluate("document.querySelector('#practice').getBoundingClientRect().top")
    tops = await page.evaluate(
        "[...document.querySelectorAll('.panel')].map((p) => p.getBoundingClientRect())"
        ".filter((box) => box.height > 0).map((box) => box.top)"
    )
    assert first == min(tops)
    assert await page.evaluate("document.getElementById('desk').dataset.columns") == "2"
    # the step and the first watches are in view at once
    seen = "document.querySelector('[data-watch=oil]').getBoundingClientRect().bottom"
    assert await page.evaluate(f"{seen} < innerHeight") is True


def few(made: dict[str, Any]) -> None:
    made["readings"] = made["readings"][:2]


def many(made: dict[str, Any]) -> None:
    made["readings"] = [
        {**each, "watch": f"{each['watch']}_{i}"} for i in range(6) for each in made["readings"]
    ]


def without_heap(made: dict[str, Any]) -> None:
    made.update(heap=None, heap_events=None)


def bare(made: dict[str, Any]) -> None:
    without_heap(made)
    del made["practice"]
    made["health"].update(layouts=[], tallies=False, history=False)


def many_and_bare(made: dict[str, Any]) -> None:
    many(made)
    bare(made)


def large_heap(made: dict[str, Any]) -> None:
    kinds = ["crate", "lantern", "rope", "free"]
    blocks = [(0x40 + i % 7 * 0x20, i % 4 != 3, kinds[i % 4]) for i in range(126)]
    made["heap"] = heap(blocks)


@pytest.mark.parametrize(
    "scene",
    [
        many_and_bare,
        pytest.param(few, marks=pytest.mark.full),
        pytest.param(large_heap, marks=pytest.mark.full),
        pytest.param(many, marks=pytest.mark.full),
        pytest.param(without_heap, marks=pytest.mark.full),
    ],
)
async def test_at_1920_pixels_no_column_is_half_empty(
    page: Page, desk: CannedDesk, scene: Any
) -> None:
    scene(desk.snapshot)
    await show(page, desk)
    await page.pass_time(5)
    fills = await page.evaluate(FILLS)
    assert len(fills) >= 2
    assert min(fills) >= 0.5, fills


async def test_what_is_hardly_anything_has_fewer_columns(page: Page, desk: CannedDesk) -> None:
    bare(desk.snapshot)
    few(desk.snapshot)
    await show(page, desk)
    await page.pass_time(5)
    fills = await page.evaluate(FILLS)
    assert len(fills) == 1 or min(fills) >= 0.5, fills


FILL = """
(async () => {
  const { shared, sums, isFull } = await import("/pages/desk/fill.js");
  return [[[400, 700, 150, 500, 300, 900], 3], [[60, 4000, 150, 90, 90, 300], 2], [[100], 1],
    [[0, 300], 2], [[500, 600, 200, 1900], 2, 2], [[500, 600, 200, 700], 2, 3]]
    .map(([heights, count, begins]) => {
    const cuts = shared(heights, count, 1000, begins);
    return [cuts, sums(heights, cuts), isFull(heights, cuts, 1000)];
  });
})()
"""


async def test_columns_are_cut_where_least_stays_empty(page: Page, desk: CannedDesk) -> None:
    """Worked out by hand: of all cuts, the squares of what is empty are the least for these."""
    await page.open(desk.url.replace("/desk", "/bare"))
    assert await page.evaluate(FILL) == [
        [[0, 2, 5], [1100, 950, 900], True],
        [[0, 2], [4060, 630], True],
        [[0], [100], False],
        [[0, 1], [0, 300], False],
        [[0, 2], [1100, 2100], True],  # the third one begins a column, as it is to
        [[0, 2], [1100, 900], True],  # the fourth one does not: too much would be empty
    ]


async def test_panels_stay_while_a_panel_comes_and_goes_and_while_somebody_works(
    page: Page, desk: CannedDesk
) -> None:
    await show(page, desk)
    await page.pass_time(5)
    columns = (
        "JSON.stringify([...document.querySelectorAll('.column')].map((c) => "
        "[...c.children].map((p) => p.id)))"
    )
    before = await page.evaluate(columns)
    for number in range(4):
        made = snapshot(900 + number)
        if number % 2:
            without_heap(made)
        desk.tell(made)
        await page.pass_time(4)
        assert await page.evaluate(columns) == before
    await choose(page, "half")
    await page.wait_for("document.querySelectorAll('.leg').length", 7)
    assert await page.evaluate(columns) == before


# Folding, hiding, moving


async def test_a_folded_panel_is_its_heading_and_stays_so(page: Page, desk: CannedDesk) -> None:
    await show(page, desk)
    await page.wait_for("document.querySelector('.heap-map').getClientRects().length", 1)
    await page.evaluate(f"{fold('heap')}.focus(); 0")
    await press(page, "Enter")
    seen = "[...document.querySelectorAll('#heap > *')].filter((e) => e.getClientRects().length)"
    assert await page.evaluate(f"{seen}.map((e) => e.tagName)") == ["H2"]
    assert await page.evaluate(f"{fold('heap')}.getAttribute('aria-expanded')") == "false"
    assert await page.evaluate(text("#moved")) == "Heap is folded"
    assert await page.evaluate(f"document.activeElement === {fold('heap')}") is True
    await page.evaluate(f"{fold('log')}.click(); 0")
    assert await page.evaluate("document.getElementById('find').getClientRects().length") == 0
    assert await serious_violations(page) == []
    await show(page, desk)
    assert await page.evaluate("document.getElementById('heap').dataset.folded") == "yes"
    # a key that goes to it, and one that goes into it, open it
    await press(page, "3")
    assert await page.evaluate(FOCUS) == "heap-title"
    await page.wait_for("document.querySelector('.heap-map').getClientRects().length", 1)
    await press(page, "/")
    assert await page.evaluate(FOCUS) == "find"
    await page.evaluate(f"{fold('working')}.click(); 0")
    await choose(page, "half")
    await page.wait_for("document.querySelector('.leg')?.getClientRects().length", 1)
    await page.evaluate(f"{fold('tallies')}.click(); location.hash = '#tallies'; 0")
    await page.wait_for("document.getElementById('tallies').dataset.folded", "no")


async def test_an_address_that_names_a_panel_goes_there(page: Page, desk: CannedDesk) -> None:
    await page.resize(400, 225)
    await page.open(f"{desk.url}#heap")
    await page.wait_for("document.body?.dataset.link", "live")
    await page.pass_time(2)
    box = "document.getElementById('heap').getBoundingClientRect()"
    assert await page.evaluate(f"{box}.top < 112 && {box}.bottom > 112") is True


async def test_a_hidden_panel_is_brought_back_by_the_list_of_panels(
    page: Page, desk: CannedDesk
) -> None:
    await show(page, desk)
    await press(page, "0")
    assert await page.evaluate("document.getElementById('arranging').open") is True
    assert await serious_violations(page) == []
    await page.evaluate(f"{row('Heap', 'shown')}.click(); 0")
    await page.evaluate(f"{row('Layouts', 'shown')}.click(); 0")
    assert await page.evaluate(text("#moved")) == "Layouts is hidden"
    left = [name for name in AT_FIRST if name not in ("heap", "layouts")]
    assert await page.evaluate(SHOWN) == left
    await press(page, "Escape")
    assert await page.evaluate(text("#arrange")) == "Panels, 2 hidden 0"
    await show(page, desk)
    assert await page.evaluate(SHOWN) == left
    assert (await kept(page))["away"] == ["heap", "layouts"]
    await press(page, "3")  # to the heap: it is there again
    assert "heap" in await page.evaluate(SHOWN)
    await page.evaluate("document.getElementById('arrange').click(); 0")
    await page.evaluate("document.getElementById('restore').click(); 0")
    assert await page.evaluate(SHOWN) == AT_FIRST
    assert await page.evaluate(text("#moved")) == "all panels are as at first"


async def test_a_panel_is_moved_without_dragging_and_the_order_stays(
    page: Page, desk: CannedDesk
) -> None:
    """WCAG 2.2, success criterion 2.5.7; by the buttons of the list, and by the heading's keys."""
    await show(page, desk)
    await press(page, "0")
    await page.evaluate(f"{row('Heap', 'up')}.focus(); 0")
    for _ in range(2):
        await press(page, "Enter")
    wanted = ["practice", "heap", "log", "working", "events", "layouts", "tallies", "bridge"]
    assert await page.evaluate(SHOWN) == wanted
    assert await page.evaluate(f"document.activeElement === {row('Heap', 'up')}") is True
    assert await page.evaluate(text("#moved")) == "Heap is panel 2 of 10"
    small = (
        "[...document.querySelectorAll('#arranging button, #arranging label')]"
        ".filter((e) => e.getClientRects().length).map((e) => e.getBoundingClientRect())"
        ".filter((b) => b.width < 24 || b.height < 24)"
    )
    assert await page.evaluate(f"{small}.length") == 0
    await press(page, "Escape")
    await page.evaluate(f"{fold('bridge')}.focus(); 0")
    await press(page, "ArrowUp", modifiers=1)
    wanted[-2:] = ["bridge", "tallies"]
    assert await page.evaluate(SHOWN) == wanted
    assert await page.evaluate(f"document.activeElement === {fold('bridge')}") is True
    await show(page, desk)
    assert await page.evaluate(SHOWN) == wanted
    levels = "[...document.querySelectorAll('#desk .panel > * h2, #desk .panel > h2')].length"
    assert await page.evaluate(levels) == 10  # each panel has its heading still


async def test_a_panel_that_comes_later_joins(page: Page, desk: CannedDesk) -> None:
    await show(page, desk)
    await page.evaluate(
        "document.getElementById('layouts').insertAdjacentHTML('beforebegin', "
        '\'<section id="tides" aria-labelledby="tides-title"><h2 id="tides-title" '
        'tabindex="-1">Tides</h2><p>high water</p></section>\'); 0'
    )
    wanted = [*AT_FIRST[:5], "tides", *AT_FIRST[5:]]
    await page.wait_for(SHOWN, wanted)
    await page.evaluate(f"{fold('tides')}.click(); 0")
    assert await page.evaluate("document.querySelector('#tides p').getClientRects().length") == 0
    await press(page, "0")
    await page.evaluate(f"{row('Tides', 'up')}.click(); 0")
    wanted[4:6] = ["tides", "events"]
    assert await page.evaluate(SHOWN) == wanted


async def test_a_browser_that_keeps_nothing_folds_and_moves_all_the_same(
    page: Page, desk: CannedDesk
) -> None:
    denied = await page.call(
        "Page.addScriptToEvaluateOnNewDocument",
        source="Object.defineProperty(window, 'localStorage', {get() {throw new Error('denied')}})",
    )
    try:
        await show(page, desk)
        await page.evaluate(f"{fold('heap')}.click(); 0")
        assert await page.evaluate("document.getElementById('heap').dataset.folded") == "yes"
        await press(page, "0")
        await page.evaluate(f"{row('Heap', 'up')}.click(); 0")
        assert (await page.evaluate(SHOWN))[2:4] == ["heap", "working"]
    finally:
        await page.call("Page.removeScriptToEvaluateOnNewDocument", **denied)


async def test_what_is_remembered_wrongly_does_no_harm(page: Page, desk: CannedDesk) -> None:
    await show(page, desk)
    for found in ("{", '{"order": ["x", 3], "away": {"a": 1}}'):
        await page.evaluate(f"localStorage.setItem('lowhalf-desk-panels', {json.dumps(found)}); 0")
        await show(page, desk)
        assert await page.evaluate(SHOWN) == AT_FIRST
