"""``layout("…")`` evaluated against whole images and against lines that come in batches."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from bridge.heap.shape import layout_of
from bridge.prepared import memory_map, prepare
from bridge.values.status import Status
from schemas.layout_file import BlockTable, LayoutFile, layout_text
from schemas.loader import load_bridge
from tests.bridge.test_heap_layout import Row, heap
from tests.outside.evaluating import Ready, both

SCHEMA = """
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [ { name = "ram", start = 0x8000_0000, size = "1 MiB" } ]
[enums.Kind]
base = "u16"
values = { gull = 1, crate = 2, mist_puff = 3 }
[structs.Thing.fields]
kind = { at = 0x0, type = "Kind" }
[structs.Header]
size = 0x10
[structs.Header.fields]
size = { at = 0x0, type = "u32" }
used = { at = 0x4, type = "u32" }
next = { at = 0x8, type = "Header*" }
[symbols]
head = "Header*"
[heap]
block = "Header"
first = "head"
next = "block.next"
size = "block.size"
used = "block.used != 0"
payload = "address(block) + 0x10"
[heap.owner]
struct = "Thing"
field = "kind"
[builds.only]
at = { head = 0x8000_0100 }
"""
BRIDGE = """
schema = "t.schema.toml"
[source]
kind = "fake"
byte_order = "big"
[layouts]
good = "good.layout.toml"
rough = { path = "good.layout.toml", ignore_sizes = true }
[[watches]]
name = "good"
expr = 'layout("good")'
[[watches]]
name = "rough"
expr = 'layout("rough")'
[[watches]]
name = "stays"
expr = 'layout("good") == 1 and layout("rough") == 1'
"""
KINDS = {"gull": 1, "crate": 2, "mist_puff": 3}
BASE = 0x8000_1010


def memory(*rows: Row) -> bytes:
    """Guest memory with a list of blocks, far enough apart that each has lines of its own."""
    data = bytearray(1 << 20)
    made = heap(*rows, base=BASE).blocks
    for block, following in zip(made, [*made[1:], None], strict=False):
        index = block.header - 0x8000_0000
        after = following.header if following else 0
        struct.pack_into(">III", data, index, block.size, block.used, after)
        struct.pack_into(">H", data, index + 0x10, KINDS.get(block.owner, 0))
    if made:
        struct.pack_into(">I", data, 0x100, made[0].header)
    return bytes(data)


def ready(directory: Path, *rows: Row) -> Ready:
    """Watches on a layout of *rows*."""
    blocks = tuple(
        BlockTable(owner=b.owner, size=b.size, used=b.used, at=b.at)
        for b in layout_of(heap(*rows)).blocks
    )
    file = LayoutFile(game="Tidewright", build="only", blocks=blocks)
    (directory / "good.layout.toml").write_text(layout_text(file), "utf-8")
    (directory / "t.schema.toml").write_text(SCHEMA, "utf-8")
    path = directory / "t.bridge.toml"
    path.write_text(BRIDGE, "utf-8")
    bridge = load_bridge(path)
    (prepared,) = prepare(bridge).values()
    return Ready(prepared, memory_map(bridge.schema))


GOOD: list[Row] = [("gull", 0x800), ("mist_puff", 0x400), ("crate", 0x600), ("free", 0x1000)]


@pytest.mark.parametrize(
    ("rows", "good", "rough"),
    [
        (GOOD, 1, 1),
        ([("gull", 0x810), *GOOD[1:]], 0, 1),
        ([GOOD[0], ("mist_puff", 0x410), *GOOD[2:]], -1, 1),
        ([GOOD[0], ("free", 0x400), *GOOD[2:]], -1, -1),
        ([*GOOD[:2], ("gull", 0x600), GOOD[3]], 2, 2),
        (GOOD[:3], 3, 3),
        ([*GOOD, ("gull", 0x20)], 4, 4),
    ],
)
def test_it_is_the_same_of_a_whole_image_and_of_lines_in_batches(
    tmp_path: Path, rows: list[Row], good: int, rough: int
) -> None:
    found = both(ready(tmp_path, *GOOD), [memory(*rows)])
    assert found['layout("good")'].value == good
    assert found['layout("rough")'].value == rough
    words = "matches" if good == 1 else f"differs at block {abs(good)}"
    assert found['layout("good")'].text == words
    whole = found['layout("good") == 1 and layout("rough") == 1']
    assert whole.value is (good == rough == 1)


def test_a_heap_without_a_block_differs_at_the_first(tmp_path: Path) -> None:
    found = both(ready(tmp_path, *GOOD), [memory()])['layout("good")']
    assert (found.status, found.text) == (Status.OK, "differs at block 0")


def test_hundreds_of_blocks_match_in_every_way_of_fetching(tmp_path: Path) -> None:
    rows: list[Row] = [GOOD[number % 3] for number in range(300)]
    one = ready(tmp_path, *rows)
    assert both(one, [memory(*rows)])['layout("good")'].text == "matches"
    rows[250] = ("crate", rows[250][1])
    assert both(one, [memory(*rows)])['layout("good")'].text == "differs at block 250"
