"""No flashes: a film of the page while everything flips at 60 Hz, measured as WCAG defines."""

from __future__ import annotations

import itertools
import logging
from collections.abc import AsyncIterator
from dataclasses import replace

import numpy as np
import pytest
import pytest_asyncio

from adapters.outputs.web.server import OverlayServer
from bridge.heap.blocks import Block, Heap
from bridge.practice.attempts import Attempt, Outcome
from bridge.practice.progress import Phase, Practice
from bridge.practice.steps import StepOutcome, StepResult
from bridge.practice.windows import Window
from bridge.readings.frame import Frame
from bridge.readings.reading import Reading, Watch
from bridge.values.status import Status
from bridge.values.value_type import INTEGER
from schemas.output_settings import OverlayOutput
from tests.adapters.browser import Page
from tests.adapters.film import film, photo
from tests.adapters.flashes import FlashMeter, largest_window_share
from tests.adapters.made_frames import EAST, HALF, OIL, frame, good, listening

chrome = pytest.mark.needs("chromium", "chromium")
in_one_loop = pytest.mark.asyncio(loop_scope="module")


# The meter itself, against films of which the flashes are known


def shown(meter: FlashMeter, colours: list[tuple[int, int, int]], rate: float, side: int) -> None:
    """A film of a square of *side* pixels that takes one colour after another."""
    for number, colour in enumerate(colours):
        picture = np.full((300, 400, 3), 60, np.uint8)
        picture[:side, :side] = colour
        meter.see(number / rate, picture)


BLACK, WHITE, GREY, RED = (0, 0, 0), (255, 255, 255), (236, 236, 236), (255, 0, 0)


@pytest.mark.parametrize(
    ("colours", "side", "flashes"),
    [
        ([BLACK, WHITE] * 10, 200, (5, 0)),
        # below a quarter of 341 × 256 pixels, which is a square of 147.7
        ([BLACK, WHITE] * 10, 147, (0, 0)),
        ([BLACK, WHITE] * 10, 149, (5, 0)),
        # both ends are lighter than 0.80
        ([GREY, WHITE] * 10, 200, (0, 0)),
        ([BLACK] * 20, 200, (0, 0)),
        ([RED, BLACK] * 10, 200, (5, 5)),
        # up in two halves, down in two halves: one flash for each
        ([BLACK, (120, 120, 120), WHITE, (120, 120, 120)] * 5, 200, (2, 0)),
    ],
)
def test_the_meter_counts_what_is_known(
    colours: list[tuple[int, int, int]], side: int, flashes: tuple[int, int]
) -> None:
    meter = FlashMeter()
    shown(meter, colours, 10, side)
    assert meter.most_in_a_second() == flashes


def test_the_share_is_of_one_window() -> None:
    changed = np.zeros((600, 1000), bool)
    changed[100:356, 300:470] = True
    assert largest_window_share(changed) == pytest.approx(0.5, abs=0.01)
    assert largest_window_share(np.ones((60, 200), bool)) == pytest.approx(60 * 200 / 256 / 341)


# The page


@pytest_asyncio.fixture(loop_scope="module")
async def page(tab: Page) -> Page:
    await tab.renew(640, 360)
    return tab


@pytest_asyncio.fixture(loop_scope="module")
async def server() -> AsyncIterator[OverlayServer]:
    settings = OverlayOutput(listen="127.0.0.1:0")
    async with listening(OverlayServer(settings, logging.getLogger("test"))) as served:
        yield served


def heap(used: bool) -> Heap:
    starts = range(0x1010, 0x1910, 0x100)
    return Heap(
        [Block(at, 0xF0, used, index, "crate", at - 0x10) for index, at in enumerate(starts)]
    )


def flipping(number: int) -> Frame:
    """Every digit, hit, status, step, window, block and note changes with every frame."""
    odd = number % 2 == 1
    half = good(HALF, 0x1111) if odd else Reading(HALF, Status.NULL, reason="courier.held is null")
    digits = 11111111 if odd else 88888888
    readings = [good(OIL, digits), good(EAST, 120.0 if odd else 90.0), half]
    readings += [good(Watch(f"buoy_{i}", "", "", INTEGER), digits) for i in range(7)]
    window = Window(11, 14)
    late = StepResult("door", StepOutcome.FAILED, 0, 9, 0.2, timing=window.judge(8 + number % 9))
    step = replace(
        Practice(Phase.RUNNING if odd else Phase.WAITING, "turn", 3 if odd else 1, 3),
        window=window if number % 4 else None,
        since=number % 30 if odd else None,
        too_soon=None if odd else 0,
        finished=(late,) if odd else (),
        last=Attempt(1, "export", 1, 1.0, Outcome.FAILED, "door", "late", 9, 0.2, (late,)),
    )
    made = frame(number, readings, note="the gull is here" if odd else "")
    made = replace(made, practice=step, heap=heap(odd))
    return made if number % 3 else made.offline("the pier is gone", made.ticks + number)


QUERIES = [
    "show=values,steps,attempts,heap",
    "watches=oil,east&scale=10",
    "scale=2.5&theme=light&show=values,heap",
    # the largest letters that change 15 times a second
    f"scale=1.95&theme=light&watches={','.join(f'buoy_{i}' for i in range(7))}",
]


@chrome
@in_one_loop
@pytest.mark.parametrize(
    ("query", "background", "seconds", "every"),
    [
        *((QUERIES[i], ("#ffffff", "#000000")[i % 2], 1.8, 2) for i in range(4)),
        *(
            pytest.param(query, background, 4.0, 1, marks=pytest.mark.full)
            for query in QUERIES
            for background in ("#ffffff", "#000000")
        ),
    ],
)
async def test_nothing_flashes(
    page: Page, server: OverlayServer, query: str, background: str, seconds: float, every: int
) -> None:
    """A flash of three a second lasts more than six pictures."""
    await page.call("Emulation.setDefaultBackgroundColorOverride", color=rgba(background))
    server.publish(flipping(1))
    await page.open(f"{server.url}overlay?{query}")
    await page.wait_for("document.body?.dataset.link", "live")
    # Every seventh frame does not flip, so that no fixed pace can hide the flips.
    numbers = (number + number // 7 for number in itertools.count(2))
    meter, seen = FlashMeter(), set()
    async for time, picture in film(
        page, lambda: server.publish(flipping(next(numbers))), seconds, every
    ):
        meter.see(time, picture)
        seen.add(picture.tobytes())
    general, red = meter.most_in_a_second()
    print(f"{meter.frames} pictures, largest share {meter.largest_share:.3f}, {general}, {red}")
    assert len(seen) >= 3  # it does change, if seldom where the machine is busy
    assert general <= 3
    assert red == 0


@chrome
@in_one_loop
async def test_a_page_that_flashes_is_seen_to(page: Page) -> None:
    """A check of the check: five flashes a second over the whole page."""
    await page.open("about:blank")
    meter = FlashMeter()
    for number in range(15):
        colour = "black" if number % 2 else "red"
        await page.evaluate(f"document.body.style.background = '{colour}'")
        meter.see(number / 10, await photo(page))
    general, red = meter.most_in_a_second()
    assert general > 3
    assert red > 3


def rgba(colour: str) -> dict[str, int]:
    red, green, blue = bytes.fromhex(colour[1:])
    return {"r": red, "g": green, "b": blue, "a": 1}
