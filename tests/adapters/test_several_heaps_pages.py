"""Several heaps on the pages: what a snapshot has of each, and the desk's choice of one."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path

import aiohttp
import pytest
import pytest_asyncio

from adapters.outputs.web.snapshot import heap_snapshot
from bridge.prepared import prepare
from tests.adapters.accessibility import serious_violations
from tests.adapters.browser import Page
from tests.adapters.canned_desk import CannedDesk, DeskServer, full_desk, happened, heap, snapshot
from tests.adapters.desk_daemon import serving
from tests.adapters.desk_hands import cells, show, text
from tests.bridge.test_several_heaps import SLOTS, Nested
from tests.commands.test_several_heaps import written

SCREEN = 1300, 900

MOTES = {**heap([(0x40, True, "lantern"), (0x40, False, "free")]), "name": "motes"}
PICK = "document.querySelector('#heap select')"


async def test_a_snapshot_has_the_others_beside_the_first(tmp_path: Path) -> None:
    from adapters.functions import installed_functions
    from adapters.sessions.bridge_file import load_bridge
    from adapters.sessions.one_frame import take_heap

    path = written(tmp_path, Nested())
    bridge = path.read_text("utf-8") + (
        "[[watches]]\nname = 'in_motes'\nexpr = 'block(held, \"motes\").index'\n"
    )
    path.write_text(bridge, "utf-8")
    loaded = load_bridge(path)
    frame, _ = await take_heap(
        loaded, prepare(loaded, installed_functions()), 5, tell=lambda words: None
    )
    seen = heap_snapshot(frame)
    assert seen is not None
    assert "name" not in seen
    assert list(seen["owners"]) == ["crate", "buoy", "gull"]
    (motes,) = seen["others"]
    assert (motes["name"], motes["count"], motes["free_bytes"]) == ("motes", 4, 0x80)
    assert motes["blocks"][0] == [SLOTS, 0x40, True, 0]
    # which heap `block(held).index` is of is not told by its number
    assert seen["held"] == []
    assert [(h["watch"], h["index"], h["start"]) for h in motes["held"]] == [("in_motes", 0, SLOTS)]


@pytest.mark.parametrize("named", [False, True], ids=["one without a name", "all named"])
async def test_a_page_gets_all_heaps_though_no_watch_reads_one(tmp_path: Path, named: bool) -> None:
    path = written(tmp_path, Nested())
    text = path.read_text("utf-8").replace("block(held).index", "1")
    path.write_text(text + '[outputs.overlay]\nlisten = "127.0.0.1:0"\n', "utf-8")
    if named:
        schema = tmp_path / "made.schema.toml"
        told = schema.read_text("utf-8").replace("[heap]\n", "[heaps.things]\n")
        schema.write_text(told, "utf-8")
    async with (
        serving(path) as desk,
        aiohttp.ClientSession() as http,
        http.ws_connect(desk.url + "live?parts=heap") as live,
        asyncio.timeout(20),
    ):
        while True:
            snapshot = await live.receive_json()
            await live.send_str("ack")
            if snapshot.get("heap"):
                break
    heap = snapshot["heap"]
    assert (heap.get("name"), heap["count"]) == ("things" if named else None, 3)
    assert [(other["name"], other["count"]) for other in heap["others"]] == [("motes", 4)]


browser = pytest.mark.needs("chromium", "chromium")


@pytest_asyncio.fixture(loop_scope="module")
async def desk(server: DeskServer) -> AsyncIterator[CannedDesk]:
    async with server.showing(full_desk()) as shown:
        yield shown


@browser
@pytest.mark.asyncio(loop_scope="module")
async def test_one_heap_has_nothing_to_choose(page: Page, desk: CannedDesk) -> None:
    await show(page, desk)
    assert await page.evaluate(f"{PICK}.closest('p').hidden") is True


@browser
@pytest.mark.asyncio(loop_scope="module")
async def test_the_desk_shows_the_heap_that_is_picked(page: Page, desk: CannedDesk) -> None:
    await show(page, desk)
    first = heap([(0x1F0, True, "crate")])
    desk.tell({**snapshot(813), "heap": {**first, "others": [MOTES]}})
    await page.wait_for(text("#heap .sentence"), "1 block, 0 % free")
    assert await page.evaluate(f"[...{PICK}.options].map((o) => o.textContent)") == [
        "without a name",
        "motes",
    ]
    await page.evaluate(f"{PICK}.value = 'motes'; {PICK}.dispatchEvent(new Event('change'))")
    await page.wait_for(text("#heap .sentence"), "2 blocks, 50 % free")
    label = "document.querySelector('#heap canvas').getAttribute('aria-label')"
    assert await page.evaluate(label) == "map of the heap motes: 2 blocks, 50 % free"
    # it stays while frames come, and while the other heap changes
    more = {**MOTES, **heap([(0x40, True, "lantern")] * 3), "name": "motes"}
    desk.tell({**snapshot(814), "heap": {**first, "others": [more]}})
    await page.wait_for(text("#heap .sentence"), "3 blocks, 0 % free")
    assert await serious_violations(page) == []


@browser
@pytest.mark.asyncio(loop_scope="module")
async def test_events_name_the_heap(page: Page, desk: CannedDesk) -> None:
    await show(page, desk)
    row: list[int | str] = [1, 700, "moved", "lantern moved from 0x80200040", 2, 0x80200000, 64]
    desk.tell({**snapshot(815), "heap_events": happened(0, [[*row, "motes"]], changes=30)})
    await page.wait_for(
        cells("#events tbody tr") + "[0]",
        ["700", "→lantern moved from 0x80200040", "motes 2", "0x80200000", "0x40"],
    )
