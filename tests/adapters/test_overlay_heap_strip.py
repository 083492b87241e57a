"""The overlay's strip of the heap with many blocks: what is held is wide enough for its flag, and a
free end does not take the room of all else."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator
from typing import Any

import pytest
import pytest_asyncio

from tests.adapters.browser import Page
from tests.adapters.canned_desk import CannedDesk, DeskServer, full_desk, heap

pytestmark = [
    pytest.mark.needs("chromium", "chromium"),
    pytest.mark.asyncio(loop_scope="module"),
]

PLACES = """
(async (heap, room, high) => {
  const { HeapStrip } = await import("/pages/overlay/heap_strip.js");
  const strip = new HeapStrip(document.createElement("div"));
  strip.heap = heap;
  return [...strip.places(room, high, (text) => 7 * text.length).values()];
})
"""
ROOM, HIGH = 330, 14


@pytest_asyncio.fixture(loop_scope="module")
async def desk(server: DeskServer) -> AsyncIterator[CannedDesk]:
    async with server.showing(full_desk()) as shown:
        yield shown


async def placed(page: Page, desk: CannedDesk, tail: int, held: list[int]) -> list[dict[str, Any]]:
    blocks = [(0x60 + i % 5 * 0x40, i % 6 > 0, "crate") for i in range(125)]
    made = heap([*blocks, (tail, False, "free")])
    made["held"] = [{"index": index} for index in held]
    await page.open(desk.url.replace("/desk", "/bare"))
    found = await page.evaluate(f"({PLACES})({json.dumps(made)}, {ROOM}, {HIGH})")
    return sorted(found, key=lambda place: int(place["index"]))


@pytest.mark.parametrize("held", [[40], [40, 41], [0, 60, 124]])
async def test_flags_stand_apart_over_126_blocks(
    page: Page, desk: CannedDesk, held: list[int]
) -> None:
    found = await placed(page, desk, 0x40000, held)
    assert [place["index"] for place in found] == list(range(126))
    ends = [place["left"] + place["width"] for place in found]
    assert all(a <= b["left"] + 0.01 for a, b in zip(ends, found[1:], strict=False))
    assert ends[-1] == pytest.approx(ROOM, abs=0.1)
    flag = 2 * 0.9 * 0.43 * HIGH  # a flag is as wide as what is above the bars allows
    for index in held:
        assert found[index]["width"] >= flag
        assert found[index]["width"] > 3 * found[20]["width"]


async def test_a_free_end_is_short_and_only_where_it_is_long(page: Page, desk: CannedDesk) -> None:
    found = await placed(page, desk, 0x40000, [40])
    assert found[-1]["isShort"] is True
    assert found[-1]["width"] <= ROOM / 3
    found = await placed(page, desk, 0x100, [40])
    assert found[-1]["isShort"] is False
    assert found[-1]["width"] < 10
