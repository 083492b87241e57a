"""What stands together on a page belongs to one frame: value, shape, colour, words, gauge, pieces.

The frames come at 60 Hz and change their verdicts with nearly each, as the flash limits forbid to
show; the page is looked at in every animation frame of a real browser, and filmed.  Its time is
ours; ``python -m tests.benchmarks.overlay_truth`` looks in the browser's own.
"""

from __future__ import annotations

import itertools
import logging
from collections.abc import AsyncIterator
from functools import partial
from typing import Any

import numpy as np
import pytest
import pytest_asyncio

from adapters.outputs.web.server import OverlayServer
from bridge.readings.frame import Frame
from bridge.readings.reading import Reading
from bridge.values.status import Status
from schemas.output_settings import OverlayOutput
from tests.adapters.browser import Page
from tests.adapters.film import film, photo
from tests.adapters.flashes import Pixels
from tests.adapters.made_frames import EAST, frame, good, listening
from tests.adapters.verdicts import LANES, frames, look

pytestmark = [
    pytest.mark.needs("chromium", "chromium"),
    pytest.mark.asyncio(loop_scope="module"),
]

COUNTS = [400, pytest.param(10_000, marks=pytest.mark.full)]
"""Animation frames."""
OUTLINE = {"text": "rgb(255, 255, 255)", "hit": "rgb(86, 180, 233)", "absent": "rgb(180, 180, 180)"}
NO_FADE = (
    "{const s = document.createElement('style'); s.textContent = 'html {--fade: 0s; --glide: 0s}';"
    "document.head.append(s); 0}"
)


@pytest_asyncio.fixture(loop_scope="module")
async def server() -> AsyncIterator[OverlayServer]:
    settings = OverlayOutput(listen="127.0.0.1:0")
    async with listening(OverlayServer(settings, logging.getLogger("test"))) as served:
        yield served


async def looked_at(page: Page, server: OverlayServer, count: int, script: str) -> dict[str, Any]:
    """What was seen in so many animation frames, with a new frame of the game in each."""
    await page.evaluate(script)
    for made in itertools.islice(frames(), count):
        await page.take(partial(server.publish, made))
    truth: dict[str, Any] = await page.evaluate("window.truth")
    return truth


async def opened(page: Page, server: OverlayServer, path: str) -> None:
    server.publish(next(frames()))
    await page.open(server.url + path)
    await page.wait_for("document.querySelectorAll('[data-watch^=lane_]').length", len(LANES))


def check(truth: dict[str, Any], count: int) -> None:
    assert truth["wrong"][:3] == []
    assert truth["frames"] >= count
    assert truth["looks"] >= count * len(LANES)
    # every kind of verdict was among them, often
    for mark in ("hit", "miss", "warning", "absent"):
        assert truth["verdicts"][mark] > count * len(LANES) / 50, truth["verdicts"]


@pytest.mark.parametrize("count", COUNTS)
async def test_every_value_has_its_own_verdict_beside_it(
    page: Page, server: OverlayServer, count: int
) -> None:
    await opened(page, server, "overlay?show=values,steps,attempts,heap")
    check(await looked_at(page, server, count, look()), count)


async def test_where_nothing_fades_every_colour_is_that_of_the_value(
    page: Page, server: OverlayServer
) -> None:
    await opened(page, server, "overlay?show=values")
    await page.evaluate(NO_FADE)
    await page.pass_time(1)  # what began to fade before
    check(await looked_at(page, server, 300, look(OUTLINE)), 300)


async def test_with_reduced_motion_too(page: Page, server: OverlayServer) -> None:
    """The gauge then moves once a second, and so does its value."""
    await page.emulate(prefers_reduced_motion="reduce")
    await opened(page, server, "overlay?show=values")
    check(await looked_at(page, server, 600, look()), 600)


@pytest.mark.parametrize("path", ["", "desk"])
async def test_on_the_other_pages_too(page: Page, server: OverlayServer, path: str) -> None:
    await opened(page, server, path)
    check(await looked_at(page, server, 300, look()), 300)
    page.faults[:] = [fault for fault in page.faults if "404" not in fault]  # no desk behind it


async def test_what_is_wrong_would_be_seen(page: Page, server: OverlayServer) -> None:
    """A check of the check: a value that is live beside a verdict that is not."""
    await opened(page, server, "overlay?show=values")
    await page.evaluate(
        "setInterval(() => { document.querySelector('[data-watch=lane_3] .value').textContent"
        " = (95 + Math.random() * 50).toFixed(2) }, 100)"
    )
    truth = await looked_at(page, server, 120, look())
    assert len(truth["wrong"]) > 60


# Pictures

SHOWN: list[tuple[str, Frame]] = [
    ("hit", frame(1, [good(EAST, 120.0)])),
    ("miss", frame(1, [good(EAST, 88.64)])),
    ("far", frame(1, [good(EAST, 375.19)])),
    ("warned", frame(1, [Reading(EAST, Status.FREED, 120.31, reason="freed")])),
    ("absent", frame(1, [Reading(EAST, Status.NULL, reason="courier is null")])),
]


async def test_every_picture_has_the_value_beside_its_own_verdict(
    page: Page, server: OverlayServer
) -> None:
    """The browser's own pictures, each half of the row compared with pictures that are known."""
    server.publish(frame(1, [good(EAST, 375.19)]))
    await page.resize(640, 120)
    await page.call(
        "Emulation.setDefaultBackgroundColorOverride", color={"r": 0, "g": 60, "b": 60, "a": 1}
    )
    await page.open(f"{server.url}overlay?show=values&theme=dark&scale=1.5")
    await page.wait_for("document.querySelectorAll('.watch').length", 1)
    await page.evaluate(NO_FADE)
    known: dict[str, tuple[Pixels, Pixels]] = {}
    for name, made in SHOWN:
        await page.take(partial(server.publish, made), 1.5)
        picture = await photo(page)
        end, begin = await places(page)
        known[name] = picture[:, :end], picture[:, begin:]
    wrong: list[tuple[str, str]] = []
    seen: dict[str, int] = {}

    numbers = (number + number // 7 for number in itertools.count(1))

    def flip() -> None:
        server.publish(SHOWN[next(numbers) % len(SHOWN)][1])

    async for _, picture in film(page, flip, 12, 15):
        shown, said = nearest(picture[:, :end], known, 0), nearest(picture[:, begin:], known, 1)
        seen[shown] = seen.get(shown, 0) + 1
        if shown != said:
            wrong.append((shown, said))
    assert wrong == []
    assert set(seen) == {name for name, _ in SHOWN}
    assert sum(seen.values()) >= 20


async def places(page: Page) -> tuple[int, int]:
    """Where the value ends, and where its mark and its words begin, in pixels from the left."""
    left = "Math.floor(document.querySelector('.{}').getBoundingClientRect().left)"
    return await page.evaluate(left.format("label")), await page.evaluate(left.format("state"))


def nearest(part: Pixels, known: dict[str, tuple[Pixels, Pixels]], half: int) -> str:
    """The known picture that differs from it in the fewest pixels."""

    def differs(name: str) -> int:
        return int(np.any(part != known[name][half], axis=2).sum())

    return min(known, key=differs)
