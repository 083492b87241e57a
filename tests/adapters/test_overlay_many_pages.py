"""Many real pages follow one server; one of them is stalled, and none of the others is late."""

from __future__ import annotations

import asyncio
import bisect
import itertools
import json
import logging
import time

import pytest

from adapters.outputs.web.server import OverlayServer
from schemas.output_settings import OverlayOutput
from tests.adapters.made_frames import OIL, frame, good, listening
from tests.adapters.many_pages import ManyPages, many_pages

pytestmark = pytest.mark.needs("chromium", "chromium")

RATE = 30
"""Frames a second: at 60, fifty pages alone keep two processors busy, and what is measured is how a
browser takes turns."""
STALLED_FOR = 2.0
AFTERWARDS = 1.5
"""Seconds in which the stalled page is back."""
USUALLY, AT_WORST = 4, 45
"""Frames by which a page may be behind the newest at the moment in which it shows a value: in the
middle of all its values, and for the latest of them."""
OBSERVE = """
window.shown = [];
const value = document.querySelector("[data-watch=oil] .value");
new MutationObserver(() => {
  window.shown.push([value.textContent, performance.timeOrigin + performance.now()]);
}).observe(value, {subtree: true, childList: true, characterData: true});
0
"""


class Guest:
    """Publishes a frame whose oil is its number, RATE times a second, and notes when."""

    def __init__(self, server: OverlayServer) -> None:
        self._server = server
        self.at: list[float] = []
        self.first = 1000

    async def run(self) -> None:
        begun = time.monotonic()
        while True:
            number = self.first + len(self.at)
            self.at.append(time.time())
            self._server.publish(frame(number, [good(OIL, number)]))
            due = begun + len(self.at) / RATE
            await asyncio.sleep(max(0.0, due - time.monotonic()))

    def check_rate(self, begin: float, end: float) -> None:
        """The server's loop was not held up by any client."""
        within = [moment for moment in self.at if begin <= moment <= end]
        assert len(within) > 0.9 * RATE * (end - begin)

    def behind(self, number: int, moment: float) -> int:
        """How many frames newer than *number* there were at *moment*, in seconds."""
        return self.first + bisect.bisect_right(self.at, moment) - 1 - number


async def shown(pages: ManyPages, session: str) -> list[tuple[int, float]]:
    """The values that a page showed, each with its time in seconds."""
    told = json.loads(await pages.evaluate(session, "JSON.stringify(window.shown)"))
    return [(int(text), moment / 1000) for text, moment in told]


async def observed(pages: ManyPages, session: str) -> None:
    for _ in range(400):
        if await pages.evaluate(session, "!!document.querySelector('[data-watch=oil] .value')"):
            break
        await asyncio.sleep(0.05)
    await pages.evaluate(session, OBSERVE)


@pytest.mark.parametrize("count", [8, pytest.param(50, marks=pytest.mark.full)])
async def test_a_stalled_page_makes_no_other_late(browser: str, count: int) -> None:
    server = OverlayServer(OverlayOutput(listen="127.0.0.1:0"), logging.getLogger("test"))
    async with listening(server), many_pages(browser) as pages:
        guest = Guest(server)
        server.publish(frame(999, [good(OIL, 999)]))
        begun = time.monotonic()
        together, alone = await pages.context(), await pages.context()
        url = server.url + "overlay"
        sessions = await asyncio.gather(*(pages.open(url, together) for _ in range(count - 1)))
        stalled = await pages.open(url, alone)
        await asyncio.gather(*(observed(pages, session) for session in (*sessions, stalled)))
        assert server.clients == count
        print(f"opened after {time.monotonic() - begun:.1f} s")
        running = asyncio.create_task(guest.run())
        try:
            await asyncio.sleep(1)  # what a page does first it does once
            begin = time.time()
            await pages.call("Debugger.enable", stalled)
            await pages.call("Debugger.pause", stalled)
            await asyncio.sleep(STALLED_FOR)
            end_of_stall = time.time()
            await pages.call("Debugger.resume", stalled)
            await asyncio.sleep(AFTERWARDS)
            end = time.time()
        finally:
            running.cancel()
            await asyncio.wait([running])
        found = [await shown(pages, session) for session in sessions]
        late = await shown(pages, stalled)
    guest.check_rate(begin, end)
    worst = 0
    for one in found:
        behind = sorted(guest.behind(*seen) for seen in one if begin <= seen[1] <= end)
        moments = [begin, *(moment for _, moment in one if begin <= moment <= end), end]
        pauses = [b - a for a, b in itertools.pairwise(moments)]
        assert max(pauses) <= AT_WORST / RATE  # it went on showing
        assert behind[0] >= 0
        assert behind[len(behind) // 2] <= USUALLY
        worst = max(worst, behind[-1])
    gap, woke, number = max((b - a, b, number) for (_, a), (number, b) in itertools.pairwise(late))
    print(f"worst of {count - 1}: {worst} frames; the stalled one: {gap:.2f} s without a value")
    assert worst <= AT_WORST
    assert gap > 0.9 * STALLED_FOR  # it was stalled
    assert woke >= end_of_stall - 0.1
    assert guest.behind(number, woke) > AT_WORST  # what was under way to it is old
    soon = [guest.behind(*seen) for seen in late if seen[1] > woke + 1]
    assert soon
    assert max(soon) <= AT_WORST  # and what comes then is new
