"""The page to practise with, in a real browser, against a server that says what a test tells it."""

from __future__ import annotations

import itertools
import json
from collections.abc import AsyncIterator
from functools import partial
from typing import Any

import pytest
import pytest_asyncio

from tests.adapters.accessibility import serious_violations
from tests.adapters.browser import Page
from tests.adapters.canned_desk import CannedDesk, DeskServer, full_desk
from tests.adapters.canned_practice import failed, practising, states, timing
from tests.adapters.desk_hands import LINK, cells, text

pytestmark = [
    pytest.mark.needs("chromium", "chromium"),
    pytest.mark.asyncio(loop_scope="module"),
]
SCREEN = 1280, 720


@pytest_asyncio.fixture(loop_scope="module")
async def desk(server: DeskServer) -> AsyncIterator[CannedDesk]:
    async with server.showing(full_desk()) as shown:
        shown.snapshot = practising()
        yield shown


async def show(page: Page, desk: CannedDesk) -> None:
    await page.open(desk.url.replace("/desk", "/practice"))
    await page.wait_for(LINK, "live")


# What it says


async def test_it_says_the_step_the_value_the_frames_and_what_attempts_gave(
    page: Page, desk: CannedDesk
) -> None:
    await show(page, desk)
    assert await page.evaluate(text("#place")) == "attempt 18 · step 2 of 3"
    assert await page.evaluate(text("#step")) == "turn"
    assert await page.evaluate(text("#hint")) == "half a turn to the left, then let go"
    assert await page.evaluate(text("#watch .value")) == "118.60"
    assert await page.evaluate(text("#watch .label")) == "East of the pier"
    assert await page.evaluate(text("#watch .state")) == "+1.40 to go"
    assert await page.evaluate(text("#frames")) == "14"
    assert await page.evaluate(text("#frames-of")) == "frames in this step"
    assert await page.evaluate(text("#next")) == (
        "next: write – press against the pier until the half is right"
    )
    assert await page.evaluate(cells(".number")) == [
        ["last", "212"], ["best", "188"], ["median", "203.5"], ["in a row", "2"],
    ]  # fmt: skip
    assert await page.evaluate(text("#sitting")) == (
        "in frames; this sitting 4 of 6, 67 %; all 9 of 17, 53 %"
    )
    assert await page.evaluate(text("#cue-words")) == "in 29"
    assert await page.evaluate(text("#verdict")) == "success"


WORDS = """
(async (states) => {
  const words = await import("/pages/practice/words.js");
  return states.map((state) => {
    const { practice } = state;
    const large = words.largeReading(state);
    const last = words.lastWords(practice?.last);
    const frames = practice ? words.frameWords(practice) : null;
    return [large?.watch ?? null, words.placeWords(state), frames,
      last && [last.of, last.mark, last.words, last.more], words.warnings(state)];
  });
})
"""


async def words(page: Page, desk: CannedDesk, *told: Any) -> Any:
    await page.open(desk.url.replace("/desk", "/bare"))
    return await page.evaluate(f"({WORDS})({json.dumps(told)})")


async def test_which_value_is_large_follows_the_step(page: Page, desk: CannedDesk) -> None:
    made = [practising(show="gull"), practising(show=None), practising(show="gone"), practising()]
    for each in made[1:2]:
        each["readings"] = each["readings"][2:]
    made[3]["practice"].pop("show")
    for each in made[3]["readings"]:
        each["target_text"] = None
    found = await words(page, desk, *made, {"readings": []})
    assert [watch for watch, *_ in found] == ["gull", "half", "gone", "oil", None]


async def test_where_the_runner_is(page: Page, desk: CannedDesk) -> None:
    told = states()
    names = ("waits", "soon", "between", "done", "nothing", "steps", "missed")
    found = {
        name: (where["place"], where["step"], where["hint"], frames)
        for name, (_, where, frames, _, _) in zip(
            names, await words(page, desk, *(told[name] for name in names)), strict=True
        )
    }
    hint = "half a turn to the left, then let go"
    assert found == {
        "waits": ("attempt 18 · step 2 of 3 · yet to begin", "turn", hint,
                  ["14", "frames of waiting"]),
        "soon": ("attempt 18 · step 2 of 3 · yet to begin", "turn",
                 "acted too soon: done before it began", ["14", "frames of waiting"]),
        "between": ("", "between attempts", "", ["–", "no attempt is under way"]),
        "done": ("attempt 18", "all 3 steps done", "", ["61", "frames in this attempt"]),
        "nothing": ("", "no steps in the bridge file", "", None),
        "steps": ("step 2 of 3", "turn", hint, ["14", "frames in this step"]),
        "missed": ("attempt 18 · step 2 of 3", "turn", hint,
                   ["14", "frames in this step · 6 missed"]),
    }  # fmt: skip


async def test_how_the_last_attempt_came_out(page: Page, desk: CannedDesk) -> None:
    """Also of one whose reason says the window's verdict again, as lowhalf's does."""
    hand = practising()
    hand["practice"]["last"] |= {"by_hand": True, "frames": None, "whole": None}
    told = [
        failed(timing("early", 2, 39), reason="early by 2"),
        failed(timing("late", 3, 47, 2), frames_seen=200, whole=False),
        failed(timing("late", 3, 47, None), reason="late by 3; lowhalf did not run for 20 s"),
        failed(timing("early", None, None), reason="early: done before it could be"),
        states()["right"],
        failed(timing("right", 0, 42), step="write"),
        hand,
        states()["steps"],
    ]
    found = [last for *_, last, _ in await words(page, desk, *told)]
    of = "last: attempt 17"
    assert found == [
        [of, "absent", "early by 2", "turn: frame 39 of 41 to 44"],
        [of, "absent", "late by 3",
         "turn: frame 47 of 41 to 44, give or take 2; 12 of 212 frames missed"],
        [of, "absent", "late by 3",
         "turn: frame 47 of 41 to 44, unsure; lowhalf did not run for 20 s"],
        [of, "absent", "early", "turn: done before it could be"],
        [of, "hit", "success", "turn: frame 42 of 41 to 44"],
        [of, "absent", "failed", "turn: frame 42 of 41 to 44; at write"],
        [f"{of}, by hand", "hit", "success", ""],
        ["last time", "hit", "success", ""],
    ]  # fmt: skip


async def test_a_warning_is_told_once_however_many_watches_it_is_true_of(
    page: Page, desk: CannedDesk
) -> None:
    (*_, told), (*_, none) = await words(page, desk, states()["stale"], {"readings": []})
    assert told == "Lamp oil and 3 more: freed: points into a free block"
    assert none == ""


async def test_guests_words_are_never_html(page: Page, desk: CannedDesk) -> None:
    hostile = "<img src=x onerror=window.hacked=1>"
    made = failed(timing("early", 2, 39), step=hostile, reason=hostile)
    made["practice"] |= {"step": hostile, "hint": hostile, "next": {"step": hostile, "hint": ""}}
    made["note"] = hostile
    for each in made["readings"]:
        each.update(label=hostile, text=hostile, words=hostile, plain=hostile, status="freed")
    desk.snapshot = made
    await show(page, desk)
    assert await page.evaluate(text("#step")) == hostile
    assert str(await page.evaluate("document.body.textContent")).count(hostile) >= 6
    assert await page.evaluate("document.images.length") == 0
    assert await page.evaluate("window.hacked === undefined")


async def test_nothing_is_made_up_where_there_is_nothing(page: Page, desk: CannedDesk) -> None:
    """No steps and no attempts; then no watches; then no frame."""
    desk.snapshot = states()["nothing"]
    await show(page, desk)
    seen = (
        "[...document.querySelectorAll('#last, #score, #cue, #buttons')]"
        ".filter(e => e.offsetHeight).length"
    )
    assert await page.evaluate(seen) == 0
    assert await page.evaluate(text("#step")) == "no steps in the bridge file"
    assert await page.evaluate(text("#frames")) == "812"
    assert await page.evaluate(text("#frames-of")) == "frame of the game"
    assert await page.evaluate(text("#watch .value")) == "lantern"
    desk.tell(states()["empty"])
    await page.wait_for(text("#watch"), "there are no watches")
    made = states()["nothing"] | {"frame": None, "stats": None}
    for each in made["readings"]:
        each.update(status="waiting", plain="no frame yet", text="")
    desk.tell(made)
    await page.wait_for(text("#frames"), "–")
    assert await page.evaluate(text("#watch .value")) == "–"
    assert await page.evaluate(text("#step")) == "no frame yet"


async def test_a_lost_connection_and_an_offline_source_are_shown(
    page: Page, desk: CannedDesk
) -> None:
    await show(page, desk)
    await page.take(desk.tell)
    desk.fall_silent()
    await page.pass_time(7)
    assert await page.evaluate(LINK) == "lost"
    assert await page.evaluate(text("#notice")) == "no connection to lowhalf"
    assert "ago" in await page.evaluate(text("#age"))
    desk.speak()
    desk.tell(states()["offline"])
    await page.wait_for("document.body.dataset.source", "offline")
    assert await page.evaluate(text("#watch .words")) == "offline 1 min"
    assert await page.evaluate(LINK) == "live"


async def test_all_of_the_page_is_of_one_frame(page: Page, desk: CannedDesk) -> None:
    """The step and its value turn together, at most twice in a second, whatever the game does."""
    await show(page, desk)
    await page.pass_time(1)
    await page.evaluate(
        "window.seen = []; new MutationObserver(() => seen.push([performance.now(),"
        "document.getElementById('step').textContent,"
        "document.querySelector('#watch .label')?.textContent])).observe("
        "document.body, {subtree: true, childList: true, characterData: true}); 0"
    )
    for number in range(100):
        odd = (number + number // 7) % 2
        made = practising(813 + number, step=("turn", "write")[odd], show=("east", "facing")[odd])
        await page.take(partial(desk.tell, made))
    seen = await page.evaluate("window.seen")
    turns = [at for (_, old, _), (at, new, _) in itertools.pairwise(seen) if old != new]
    assert len(turns) >= 2
    assert min(b - a for a, b in itertools.pairwise(turns)) >= 500
    assert {(step, label) for _, step, label in seen} <= {
        ("turn", "East of the pier"), ("write", "Facing")
    }  # fmt: skip


# How it looks

SIZES = [(1280, 720), (1920, 1080), (640, 720), (1024, 768), (768, 1024), (400, 800), (800, 400)]
INSIDE = """
[...document.querySelectorAll('body *')].filter((e) => {
  const box = e.getBoundingClientRect();
  if (!e.getClientRects().length) return false;
  if (e.closest('dialog, #bar, .gauge, svg, .ghost')) return false;
  return box.right > innerWidth + 1 || box.left < -1 || (e.childElementCount === 0 &&
    getComputedStyle(e).overflow === 'hidden' && e.scrollHeight > e.clientHeight + 2);
}).map((e) => e.id || e.className)
"""


@pytest.mark.parametrize("state", ["long", pytest.param("arabic", marks=pytest.mark.full)])
async def test_in_every_size_all_is_there(page: Page, desk: CannedDesk, state: str) -> None:
    desk.snapshot = states()[state]
    await show(page, desk)
    for size in SIZES:
        await page.resize(*size)
        await page.pass_time(0.5)
        assert await page.evaluate(INSIDE) == [], size
        room = "[document.documentElement.scrollWidth, document.documentElement.scrollHeight]"
        wide, high = await page.evaluate(room)
        assert (wide <= size[0], high <= size[1]) == (True, True), (size, wide, high)
    await page.resize(320, 256)  # 1280 x 1024 at 400 %: WCAG 2.2, 1.4.10
    await page.pass_time(0.5)
    assert await page.evaluate("document.documentElement.scrollWidth <= innerWidth")


@pytest.mark.full
async def test_wider_spacing_of_text_loses_nothing(page: Page, desk: CannedDesk) -> None:
    """WCAG 2.2, success criterion 1.4.12, with the spacings that it names."""
    await show(page, desk)
    await page.evaluate(
        "{const s = document.createElement('style'); s.textContent = '* {"
        "line-height: 1.5 !important; letter-spacing: 0.12em !important;"
        "word-spacing: 0.16em !important}'; document.head.append(s)}"
    )
    await page.pass_time(1)
    assert await page.evaluate(INSIDE) == []
    small = (
        "[...document.querySelectorAll('#practice p, #practice dd, #practice dt, .hand')]"
        ".filter((e) => e.textContent && parseFloat(getComputedStyle(e).fontSize) < 12)"
        ".map((e) => e.id || e.textContent)"
    )
    assert await page.evaluate(small) == []


async def test_nothing_moves_when_what_is_told_changes(page: Page, desk: CannedDesk) -> None:
    """From one state to the next, every part keeps its place."""
    places = (
        "['now', 'value', 'cue', 'next', 'count', 'last', 'score', 'hands', 'warnings', "
        "'verdict', 'frames', 'step'].map(id => document.getElementById(id))"
        ".map(e => [e.id, e.getBoundingClientRect().left, e.getBoundingClientRect().top])"
    )
    await show(page, desk)
    for size in [(1280, 720), (400, 800)]:
        await page.resize(*size)
        desk.tell(practising())
        await page.pass_time(0.5)
        before = await page.evaluate(places)
        for name in ("long", "between", "soon", "done", "missed", "stale", "offline", "arabic"):
            made = states()[name]
            desk.tell(made)
            await page.pass_time(1.2)
            assert await page.evaluate(places) == before, (size, name)
    edge = "document.querySelector('#watch .value').getBoundingClientRect().left"
    desk.tell(practising())
    await page.pass_time(1.2)
    left = await page.evaluate(edge)
    short = practising()
    short["readings"][4]["text"] = "8.60"
    desk.tell(short)
    await page.wait_for(text("#watch .value"), "8.60")
    assert await page.evaluate(edge) == left


async def test_the_checker_finds_nothing_serious(page: Page, desk: CannedDesk) -> None:
    for scheme in ("light", "dark"):
        await page.emulate(prefers_color_scheme=scheme)
        await show(page, desk)
        await page.pass_time(0.5)
        assert await serious_violations(page) == []
    desk.tell(states()["offline"])
    await page.wait_for("document.body.dataset.source", "offline")
    assert await serious_violations(page) == []
    desk.tell(failed(timing("early", 2, 39)))
    await page.wait_for(text("#verdict-words"), "early by 2")
    for opener, dialog in (("cue-settings", "cue-dialog"), ("hands-settings", "hands-dialog")):
        await page.evaluate(f"document.getElementById('{opener}').click(); 0")
        assert await page.evaluate(f"document.getElementById('{dialog}').open")
        assert await serious_violations(page) == []
        small = (
            f"[...document.querySelectorAll('#{dialog} :is(button, input:not([type=checkbox])), "
            ".hand, .plain')].filter(e => e.getClientRects().length).filter(e => "
            "e.getBoundingClientRect().height < 24).map(e => e.id || e.className)"
        )
        assert await page.evaluate(small) == []  # WCAG 2.2, 2.5.8
        await page.evaluate(f"document.getElementById('{dialog}').close(); 0")
