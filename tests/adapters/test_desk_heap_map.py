"""The heap's map: where blocks, numbers and pennants stand, measured in a real browser.

What is measured is what is drawn: the map's own places, with the letters' widths as the browser has
them, and pictures of it.
"""

from __future__ import annotations

import io
import itertools
import json
import random
from collections.abc import AsyncIterator
from typing import Any

import pytest
import pytest_asyncio
from PIL import Image

from tests.adapters.browser import Page
from tests.adapters.canned_desk import CannedDesk, DeskServer, full_desk, heap, reading, snapshot
from tests.adapters.desk_hands import show, text, texts

pytestmark = [
    pytest.mark.needs("chromium", "chromium"),
    pytest.mark.asyncio(loop_scope="module"),
]
SCREEN = 960, 1080

KINDS = (
    "courier", "lantern", "crate", "rope", "gull", "mist_puff", "harbour_bell", "room", "buoy",
    "keg", "oar", "sail", "coil_of_rope",
)  # fmt: skip
TAIL = 0x40000


@pytest_asyncio.fixture(loop_scope="module")
async def desk(server: DeskServer) -> AsyncIterator[CannedDesk]:
    async with server.showing(full_desk()) as shown:
        yield shown


def long_heap(count: int = 126, seed: int = 4, tail: int = TAIL) -> dict[str, Any]:
    """A heap of that many blocks of many kinds, the last a free end."""
    chance = random.Random(seed)
    blocks = []
    for _ in range(count - 1):
        free = chance.random() < 0.15
        size = chance.choice([0x40, 0x60, 0x90, 0x140, 0x1A0, 0x1F0, 0x230, 0x400])
        blocks.append((size, not free, "free" if free else chance.choice(KINDS)))
    return heap([*blocks, (tail, False, "free")])


def pointed(made: dict[str, Any], places: list[tuple[int, int]]) -> dict[str, Any]:
    """A frame with that heap, in which a watch points to each (block, bytes into it)."""
    frame = snapshot()
    frame["heap"] = made
    frame["readings"] = [
        reading(
            f"p{i}", label=f"Pointer {i}", value=made["blocks"][block][0] + within, pointer=True
        )
        for i, (block, within) in enumerate(places)
    ]
    return frame


MAP = """
(async (heap, places, wide) => {
  const { mapRows } = await import("/pages/desk/map_rows.js");
  const { HeapMap } = await import("/pages/desk/map.js");
  const { orderOf } = await import("/pages/shared/heap_widths.js");
  const map = new HeapMap(document.createElement("canvas"));
  const pen = map.canvas.getContext("2d");
  pen.font = "12px system-ui, sans-serif";
  const measure = (text) => pen.measureText(text).width;
  const pins = places.map(([index, within], i) => ({ watch: `p${i}`, label: "", index, within }));
  map.heap = heap;
  map.map = mapRows({ heap, order: orderOf(heap.blocks), pins, wide, kinds: map.kinds, measure });
  for (const row of map.map.rows) for (const cell of row.cells) {
    if (cell.index < 0) continue;
    const { index, width, size, cut } = cell;
    const room = width - (cut ? 23 : 7);
    const { code } = map.kinds.of(heap.owners[heap.blocks[index][3]]);
    cell.room = room;
    cell.code = code;
    cell.texts = map.written({ index, size, code, high: row.high, room }, measure)
      .map((text) => [text, measure(text)]);
    cell.found = map.at(cell.left + width / 2, row.bar + 3);
  }
  return map.map;
})
"""


async def mapped(
    page: Page, desk: CannedDesk, made: dict[str, Any], places: list[tuple[int, int]], wide: int
) -> Any:
    await page.open(desk.url.replace("/desk", "/bare"))
    return await page.evaluate(f"({MAP})({json.dumps(made)}, {json.dumps(places)}, {wide})")


def held_to(found: Any, count: int, places: list[tuple[int, int]], wide: int) -> None:
    """What has to be true of every map, whatever is in it."""
    cells = [cell for row in found["rows"] for cell in row["cells"] if cell["index"] >= 0]
    assert sorted(cell["index"] for cell in cells) == list(range(count))
    for row in found["rows"]:
        end = 0.0
        for cell in row["cells"]:
            assert cell["left"] >= end - 0.01
            end = cell["left"] + cell["width"]
        assert end <= wide + 0.5
    for cell in cells:
        assert cell["found"] == cell["index"]
        assert all(width <= cell["room"] for _, width in cell["texts"]), cell
    boxes = [
        (p["left"], p["top"], p["left"] + p["width"], p["top"] + 13) for p in found["pennants"]
    ]
    for left, top, right, _ in boxes:
        assert 0 <= left < right <= wide, "a pennant is clipped"
        assert top >= 0, "a pennant is clipped"
    for one, other in itertools.combinations(boxes, 2):
        apart = (
            one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or other[3] <= one[1]
        )  # fmt: skip
        assert apart, "pennants cover each other"
    bars = {cell["index"]: row["bar"] for row in found["rows"] for cell in row["cells"]}
    for pennant, (left, _, _, bottom) in zip(found["pennants"], boxes, strict=True):
        for box in boxes:
            crossed = box[0] < left < box[2] and bottom <= box[1] < bars[pennant["index"]]
            assert not crossed, "a pole runs through a pennant"
    assert sorted(n for p in found["pennants"] for n in (pin["number"] for pin in p["pins"])) == (
        list(range(1, len(places) + 1))
    )
    for row_of, numbers in itertools.groupby(found["numbers"], key=lambda number: number["top"]):
        last = -1.0
        for number in numbers:
            assert number["left"] > last, (row_of, number)
            last = number["left"] + number["width"]
        assert last <= wide + 0.5


PLACES = [(40, 0x10), (41, 0), (40, 0), (40, 8), (40, 12), (0, 0), (124, 0), (125, 16), (77, 4)]


@pytest.mark.parametrize(
    "wide", [376, 590, *(pytest.param(wide, marks=pytest.mark.full) for wide in (320, 417, 1180))]
)
async def test_126_blocks_have_their_codes_numbers_and_pennants(
    page: Page, desk: CannedDesk, wide: int
) -> None:
    found = await mapped(page, desk, long_heap(), PLACES, wide)
    held_to(found, 126, PLACES, wide)
    cells = {cell["index"]: cell for row in found["rows"] for cell in row["cells"]}
    # each used block has its name or its code
    assert all(cell["texts"] for cell in cells.values() if cell["code"])
    # every fifth block is numbered
    assert [int(each["text"]) for each in found["numbers"]] == list(range(0, 126, 5))
    # what is pointed to is enlarged with its neighbours, and says how long it is
    large = sorted(index for index, cell in cells.items() if cell["isLarge"])
    assert large == [0, 1, 39, 40, 41, 42, 76, 77, 78, 123, 124, 125]
    for index in large:
        size = cells[index]["size"]
        assert any(f"0x{size:X}" in words for words, _ in cells[index]["texts"]), cells[index]
    # the free end is short, with a break, and says how many bytes it has
    assert cells[125]["cut"] is True
    assert cells[125]["width"] < 150
    assert [words for words, _ in cells[125]["texts"]] == ["free", "0x40000 bytes"]
    grouped = [p["text"] for p in found["pennants"] if p["index"] == 40]
    assert grouped == ["1 3 4 +1"]


@pytest.mark.parametrize("wide", [376, 590])
async def test_six_blocks_fill_a_line_with_names_and_sizes(
    page: Page, desk: CannedDesk, wide: int
) -> None:
    made = heap(
        [(0x1F0, True, "crate"), (0x3F0, False, "free"), (0x1A0, True, "lantern"),
         (0x60, True, "rope"), (0x40, True, "courier"), (0x30000, False, "free")]
    )  # fmt: skip
    places = [(2, 0x20), (3, 0)]
    found = await mapped(page, desk, made, places, wide)
    held_to(found, 6, places, wide)
    assert len(found["rows"]) == 1
    written = [[words for words, _ in cell["texts"]] for cell in found["rows"][0]["cells"]]
    assert [each[0] for each in written][:4] == ["crate", "free", "lantern", "rope"]
    assert written[5] == ["free", "0x30000 bytes"]
    # of two blocks that are as long neither is cut
    made = heap([(0x1D0, True, "crate"), (0x1D0, True, "crate"), (0xFC30, False, "free")])
    found = await mapped(page, desk, made, [], wide)
    assert [cell["cut"] for cell in found["rows"][0]["cells"]] == [False, False, True]


@pytest.mark.parametrize(
    ("count", "places", "wide"),
    [
        (126, [(i, 0) for i in range(126)], 376),  # a pointer to each
        (126, [(i, 0) for i in range(125, 95, -1)], 376),
        (30, [(29, i) for i in range(20)], 376),
        (4096, [(i, 0) for i in range(0, 4096, 97)], 590),
        (1, [(0, 0)], 376),
        (2, [(1, 4)], 376),
    ],
)
async def test_pennants_cover_nothing_however_many_there_are(
    page: Page, desk: CannedDesk, count: int, places: list[tuple[int, int]], wide: int
) -> None:
    found = await mapped(page, desk, long_heap(count), places, wide)
    held_to(found, count, places, wide)


@pytest.mark.full
@pytest.mark.parametrize("seed", range(200))
async def test_any_heap_is_drawn_without_covering_anything(
    page: Page, desk: CannedDesk, seed: int
) -> None:
    chance = random.Random(seed)
    count = chance.choice([2, 3, 10, 60, 126, 300, 2000])
    made = long_heap(count, seed, chance.choice([0x10, 0x400, TAIL]))
    places = [(chance.randrange(count), 0) for _ in range(chance.choice([0, 1, 5, 40, 200]))]
    wide = chance.choice([200, 376, 590, 900])
    held_to(await mapped(page, desk, made, places, wide), count, places, wide)


WIDTHS = """
(async () => {
  const { widthsOf } = await import("/pages/shared/heap_widths.js");
  const blocks = [[80, 100, true, 0], [9048, 84, true, 0], [180, 8852, false, 1]];
  const found = widthsOf({ start: 0, end: 9132, blocks }, [0, 2, 1], 1000, () => 1, 80);
  const width = (index) => found.find((piece) => piece.index === index).width;
  return { order: found.map(({ index }) => index), cut: found.map(({ cut }) => cut),
    share: width(2) / 1000, others: width(0) / width(1),
    sum: found.reduce((sum, piece) => sum + piece.width, 0) };
})()
"""


async def test_a_block_that_would_take_most_of_the_map_is_drawn_with_a_break(
    page: Page, desk: CannedDesk
) -> None:
    await page.open(desk.url.replace("/desk", "/bare"))
    found = await page.evaluate(WIDTHS)
    assert found["order"] == [-1, 0, 2, 1]  # what is between blocks is none of them
    assert found["cut"] == [False, False, True, False]
    assert found["share"] == pytest.approx(0.4, abs=0.01)
    assert found["others"] == pytest.approx(100 / 84)  # all others in proportion
    assert found["sum"] == pytest.approx(1000, abs=0.01)


CODES = """
(async (names) => {
  const { Kinds } = await import("/pages/shared/kinds.js");
  const kinds = new Kinds();
  return names.map((name) => kinds.of(name));
})
"""


async def test_codes_are_short_and_each_is_of_one_kind(page: Page, desk: CannedDesk) -> None:
    await page.open(desk.url.replace("/desk", "/bare"))
    found = await page.evaluate(f"({CODES})({json.dumps([*KINDS, 'free', *KINDS])})")
    codes = [each["code"] for each in found]
    assert codes[: len(KINDS)] == [
        "Co", "La", "Cr", "Ro", "Gu", "Mp", "Hb", "Rm", "Bu", "Ke", "Oa", "Sa", "Cor",
    ]  # fmt: skip
    assert codes[len(KINDS)] == ""
    assert codes[len(KINDS) + 1 :] == codes[: len(KINDS)]  # they stay
    assert len({each["pattern"] for each in found[:9]}) == 9
    # names that are hardly different, and such as have no letters
    alike = [f"kind_{i}" for i in range(300)] + ["…", "?", "<img src=x>", "灯台", "灯り", "a"]
    codes = [each["code"] for each in await page.evaluate(f"({CODES})({json.dumps(alike)})")]
    assert len(set(codes)) == len(codes)
    assert all(1 <= len(code) <= 3 for code in codes), codes


async def test_the_legend_says_what_stands_for_each_kind_in_bytes(
    page: Page, desk: CannedDesk
) -> None:
    desk.snapshot = pointed(long_heap(), PLACES)
    await show(page, desk)
    await page.wait_for(text("#heap .sentence"), "126 blocks, 86 % free")
    legend = await page.evaluate(texts(".shares .words"))
    free = [size for _, size, used, _ in desk.snapshot["heap"]["blocks"] if not used]
    assert legend[0] == f"free: {len(free)} blocks, 0x{sum(free):X} bytes"
    assert len(legend) == 14
    assert not any("%" in line for line in legend)
    # each kind's picture is another, also for those who see no colours
    swatches = await page.evaluate(
        "[...document.querySelectorAll('.shares canvas')].map((canvas) => canvas.toDataURL())"
    )
    assert len(set(swatches)) == len(swatches)
    made = heap([(0x40000, True, "room"), (0x20, False, "free")])
    desk.tell({**snapshot(), "heap": made})
    await page.wait_for(text("#heap .sentence"), "2 blocks, 0x20 bytes free")


@pytest.mark.parametrize(
    ("scheme", "size"),
    [
        ("light", (400, 225)),
        pytest.param("light", (1920, 1080), marks=pytest.mark.full),
        pytest.param("dark", (960, 1080), marks=pytest.mark.full),
    ],
)
async def test_the_map_is_drawn_as_high_as_it_is(
    page: Page, desk: CannedDesk, scheme: str, size: tuple[int, int]
) -> None:
    """A picture of it: pennants above, numbers below, nothing over the edge."""
    await page.resize(*size)
    await page.emulate(prefers_color_scheme=scheme)
    desk.snapshot = pointed(long_heap(), PLACES)
    await show(page, desk)
    await page.wait_for(text("#heap .sentence"), "126 blocks, 86 % free")
    await page.evaluate("document.querySelector('.heap-map').scrollIntoView(); 0")
    box = await page.evaluate(
        "document.querySelector('.heap-map').getBoundingClientRect().toJSON()"
    )
    picture = Image.open(io.BytesIO(await page.picture())).convert("L")
    right = int(box["x"] + box["width"])
    shown = picture.crop((int(box["x"]), int(max(0, box["y"])), right, int(box["y"] + 60)))
    inks = shown.getcolors(1 << 16)
    assert inks is not None
    assert len(inks) > 20  # patterns, letters and fills
    assert await page.evaluate("document.documentElement.scrollWidth <= innerWidth")
