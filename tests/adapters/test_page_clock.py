"""The time of a page under test: it stands, leaps while a test waits, and passes as it is told."""

from __future__ import annotations

import asyncio

import pytest

from tests.adapters.browser import FRAME, Page

pytestmark = [
    pytest.mark.needs("chromium", "chromium"),
    pytest.mark.asyncio(loop_scope="module"),
]

NOW = "performance.now() / 1000"


async def test_it_stands_while_a_test_does_nothing(page: Page) -> None:
    await page.open("about:blank")
    await page.evaluate("window.rung = 0; setTimeout(() => window.rung++, 1); 0")
    before = await page.evaluate(NOW)
    await asyncio.sleep(0.05)
    assert await page.evaluate(f"[{NOW}, window.rung]") == [before, 0]


async def test_so_much_passes_as_a_test_says_with_timers_in_their_order(page: Page) -> None:
    await page.open("about:blank")
    await page.evaluate(
        "window.order = []; window.pictures = 0;"
        "setTimeout(() => order.push('late'), 700); setTimeout(() => order.push('soon'), 200);"
        "setInterval(() => order.push(Math.round(performance.now())), 300);"
        "const gone = setTimeout(() => order.push('gone'), 100); clearTimeout(gone);"
        "(function picture() {pictures++; requestAnimationFrame(picture)})(); 0"
    )
    before = await page.evaluate(NOW)
    await page.pass_time(1, FRAME)
    assert await page.evaluate(NOW) - before == pytest.approx(1)
    assert await page.evaluate("order.filter((each) => typeof each === 'string')") == [
        "soon",
        "late",
    ]
    at = before * 1000
    rung = await page.evaluate("order.filter((each) => typeof each === 'number')")
    assert rung == pytest.approx([at + 300, at + 600, at + 900], abs=1)
    assert await page.evaluate("pictures") == 61  # the first is asked for before


async def test_a_transition_passes_with_it(page: Page) -> None:
    await page.open("about:blank")
    style = "document.body.style.{} = '{}'; getComputedStyle(document.body).opacity"
    assert await page.evaluate(style.format("opacity", "0")) == "0"
    await page.evaluate(style.format("transition", "opacity 400ms linear"))
    assert await page.evaluate(style.format("opacity", "1")) == "0"
    opacity = "Number(getComputedStyle(document.body).opacity)"
    found = []
    for _ in range(5):
        await page.pass_time(0.1, 0.1)
        found.append(await page.evaluate(opacity))
    assert found == pytest.approx([0.25, 0.5, 0.75, 1, 1], abs=0.01)


async def test_waiting_leaps_over_what_a_page_waits_for(page: Page) -> None:
    await page.open("about:blank")
    await page.evaluate("window.lit = false; setTimeout(() => window.lit = true, 1500); 0")
    before = await page.evaluate(NOW)
    await page.wait_for("window.lit")
    assert await page.evaluate(NOW) - before < 2


async def test_what_does_not_come_is_told(page: Page) -> None:
    await page.open("about:blank")
    with pytest.raises(AssertionError) as failed:
        await page.wait_for("({lamp: 'out'})", {"lamp": "lit"}, seconds=0.2)
    assert str(failed.value) == (
        "({lamp: 'out'}): expected {'lamp': 'lit'} within 0.2 s, found {'lamp': 'out'}"
    )
    await page.wait_for("({oil: 1, lamp: 'lit'})", {"lamp": "lit", "oil": 1.0})
