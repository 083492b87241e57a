"""The page for a phone beside the console, in a real browser."""

from __future__ import annotations

import gzip
import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import aiohttp
import pytest

from adapters.outputs.web.desk import Desk
from adapters.outputs.web.server import OverlayServer
from adapters.sources.typed import TypedMemory
from bridge.asking.reached import Standing
from bridge.ports.controls import Controls
from bridge.prepared import PreparedBuild, memory_map, prepare
from bridge.questions.question import Questions
from schemas.loader import Bridge, load_bridge
from schemas.output_settings import OverlayOutput
from schemas.source_settings import TypedSource
from tests.adapters.accessibility import serious_violations
from tests.adapters.browser import Page
from tests.adapters.made_frames import frame, listening
from tests.virtual_clock import VirtualClock

SAMPLES = Path(__file__).parents[2] / "sample_dumps"
IN_BROWSER = [
    pytest.mark.needs("chromium", "chromium"),
    pytest.mark.asyncio(loop_scope="module"),
]
PLACE = "[...document.querySelectorAll('#place .group')].map(e => e.textContent).join(' ')"
STATE = "document.body.dataset.state"
SAID = "document.getElementById('said').textContent"
WORDS = "document.getElementById('words').textContent"
TYPED = "document.getElementById('typed').getAttribute('aria-label')"
"""Scripts that say what the page shows."""


@dataclass
class Served:
    url: str
    source: TypedMemory
    server: OverlayServer

    def answer_all(self) -> None:
        """Answer what is asked from the sample dump."""
        memory = gzip.decompress((SAMPLES / "first-print-carry.bin.gz").read_bytes())
        asking = self.source.asking
        assert asking is not None
        while (question := asking.question) is not None:
            start = question.address - 0x8000_0000
            asking.answer(memory[start : start + question.size].hex(" "))


def sample() -> tuple[Bridge, dict[str, PreparedBuild]]:
    bridge = load_bridge(SAMPLES / "first-print-carry.bridge.toml")
    return bridge, {"first-print": prepare(bridge)["first-print"]}


@asynccontextmanager
async def serving(*, typed: bool = True) -> AsyncIterator[Served]:
    bridge, ready = sample()
    controls = Controls()
    source = TypedMemory(TypedSource(kind="typed"), ready, controls if typed else None)
    await source.open(memory_map(bridge.schema))
    desk = Desk(bridge.schema, ready, Questions(VirtualClock()), controls=controls)
    settings = OverlayOutput(listen="127.0.0.1:0")
    async with listening(OverlayServer(settings, logging.getLogger("test"), desk=desk)) as server:
        yield Served(server.url, source, server)


@asynccontextmanager
async def serving_to(page: Page) -> AsyncIterator[Served]:
    """The same for a page, which leaves before the server ends: it would ask in vain."""
    async with serving() as served:
        try:
            yield served
        finally:
            await page.open("about:blank")


async def press(page: Page, *keys: str) -> None:
    for key in keys:
        found = await page.evaluate(
            "(key => { const all = [...document.querySelectorAll('button')];"
            "const one = all.find(b => b.textContent === key && b.offsetParent !== null);"
            "one?.click(); return Boolean(one); })"
            f"({key!r})"
        )
        assert found, key


class TestInTheBrowser:
    pytestmark = IN_BROWSER

    async def test_a_question_is_answered_by_the_keys(self, page: Page) -> None:
        async with serving_to(page) as served:
            await page.open(served.url + "by-hand")
            await page.wait_for(PLACE, "8018 0B20")
            assert await page.evaluate(WORDS) == "script_frame: u32"
            await press(page, *"0000009", "Take it")  # a digit is lacking: nothing is taken
            assert await page.evaluate(TYPED) == "typed so far: 0 0 0 0 0 0 9"
            await press(page, "6", "Take it")
            await page.wait_for(SAID, "taken as 0x00000096 = 150")
            await page.wait_for(PLACE, "8018 0E90")
            assert await page.evaluate(TYPED) == "nothing typed yet"
            await press(page, "Undo")
            await page.wait_for(PLACE, "8018 0B20")

    async def test_what_is_odd_is_questioned_and_may_be_corrected_or_confirmed(
        self, page: Page
    ) -> None:
        async with serving_to(page) as served:
            assert served.source.asking is not None
            served.source.asking.answer("+150")
            await page.open(served.url + "by-hand")
            await page.wait_for(PLACE, "8018 0E90")
            await press(page, *"12345678", "Take it")
            await page.wait_for(STATE, "doubt")
            assert await page.evaluate("document.getElementById('doubt-words').textContent") == (
                "0x12345678 is odd: current_room: 0x12345678 is outside ram (0x80000000 to "
                "0x803FFFFF)"
            )
            assert await serious_violations(page) == []
            await press(page, "Correct it")
            await page.wait_for(STATE, "asking")
            # the next digit begins anew
            await press(page, *"80180D20", "Take it")
            await page.wait_for(PLACE, "8018 0D20")
            await press(page, "Undo")
            await page.wait_for(PLACE, "8018 0E90")
            await press(page, *"12345678", "Take it")
            await page.wait_for(STATE, "doubt")
            await press(page, "It stands there")
            await page.wait_for(STATE, "asking")
            told = served.source.asking.log[-1]
            assert (told.data.hex(), told.confirmed) == ("12345678", True)

    async def test_the_way_to_a_field_is_shown_as_a_sum(self, page: Page) -> None:
        async with serving_to(page) as served:
            assert served.source.asking is not None
            asking = served.source.asking
            while asking.question is not None and asking.question.total is None:
                start = asking.question.address
                asking.answer("802003D0" if start == 0x8018_0C9C else "00" * asking.question.size)
                asking.confirm()
            await page.open(served.url + "by-hand")
            await page.wait_for(PLACE, "8020 03FC")
            lines = "[...document.querySelectorAll('#sum-digits .line')].map(e => e.textContent)"
            # source: 802003D0 + 2C on paper
            assert await page.evaluate(lines) == [
                "  8 0 2 0 0 3 D 0  courier.held holds",
                "+ 0 0 0 0 0 0 2 C  .position.x",
                "= 8 0 2 0 0 3 F C",
            ]

    async def test_what_was_asked_for_before_an_answer_and_came_late_is_not_shown(
        self, page: Page
    ) -> None:
        async with serving_to(page) as served:
            await page.open(served.url + "by-hand")
            await page.wait_for(PLACE, "8018 0B20")
            await page.evaluate(
                "window.held = []; window.real = window.fetch;"
                "window.fetch = (url, how) => url.startsWith('/by-hand.json')"
                "  ? real(url, how).then(a => new Promise(r => held.push(() => r(a))))"
                "  : real(url, how); 0"
            )
            await page.wait_for("held.length > 0")
            await press(page, *"00000096", "Take it")
            await page.wait_for(PLACE, "8018 0E90")
            await press(page, "8")
            await page.evaluate("held.splice(0).forEach(go => go())")
            await page.pass_time(0.3)
            assert await page.evaluate(PLACE) == "8018 0E90"
            assert await page.evaluate(TYPED) == "typed so far: 8"
            await page.evaluate("window.fetch = real; 0")

    async def test_a_name_is_chosen(self, page: Page) -> None:
        async with serving_to(page) as served:
            assert served.source.asking is not None
            asking = served.source.asking
            while asking.question is not None and "name" not in asking.question.answers:
                start = asking.question.address
                asking.answer("802003D0" if start == 0x8018_0C9C else "00" * asking.question.size)
                asking.confirm()
            await page.open(served.url + "by-hand")
            await page.wait_for(WORDS, "courier.held.kind: ActorKind")
            assert await serious_violations(page) == []
            await press(page, "mist_puff")
            await page.wait_for(SAID, "taken as 0x0006 = mist_puff")
            assert await page.evaluate("document.querySelectorAll('#chosen button').length") == 0

    async def test_a_number_typed_in_the_field_is_decimal(self, page: Page) -> None:
        async with serving_to(page) as served:
            assert served.source.asking is not None
            await page.open(served.url + "by-hand")
            await page.wait_for(PLACE, "8018 0B20")
            await page.evaluate(
                "document.getElementById('other').value = '00000012';"
                "document.getElementById('otherwise').requestSubmit()"
            )
            await page.wait_for(SAID, "taken as 0x0000000C = 12")

    async def test_other_pages_lead_to_it_where_a_person_types(self, page: Page) -> None:
        async with serving_to(page) as served:
            hidden = "document.querySelector('dt.typed').hidden"
            await page.open(served.url)
            served.server.publish(replace(frame(1, []), source="fake pier"))
            await page.wait_for("document.querySelector('#notice').textContent", "")
            assert await page.evaluate(hidden)
            served.server.publish(replace(frame(2, []), source="typed"))
            await page.wait_for(hidden, False)
            await page.open(served.url + "desk")
            await page.wait_for("document.getElementById('to-questions').hidden", False)

    async def test_what_another_phone_answers_is_seen(self, page: Page) -> None:
        async with serving_to(page) as served:
            await page.open(served.url + "by-hand")
            await page.wait_for(PLACE, "8018 0B20")
            served.answer_all()
            await page.wait_for(STATE, "done")
            assert await page.evaluate(WORDS) == "Nothing more is asked."
            row = "document.querySelector('#reached li:nth-child(8)').textContent"
            assert await page.evaluate(row) == "held_x_low0x85D8Again8020 03FE"
            await press(page, "Frames went by")
            await page.wait_for(PLACE, "8018 0B20")
            await page.wait_for(SAID, "11 answers are asked again, 8 kept")

    @pytest.mark.parametrize(
        ("width", "height", "theme"),
        [
            (390, 844, "light"),
            pytest.param(844, 390, "dark", marks=pytest.mark.full),
            pytest.param(390, 844, "dark", marks=pytest.mark.full),
            pytest.param(844, 390, "light", marks=pytest.mark.full),
        ],
    )
    async def test_all_keys_are_in_sight_and_a_checker_finds_nothing(
        self, page: Page, width: int, height: int, theme: str
    ) -> None:
        await page.resize(width, height)
        await page.emulate(**{"prefers-color-scheme": theme})
        try:
            async with serving_to(page) as served:
                await page.open(served.url + "by-hand")
                await page.wait_for(PLACE, "8018 0B20")
                assert await serious_violations(page) == []
                boxes = await page.evaluate(
                    "[...document.querySelectorAll('#pad button, #place .group')].map(e => {"
                    "const b = e.getBoundingClientRect();"
                    "return [b.left, b.top, b.right, b.bottom]; })"
                )
                assert len(boxes) == 21
                for left, top, right, bottom in boxes:
                    assert 0 <= left < right <= width
                    assert 0 <= top < bottom <= height
                keys = boxes[2:]
                # WCAG 2.2, 2.5.8 asks for 24 pixels; a thumb has more
                assert all(bottom - top >= 40 for _, top, _, bottom in keys)
                letters = await page.evaluate(
                    "parseFloat(getComputedStyle(document.getElementById('place')).fontSize)"
                )
                assert letters >= 35
                served.answer_all()
                await page.wait_for(STATE, "done")
                assert await serious_violations(page) == []
        finally:
            await page.emulate(**{"prefers-color-scheme": "light"})
            await page.resize(800, 600)


@pytest.mark.loopback
async def test_what_is_said_is_guarded_and_belongs_to_what_was_seen() -> None:
    async with serving() as served, aiohttp.ClientSession() as http:
        say = f"{served.url}by-hand/answer"
        seen = {"text": "+150", "revision": "1"}
        foreign = {"Origin": "http://elsewhere.example"}
        async with http.post(say, params=seen, headers=foreign) as answer:
            assert answer.status == 403
        async with http.get(say, params=seen) as answer:
            assert answer.status == 405
        async with http.post(say, params={**seen, "revision": "0"}) as answer:
            assert answer.status == 409
            assert (await answer.json())["question"]["number"] == 1
        async with http.post(say, params={**seen, "text": "1" * 401}) as answer:
            assert answer.status == 400
        async with http.post(f"{served.url}by-hand/poke", params=seen) as answer:
            assert answer.status == 404
        async with http.post(say, params=seen) as answer:
            assert answer.status == 200
            told = await answer.json()
        assert (told["outcome"], told["question"]["number"]) == ("taken", 2)
        assert told["reached"][0]["standing"] == Standing.VALUE
        await served.source.close()
        async with http.get(f"{served.url}by-hand.json") as answer:
            assert answer.status == 503
        async with http.post(say, params=seen) as answer:
            assert answer.status == 503


@pytest.mark.loopback
async def test_nobody_is_asked_where_the_source_is_another() -> None:
    async with serving(typed=False) as served, aiohttp.ClientSession() as http:
        for path in ("by-hand", "by-hand.json"):
            async with http.get(served.url + path) as answer:
                assert answer.status == 404
