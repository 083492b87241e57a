"""The page to practise with as a picture: letters to be read from two metres, and no flashes.

The measure of letters is ISO 9241-303 (2011), which took it over from ISO 9241-3 (1992): the height
The measure of letters is ISO 9241-303 (2011), which took it from ISO 9241-3 (1992): the height
that is assumed has 15.6 inches, 16 to 9, and the page has all of it: one pixel of 1280 is 0.27 mm.
Flashes are those of WCAG 2.2, 2.3.1 (see ``flashes.py``).
"""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import AsyncIterator
from typing import Any

import numpy as np
import pytest
import pytest_asyncio

from tests.adapters.browser import Page
from tests.adapters.canned_desk import CannedDesk, DeskServer, full_desk
from tests.adapters.canned_practice import failed, practising, timing
from tests.adapters.desk_hands import LINK, text
from tests.adapters.film import film, photo
from tests.adapters.flashes import FlashMeter, Pixels

chrome = pytest.mark.needs("chromium", "chromium")
in_one_loop = pytest.mark.asyncio(loop_scope="module")
SCREEN = 1280, 720
FAR = 2000.0
"""Millimetres to the screen."""
PIXEL = 15.6 * 25.4 * 16 / math.hypot(16, 9) / 1280
"""Millimetres of a pixel."""
FIRST, SECOND = 20.0, 16.0
"""Minutes of arc of what a runner looks at all the time, and of all else that changes."""


@pytest_asyncio.fixture(loop_scope="module")
async def desk(server: DeskServer) -> AsyncIterator[CannedDesk]:
    async with server.showing(full_desk()) as shown:
        yield shown


async def show(page: Page, desk: CannedDesk) -> None:
    await page.open(desk.url.replace("/desk", "/practice"))
    await page.wait_for(LINK, "live")


PLACE = """
(([selector, letter]) => {
  const walk = document.createTreeWalker(document.querySelector(selector), NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const at = walk.currentNode.data.indexOf(letter);
    if (at < 0) continue;
    const range = document.createRange();
    range.setStart(walk.currentNode, at);
    range.setEnd(walk.currentNode, at + 1);
    const {left, right, top, bottom} = range.getBoundingClientRect();
    return [left, right, top, bottom].map(Math.round);
  }
})
"""


def inked(picture: Pixels, place: list[int]) -> int:
    """The height in pixels of what stands out by half of the letter's own contrast."""
    left, right, top, bottom = place
    letter = picture[max(0, top) : bottom, left:right].astype(float) @ [0.2126, 0.7152, 0.0722]
    paper = letter[0, 0]
    off = np.abs(letter - paper)
    rows = np.flatnonzero((off > off.max() / 2).any(axis=1))
    return int(rows[-1] - rows[0] + 1)


def minutes_of_arc(pixels: float) -> float:
    return math.degrees(math.atan2(pixels * PIXEL, FAR)) * 60


@chrome
@in_one_loop
@pytest.mark.parametrize("scheme", ["light", pytest.param("dark", marks=pytest.mark.full)])
async def test_letters_are_read_from_two_metres(page: Page, desk: CannedDesk, scheme: str) -> None:
    made = failed(timing("early", 2, 39))
    made["practice"] |= {"step": "Turn", "hint": "Half a turn to the left, then let go"}
    desk.snapshot = made
    await page.emulate(prefers_color_scheme=scheme)
    await show(page, desk)
    await page.pass_time(1)
    picture = await photo(page)
    assert picture.shape[:2] == (720, 1280)
    letters = [
        ("#step", "T", FIRST), ("#watch .value", "8", FIRST), ("#watch .state", "4", FIRST),
        ("#frames", "4", FIRST), ("#verdict", "2", FIRST), ("#hint", "H", SECOND),
        ("#watch .label", "E", SECOND), ("#cue-words", "2", SECOND), ("#numbers dd", "2", SECOND),
    ]  # fmt: skip
    for selector, letter, least in letters:
        place = await page.evaluate(f"({PLACE})({json.dumps([selector, letter])})")
        found = minutes_of_arc(inked(picture, place))
        print(f"{selector}: {found:.1f} minutes of arc")
        assert found >= least, selector


def test_the_measure_of_a_letter_is_its_own_height() -> None:
    """An H of 40 rows on grey paper, its edges half as dark: they count where they are half."""
    picture = np.full((60, 40, 3), 230, np.uint8)
    picture[10:50, 5:9] = picture[10:50, 25:29] = 20
    picture[50, 5:9] = 150
    assert inked(picture, [0, 40, 0, 60]) == 40
    assert minutes_of_arc(43.13) == pytest.approx(20, abs=0.05)  # 11.64 mm at 2 m


def flipping(number: int) -> Any:
    """Every digit, state, step and warning changes with every frame, while a cue runs."""
    odd = number % 2
    moment = number - number % 70
    since = number - moment
    made = practising(
        number, step=("turn", "write")[odd], frames=(1111, 8888)[odd],
        window={"frames": [41, 44], "since": since}, too_soon=odd or None,
    )  # fmt: skip
    if odd:
        made["practice"]["last"] = failed(timing("late", 3, 47))["practice"]["last"]
    for each in made["readings"]:
        each.update(text=("111.11", "888.88")[odd], status="ok" if number % 3 else "freed")
        each.update(target=("hit", "miss")[odd], words=("hit", "+888.88 to go")[odd])
    return made


@chrome
@in_one_loop
@pytest.mark.parametrize(
    ("size", "scheme", "seconds", "every"),
    [
        ((640, 360), "dark", 1.2, 4),
        *(
            pytest.param(size, scheme, 4.0, 1, marks=pytest.mark.full)
            for size in ((1280, 720), (400, 800), (1920, 1080))
            for scheme in ("light", "dark")
        ),
    ],
)
async def test_nothing_flashes(
    page: Page, desk: CannedDesk, size: tuple[int, int], scheme: str, seconds: float, every: int
) -> None:
    """With the cue under way and everything else changing 60 times a second."""
    await page.resize(*size)
    await page.emulate(prefers_color_scheme=scheme)
    desk.snapshot = flipping(1)
    await show(page, desk)
    numbers = (number + number // 7 for number in itertools.count(2))
    meter, seen, floats = FlashMeter(), set(), set()
    async for at, picture in film(page, lambda: desk.tell(flipping(next(numbers))), seconds, every):
        meter.see(at, picture)
        seen.add(picture.tobytes())
        floats.add(await page.evaluate("document.getElementById('bar').style.cssText"))
    general, red = meter.most_in_a_second()
    print(f"{meter.frames} pictures, largest share {meter.largest_share:.3f}, {general}, {red}")
    assert len(seen) >= 3
    assert len(floats) >= 3  # the cue did run
    assert (general <= 3, red) == (True, 0)
    assert await page.evaluate(text("#step")) in ("turn", "write")
