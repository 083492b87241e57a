"""The page to practise with against the daemon itself, which plays the demo's recording."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import aiohttp
import pytest

from tests.adapters.browser import Page
from tests.adapters.desk_daemon import serving, write_sample
from tests.adapters.desk_hands import LINK, press, text

pytestmark = [
    pytest.mark.needs("chromium", "chromium"),
    pytest.mark.asyncio(loop_scope="module"),
]
SCREEN = 1280, 720
TABLES = """
[[steps]]
name = "stay"
done = "frame_began == 0"
hint = "until the light is out"
show = "print"
window = { after = "frame_began % 64 == 5", frames = [90, 95] }

[[steps]]
name = "leave"
done = "frame_began == 0"

[attempts]
by_hand = true
"""
WATCHES = """
[[watches]]
name = "began"
expr = "frame_began"
target = { equals = 1 }

[[watches]]
name = "print"
label = "Where the courier is"
expr = "current_room.name"
"""


async def test_the_page_counts_and_follows_the_game(page: Page, tmp_path: Path) -> None:
    path = write_sample(tmp_path, "demo.mcap", watches=WATCHES, tables=TABLES, kind="recording")
    async with serving(path) as served, aiohttp.ClientSession() as http:
        for headers, status in (
            ({"Host": "elsewhere.example"}, 421),
            ({"Origin": "http://elsewhere.example"}, 403),
        ):
            async with http.get(served.url + "practice", headers=headers) as refused:
                assert refused.status == status
        await page.open(served.url + "practice")
        await page.wait_for(LINK, "live")
        await page.wait_for(text("#step"), "between attempts")
        await press(page, "a")
        await page.wait_for(text("#told"), "attempt 1 begins")
        await page.wait_for(text("#step"), "stay")
        assert await page.evaluate(text("#place")) == "attempt 1 · step 1 of 2"
        assert await page.evaluate(text("#hint")) == "until the light is out"
        assert await page.evaluate(text("#next")) == "next: leave"
        assert await page.evaluate(text("#watch .label")) == "Where the courier is"
        frame: Any = await served.get(http, "frame.json")
        assert frame["practice"]["window"]["frames"] == [90, 95]
        room = {each["watch"]: each["text"] for each in frame["readings"]}["print"]
        await page.wait_for(text("#watch .value"), room)
        # the moment comes every 64 frames, and the cue counts down with the frames behind it
        left = "Number(document.getElementById('cue-words').textContent.replace('in ', ''))"
        await page.wait_for(f"{left} < 90")
        before = await page.evaluate(left)
        await page.wait_for(f"{left} !== {before}")
        await page.evaluate("document.querySelector('.hand.count').click(); 0")
        await page.wait_for(text("#told"), "attempt 1 is a success")
        await page.wait_for(text("#verdict-words"), "success")
        assert await page.evaluate(text("#last-of")) == "last: attempt 1, by hand"
        last = (await served.get(http, "frame.json"))["practice"]["last"]
        await page.wait_for(text("#numbers dd"), str(last["frames"]))
        await press(page, "u")
        await page.wait_for(text("#told"), "attempt 1, success, does not count any more")
        await page.wait_for(text("#sitting"), "in frames; no attempt has ended yet")
