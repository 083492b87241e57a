"""The cue of the page to practise with: when its ticks sound, and what taps along with it tell.

What sounds is rendered by the browser's own Web Audio (W3C, "Web Audio API" 1.1), and held against
when the frames of the made-up game truly were; statistics are held against numpy and Python's own.
"""

from __future__ import annotations

import json
import random
import statistics
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import pytest_asyncio

from tests.adapters.browser import Page
from tests.adapters.canned_desk import DeskServer, full_desk

pytestmark = [
    pytest.mark.needs("chromium", "chromium"),
    pytest.mark.asyncio(loop_scope="module"),
]
SOUND = Path(__file__).with_name("practice_sound.js").read_text("utf-8")
SET = {"count": 4, "apart": 250}


@pytest_asyncio.fixture(loop_scope="module")
async def page(tab: Page, server: DeskServer) -> AsyncIterator[Page]:
    """A document of the pages' server, into which a test imports the modules that it is about."""
    async with server.showing(full_desk()) as desk:
        await tab.open(desk.url.replace("/desk", "/bare"))
        yield tab
        assert tab.faults == []


async def rendered(page: Page, **game: Any) -> tuple[list[float], dict[int, float]]:
    """When ticks begin, and when each frame was, in seconds."""
    game = {"rate": 59.826, "late": 1.5, "window": [75, 78], "set": SET, **game}
    found: Any = await page.evaluate(f"({SOUND})({json.dumps(game)})")
    return found["onsets"], dict(found["was"])


def running(length: int, moment: int, first: int = 1000) -> list[tuple[int, int | None]]:
    """*length* frames in a row, of which the one with number *moment* is the moment."""
    return [(first + i, max(-1, first + i - moment)) for i in range(length)]


@pytest.mark.parametrize(
    ("rate", "late", "seed"),
    [
        (59.826, 1.5, 1),
        (50.0, 4.0, 7),
        *(
            pytest.param(rate, late, seed, marks=pytest.mark.full)
            for rate in (20.0, 30.0, 59.826, 60.0)
            for late in (0.0, 1.0, 4.0)
            for seed in (3, 12)
        ),
    ],
)
async def test_the_last_tick_is_at_the_windows_first_frame(
    page: Page, rate: float, late: float, seed: int
) -> None:
    """To 3 ms, and half again what frames come late; the others stand before it, as is set.

    The page was told of 60 frames a second, whatever the game's rate.
    """
    frames = running(int(3.4 * rate), moment=1000 + int(0.8 * rate))
    first = int(1.3 * rate)
    onsets, was = await rendered(
        page, rate=rate, late=late, frames=frames, window=[first, first + 3], seed=seed
    )
    aim = was[1000 + int(0.8 * rate) + first]
    print(f"{1000 * (onsets[-1] - aim):+.2f} ms")
    assert len(onsets) == 4
    assert onsets[-1] == pytest.approx(aim, abs=0.003 + 1.5 * late / 1000)
    assert np.diff(onsets) == pytest.approx([0.25] * 3, abs=0.008)


async def test_the_speakers_delay_is_taken_off(page: Page) -> None:
    frames = running(180, moment=1060)
    plain, _ = await rendered(page, frames=frames)
    early, _ = await rendered(page, frames=frames, set={**SET, "speaker": 120})
    assert np.subtract(plain, early) == pytest.approx([0.12] * 4, abs=0.004)


async def test_only_ticks_behind_the_moment_sound(page: Page) -> None:
    """What is yet to be known of cannot be told beforehand: 11 frames are 0.18 s, 20 are 0.33."""
    for first, expected in ((11, [0]), (20, [-0.25, 0])):
        onsets, was = await rendered(
            page, frames=running(120, moment=1060), window=[first, first + 3]
        )
        assert np.subtract(onsets, was[1060 + first]) == pytest.approx(expected, abs=0.008)


async def test_a_moment_that_comes_anew_takes_the_ticks_of_the_old_one_back(page: Page) -> None:
    """The second moment is 60 frames behind the first, when one tick of the first has sounded."""
    frames = running(60 + 60, moment=1060) + running(150, moment=1120, first=1120)
    onsets, was = await rendered(page, frames=frames, seconds=5)
    assert onsets[-1] == pytest.approx(was[1120 + 75], abs=0.005)
    told = [was[1135] - 0.75 + 0.25 * i for i in range(4)]  # of the first moment
    old = [t for t in told if t < was[1120]]
    assert len(onsets) == len(old) + 4
    assert onsets[: len(old)] == pytest.approx(old, abs=0.008)


async def test_a_step_that_ends_early_ends_its_ticks(page: Page) -> None:
    """Within a tick that sounds; those that were put in are not heard."""
    frames = running(100, moment=1060) + [(1100 + i, None) for i in range(80)]
    onsets, was = await rendered(page, frames=frames)
    assert [t for t in onsets if t > was[1100] + 0.005] == []
    assert len(onsets) == len(
        [t for t in (0.75, 0.5, 0.25, 0) if was[1099] > 0.1 + 135 / 59.826 - t]
    )


async def test_where_frames_stop_nothing_ticks(page: Page) -> None:
    """A game that stands still is known to after 50 ms."""
    frames = running(112, moment=1060)
    onsets, was = await rendered(page, frames=frames)
    assert len(onsets) >= 1
    assert max(onsets) < was[1111] + 0.06


CLOCK = """
(async (came, asked) => {
  const { FrameClock } = await import("/pages/practice/frame_clock.js");
  const clock = new FrameClock();
  for (const [frame, at] of came) clock.saw(frame, at);
  return { period: clock.period, known: clock.known, times: asked.map((n) => clock.timeOf(n)),
    at: asked.map((n) => clock.frameAt(n)), stands: asked.map((n) => clock.stands(n)) };
})
"""


async def clock(page: Page, came: list[tuple[int, float]], asked: list[float]) -> Any:
    return await page.evaluate(f"({CLOCK})({json.dumps(came)}, {json.dumps(asked)})")


async def test_the_clocks_slope_is_that_of_least_squares(page: Page) -> None:
    """Against numpy's polyfit, over the last two seconds."""
    chance = random.Random(5)
    came = [(n, n * 16.715 + chance.expovariate(0.5)) for n in range(200)]
    kept = [(n, at) for n, at in came if came[-1][1] - at <= 2000]
    slope = np.polyfit([n for n, _ in kept], [at for _, at in kept], 1)[0]
    found = await clock(page, came, [250])
    assert found["period"] == pytest.approx(slope, rel=1e-9)
    assert found["times"][0] == pytest.approx(250 * 16.715 + 1.4, abs=2.5)


async def test_the_clock_stops_where_frames_stop(page: Page) -> None:
    came = [(n, 20.0 * n) for n in range(50)]
    found = await clock(page, came, [980, 990, 1000, 1010, 2000, 90000])
    assert found["at"] == pytest.approx([49, 49.5, 49.99, 49.99, 49.99, 49.99])
    assert found["stands"] == [False, False, False, False, True, True]
    # every third frame comes: it is told between them, and not behind the next
    found = await clock(page, came[::3], [960, 1000, 1020, 1060, 3000])
    assert found["at"] == pytest.approx([48, 50, 50.97, 50.97, 50.97])


async def test_a_pause_and_a_jump_begin_the_line_anew(page: Page) -> None:
    came = [(n, 20.0 * n) for n in range(50)]
    later = [*came, *((50 + n, 20.0 * n + 3000) for n in range(6))]
    assert (await clock(page, later, [60]))["times"] == pytest.approx([3200])
    jumped = [*came, *((9000 + n, 20.0 * n + 1000) for n in range(4))]
    assert (await clock(page, jumped, [9010]))["times"] == pytest.approx([1200])
    back = [*came, *((n, 20.0 * n + 1000) for n in range(4))]
    assert (await clock(page, back, [10]))["times"] == pytest.approx([1200])
    slow = [*came, *((50 + n, 40.0 * n + 1000) for n in range(25))]
    assert (await clock(page, slow, [80]))["times"] == pytest.approx([2200])
    assert (await clock(page, came[:1], [60]))["known"] is False  # one frame has no pace


TAPS = """
(async (taps, start, period) => {
  const { tapResult } = await import("/pages/practice/taps.js");
  return tapResult(taps, start, period);
})
"""


async def test_taps_tell_the_median_and_the_spread_without_outliers(page: Page) -> None:
    """Against Python's statistics; three taps that find the beat do not count."""
    chance = random.Random(3)
    offs = [chance.gauss(87, 14) for _ in range(13)]
    taps = [5000 + 800 * i + off for i, off in enumerate([300, -200, 150, *offs])]
    taps[9] += 210  # asleep
    offs.pop(6)
    found = await page.evaluate(f"({TAPS})({json.dumps(taps)}, 5000, 800)")
    assert found["offset"] == pytest.approx(statistics.median(offs))
    assert found["spread"] == pytest.approx(statistics.stdev(offs))
    assert (found["used"], found["dropped"]) == (12, 1)


async def test_too_few_taps_tell_nothing_and_early_ones_are_below_zero(page: Page) -> None:
    assert (
        await page.evaluate(f"({TAPS})({[5000 + 800 * i for i in range(10)]}, 5000, 800)") is None
    )
    found = await page.evaluate(f"({TAPS})({[4970 + 800 * i for i in range(12)]}, 5000, 800)")
    assert found == {"offset": -30, "spread": 0, "used": 9, "dropped": 0}
