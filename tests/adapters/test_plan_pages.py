"""The plan that is followed, on the desk and on the overlay, in a real browser."""

from __future__ import annotations

import json
import logging
from collections.abc import AsyncIterator
from dataclasses import replace
from typing import Any

import pytest
import pytest_asyncio

from adapters.outputs.web.server import OverlayServer
from adapters.outputs.web.snapshot import frame_snapshot
from bridge.practice.followed_plan import FollowedPlan
from schemas.output_settings import OverlayOutput
from tests.adapters.accessibility import serious_violations
from tests.adapters.browser import Page
from tests.adapters.canned_desk import CannedDesk, DeskServer, full_desk, snapshot
from tests.adapters.desk_hands import cells, show, text, texts
from tests.adapters.made_frames import listening, three
from tests.adapters.made_plans import DONE, GAP, NEXT, OFF, STEPS

pytestmark = [
    pytest.mark.needs("chromium", "chromium"),
    pytest.mark.asyncio(loop_scope="module"),
]
HOSTILE = "<img src=x onerror=window.hacked=1>"
STRIP = (
    "[...document.querySelectorAll('.plan-strip')].map((strip) => "
    "[...strip.children].map((block) => [block.textContent, block.dataset.differs]))"
)


@pytest_asyncio.fixture(loop_scope="module")
async def desk(server: DeskServer) -> AsyncIterator[CannedDesk]:
    async with server.showing(full_desk()) as shown:
        yield shown


def following(plan: FollowedPlan | None, number: int = 812) -> dict[str, Any]:
    """What a page is sent of a frame in which a plan is followed."""
    told = frame_snapshot(replace(three(number), plan=plan), frozenset(["desk"]))
    keys = ("plan", "plan_words", "plan_drawn") if plan else ()
    told = json.loads(json.dumps({key: told[key] for key in keys}))
    return {**snapshot(number), **told}


async def test_without_a_plan_there_is_no_panel(page: Page, desk: CannedDesk) -> None:
    await show(page, desk)
    assert await page.evaluate("document.getElementById('plan').hidden")


async def test_the_next_step_stands_with_the_heap_before_and_after_it(
    page: Page, desk: CannedDesk
) -> None:
    desk.tell(following(NEXT))
    await show(page, desk)
    await page.wait_for(
        text("#plan .plan-head .sentence"), "step 2 of 3: gallery_door (95 frames, 1 to the frame)"
    )
    assert await page.evaluate(text("#plan .hint")) == "through the door at the stairs"
    assert await page.evaluate(f"{cells('#plan .steps li')}.map((all) => all.slice(1))") == [
        ["light_mist", "30 frames"],
        ["gallery_door", "95 frames, 1 to the frame"],
        ["call_gull", "40 frames"],
    ]
    states = "[...document.querySelectorAll('#plan .steps li')].map((e) => e.dataset.state)"
    assert await page.evaluate(states) == ["done", "now", "next"]
    assert await page.evaluate(texts("#plan .plan-strips .aside")) == [
        "now",
        "after gallery_door",
        "",
    ]
    assert await page.evaluate(STRIP) == [
        [["crate", "no"], ["lantern", "yes"], ["free", "no"]],
        [["crate", "no"], ["crate", "yes"], ["free", "no"]],
    ]


async def test_a_slip_is_told_with_a_new_plan_and_nothing_serious_is_found(
    page: Page, desk: CannedDesk
) -> None:
    desk.tell(following(OFF))
    await show(page, desk)
    await page.wait_for(
        text("#plan .fault"),
        "a gull stands where a crate was to be, at 0x802001F0: "
        "was call_gull done before gallery_door?",
    )
    assert await page.evaluate("document.getElementById('plan').dataset.mark") == "miss"
    assert await page.evaluate(texts("#plan .plan-new li")) == [
        "gallery_door, 95 frames, 1 to the frame",
        "call_gull, 40 frames",
    ]
    assert await serious_violations(page) == []
    desk.tell(following(GAP, 813))
    await page.wait_for(
        text("#plan > .aside"),
        "not seen by itself: light_mist, gallery_door, 40 frames were missed",
    )
    assert await page.evaluate("document.querySelector('#plan .fault').hidden")
    desk.tell(following(DONE, 814))
    await page.wait_for(text("#plan .plan-head .sentence"), "all 3 steps done")
    assert await page.evaluate("document.getElementById('plan').dataset.mark") == "hit"


async def test_other_peoples_words_stay_words(page: Page, desk: CannedDesk) -> None:
    rude = replace(
        OFF,
        name=HOSTILE,
        difference=HOSTILE,
        steps=tuple(replace(step, action=HOSTILE, doc=HOSTILE) for step in STEPS),
        now=((0x8020_0010, 0x10, True, HOSTILE),),
    )
    desk.tell(following(rude))
    await show(page, desk)
    await page.wait_for("document.querySelector('#plan .fault').textContent.includes('<img')", True)
    assert await page.evaluate("window.hacked === undefined")
    assert await page.evaluate("document.querySelectorAll('#plan img').length") == 0


async def test_the_overlay_has_it_as_a_piece(page: Page) -> None:
    settings = OverlayOutput(listen="127.0.0.1:0")
    async with listening(OverlayServer(settings, logging.getLogger("test"))) as server:
        server.publish(replace(three(812), plan=OFF))
        await page.open(f"{server.url}overlay?theme=plate")
        await page.wait_for(text("#plan .where"), "off the plan at step 2 of 3, gallery_door")
        assert await page.evaluate(text("#plan .new")) == (
            "new plan: gallery_door, call_gull (135 frames)"
        )
        assert await page.evaluate("document.getElementById('plan').dataset.stand") == "off"
        assert await serious_violations(page) == []
        server.publish(replace(three(813), plan=DONE))
        await page.wait_for(text("#plan .where"), "all 3 steps done")
        assert await page.evaluate("document.querySelector('#plan .slip').hidden")
        await page.open(f"{server.url}overlay?show=values")
        await page.wait_for("document.body?.dataset.link", "live")
        assert await page.evaluate("document.getElementById('plan') === null")
