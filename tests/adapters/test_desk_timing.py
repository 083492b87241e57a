"""When steps with a window were done, on the desk: what is drawn is what the attempts say."""

from __future__ import annotations

import itertools
import json
import random
from collections.abc import AsyncIterator
from typing import Any

import pytest
import pytest_asyncio

from bridge.practice.attempts import Attempt, Outcome
from bridge.practice.steps import StepOutcome, StepResult
from bridge.practice.timings import timings_of
from bridge.practice.windows import Window
from tests.adapters.accessibility import serious_violations
from tests.adapters.browser import Page
from tests.adapters.canned_desk import HISTORY, CannedDesk, DeskServer, full_desk, snapshot
from tests.adapters.desk_hands import cells, show, text, texts

pytestmark = [
    pytest.mark.needs("chromium", "chromium"),
    pytest.mark.asyncio(loop_scope="module"),
]
SCREEN = 1920, 1080
HIDDEN = "document.getElementById('timing').hidden"
FRAMES = [9, 12, 10, 13, 15, 12, None, 14, 17]


def timing_of(
    frames: list[int | None], window: tuple[int, int] = (11, 14), step: str = "turn"
) -> list[dict[str, Any]]:
    """As the attempts themselves give it; every fourth is unsure by a frame."""
    attempts = []
    for number, each in enumerate(frames):
        timing = Window(*window).judge(each, 1 if number % 4 == 3 else 0)
        result = StepResult(
            step, StepOutcome.DONE, 0, 20, 0.3, 20, timing=timing, too_soon=int(number == 8)
        )
        attempts.append(
            Attempt(number, "print", 0, 0.0, Outcome.SUCCESS, frames=30, steps=(result,))
        )
    return [each.as_json() for each in timings_of(attempts)]


@pytest_asyncio.fixture(loop_scope="module")
async def desk(server: DeskServer) -> AsyncIterator[CannedDesk]:
    async with server.showing(full_desk()) as shown:
        yield shown


async def with_timing(page: Page, desk: CannedDesk, timing: list[dict[str, Any]]) -> None:
    desk.files["/history.json"] = {**HISTORY, "timing": timing}
    await show(page, desk)
    await page.wait_for(HIDDEN, not timing)


async def test_without_a_window_there_is_no_panel(page: Page, desk: CannedDesk) -> None:
    await show(page, desk)  # with a history that an earlier version could have written
    await page.wait_for("document.querySelectorAll('.past li').length", 7)
    assert await page.evaluate(HIDDEN) is True
    await with_timing(page, desk, [])


async def test_bars_sums_and_other_windows(page: Page, desk: CannedDesk) -> None:
    await with_timing(page, desk, timing_of(FRAMES))
    assert await page.evaluate(text(".timing-title")) == "turn, frames 11 to 14"
    assert await page.evaluate(text(".timing .sentence")) == (
        "4 of 9, 44 % (19 to 73 %) right; 3 early, 2 late"
    )
    rows = [[row[0], row[1], row[-1]] for row in await page.evaluate(cells(".bins li"))]
    assert rows == [
        ["early", "9", "1"],
        ["early", "10", "1"],
        ["right", "11", ""],
        ["right", "12", "2"],
        ["right", "13", "1"],
        ["right", "14", "1"],
        ["late", "15", "1"],
        ["late", "16", ""],
        ["late", "17", "1"],
    ]
    shares = await page.evaluate(
        "[...document.querySelectorAll('.bins li')].map((row) =>"
        " ['sure', 'unsure'].map((name) => {"
        "  const whole = row.querySelector('.timing-bar').getBoundingClientRect().width;"
        "  return row.querySelector('.' + name).getBoundingClientRect().width / whole; }))"
    )
    # 13 is unsure, and so is one of 14's kind: the fourth and the eighth
    expected = [0.5, 0.5, 0, 1, 0, 0, 0.5, 0, 0.5]
    assert [sure for sure, _ in shares] == pytest.approx(expected, abs=0.01)
    unsure = [0.0, 0, 0, 0, 0.5, 0.5, 0, 0, 0]
    assert [each for _, each in shares] == pytest.approx(unsure, abs=0.01)
    assert await page.evaluate(text(".timing .spread")) == (
        "median 12.5, half of them 11.5 to 14.25, all 9 to 17 frames from the moment"
    )
    assert await page.evaluate(cells(".timing .fact")) == [
        ["10 to 14", "5 of 9, 56 % (27 to 81 %)"],
        ["11 to 15", "5 of 9, 56 % (27 to 81 %)"],
        ["10 to 15", "6 of 9, 67 % (35 to 88 %)"],
    ]
    assert await page.evaluate(texts(".timing-notes li")) == [
        "1 done before the moment came: in no bar",
        "acted too soon, while it waited for its begin: 1",
        "frames were missed around 2: those may be others (outlined)",
    ]


async def test_verdicts_differ_without_their_colours(page: Page, desk: CannedDesk) -> None:
    """By their words, and by what their bars are filled with."""
    await with_timing(page, desk, timing_of([9, 12, 17]))
    fills = await page.evaluate(
        "['early', 'right', 'late'].map((verdict) => {"
        " const bar = document.querySelector(`[data-verdict=${verdict}] .sure`);"
        " return getComputedStyle(bar).backgroundImage.replace(/rgb\\([^)]*\\)/g, 'colour'); })"
    )
    assert len(set(fills)) == 3
    assert fills[1] == "none"


async def test_what_was_done_before_its_moment_alone_has_no_bars(
    page: Page, desk: CannedDesk
) -> None:
    await with_timing(page, desk, timing_of([None, None], (0, 3)))
    assert await page.evaluate("document.querySelector('.bins').hidden") is True
    assert await page.evaluate(texts(".timing .fact dt")) == ["0 to 4"]
    assert await page.evaluate(text(".timing .spread")) == ""


BARS = """
import("/pages/desk/timing.js").then(({ bars }) => JSON.stringify(CASES.map((each) => bars(each))))
"""


async def test_no_bar_is_lost_however_wide_the_window_is(page: Page, desk: CannedDesk) -> None:
    """Bars follow one another, none holds two verdicts, and all attempts are in them."""
    draw = random.Random(4)
    cases = []
    for _ in range(60):
        first = draw.randrange(0, 40)
        window = first, first + draw.choice([0, 1, 3, 12, 27, 28, 90])
        around = [draw.randrange(0, window[1] + draw.choice([2, 9, 400])) for _ in range(30)]
        cases += timing_of(list(around), window)
    await page.open(desk.url.replace("/desk", "/bare"))
    found = json.loads(await page.evaluate(BARS.replace("CASES", json.dumps(cases))))
    assert len(found) == len(cases) == 60
    for case, bars in zip(cases, found, strict=True):
        assert len(bars) <= 28 + 2 + 2
        assert all(one["to"] + 1 == two["from"] for one, two in itertools.pairwise(bars))
        for bar in bars:
            inside = [b for b in case["histogram"] if bar["from"] <= b["frames"] <= bar["to"]]
            assert bar["count"] == sum(b["count"] for b in inside)
            assert bar["unsure"] == sum(b["unsure"] for b in inside)
            assert {b["verdict"] for b in inside} <= {bar["verdict"]}
        frames = [b["frames"] for b in case["histogram"]]
        assert bars[0]["from"] == min([case["window"][0], *frames])
        assert bars[-1]["to"] == max([case["window"][1], *frames])


async def test_nothing_of_it_keeps_anybody_out(page: Page, desk: CannedDesk) -> None:
    await with_timing(page, desk, timing_of(FRAMES))
    for theme in ("light", "dark"):
        await page.evaluate(f"document.documentElement.dataset.theme = '{theme}'; 0")
        await page.pass_time(0.6)
        assert await serious_violations(page) == []


async def test_the_list_says_what_was_counted_by_hand_and_taken_back(
    page: Page, desk: CannedDesk
) -> None:
    told: Any = HISTORY["attempts"]
    others, last = told[:-1], told[-1]
    hand = [{**others[-1], "by_hand": True}, {**last, "by_hand": True, "undone": True}]
    desk.files["/history.json"] = {**HISTORY, "attempts": [*others[:-1], *hand]}
    await show(page, desk)
    await page.wait_for("document.querySelectorAll('.past li').length", 7)
    assert (await page.evaluate(texts(".past .words")))[1:3] == [
        "success, by hand, taken back",
        "success, by hand",
    ]


async def test_the_session_is_told_beside_all_with_its_note(page: Page, desk: CannedDesk) -> None:
    await show(page, desk)
    shown = (
        "(({ hidden, textContent }) => [hidden, textContent])(document.querySelector('.sitting'))"
    )
    await page.wait_for(shown, [True, ""])
    session: dict[str, Any] = {
        "session": 3,
        "attempts": 6,
        "successes": 4,
        "rate": 4 / 6,
        "streak": 2,
    }
    session |= {"interval": [0.3, 0.903], "best": 188, "median": 190}
    desk.files["/history.json"] = {**HISTORY, "sessions": [{"session": 3, "note": "held left"}]}
    made = snapshot()
    made["practice"]["session"] = session
    desk.tell(made)
    await page.wait_for(
        shown, [False, "session 3 (held left): 4 of 6 attempts, 67 % (95 % sure: 30 to 90 %)"], 15
    )
