"""Heaps of five forms against allocators in C, each of which plays in a guest's memory.

Source of every expected block: ``allocators.c`` beside this file, compiled by gcc, whose player
keeps a book of its own of what is handed out.  The full size plays longer and with more seeds.
"""

from __future__ import annotations

import subprocess
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.heap.blocks import Heap
from tests.bridge.made_guest import Guest

pytestmark = pytest.mark.needs("gcc", "gcc")

SIZE = 0x4000
HERE = Path(__file__).parent
SCHEMA = """
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [{ name = "ram", start = 0x8000_0000, size = 0x4000 }]
[structs.Pile.fields]
size   = { at = 0x0, type = "u32" }
before = { at = 0x4, type = "Pile*" }
[structs.Hole.fields]
next = { at = 0x0, type = "Hole*" }
size = { at = 0x4, type = "u32" }
[structs.Cargo.fields]
size   = { at = 0x0, type = "u32" }
handle = { at = 0x4, type = "u32" }
[symbols]
low_last  = "Pile*"
high_last = "Pile*"
free_head = "Hole*"
bits      = "u32[4]"
table     = "u8*[64]"
arena     = "u8[0x2000]"
[builds.only.at]
low_last  = 0x8000_0100
high_last = 0x8000_0104
free_head = 0x8000_0100
bits      = 0x8000_0200
table     = 0x8000_0200
arena     = 0x8000_1000
"""
EXTENT = 'extent = { from = "arena", to = "address(arena) + 0x2000" }'
STYLES = {
    "stack": f"""
block   = "Pile"
first   = ["low_last", "high_last"]
next    = "block.before"
size    = "block.size"
used    = "True"
payload = "address(block) + 8"
{EXTENT}
""",
    "bitmap": """
slots = { count = 100, size = 0x30 }
first = "arena"
used  = "bits[index // 32] >> (index % 32) & 1"
""",
    "free": f"""
list    = "free"
block   = "Hole"
first   = "free_head"
next    = "block.next"
size    = "block.size"
payload = "address(block)"
{EXTENT}
""",
    "headers": f"""
list    = "free"
rest    = "blocks"
block   = "Hole"
first   = "free_head"
next    = "block.next"
size    = "block.size"
payload = "address(block) + 8"
{EXTENT}
""",
    "handles": f"""
handles = "table"
block   = "Cargo"
header  = "handle - 8"
size    = "block.size"
{EXTENT}
""",
}


@pytest.fixture(scope="module")
def allocators(tmp_path_factory: pytest.TempPathFactory) -> Path:
    program = tmp_path_factory.mktemp("allocators") / "allocators"
    subprocess.run(
        ["gcc", "-O1", "-Wall", "-Wextra", "-Werror", "-o", program, HERE / "allocators.c"],
        check=True,
        timeout=120,
    )
    return program


Told = list[tuple[int, int, bool]]


def played(allocators: Path, style: str, seed: int, count: int) -> Iterator[tuple[bytes, Told]]:
    """Each moment's memory, and the blocks that the player knows of."""
    dumps = allocators.parent / f"{style}.bin"
    words = [str(allocators), style, str(seed), str(count), str(dumps)]
    out = subprocess.run(words, check=True, capture_output=True, text=True, timeout=120).stdout
    memory = dumps.read_bytes()
    moments = out.split(".\n")[:-1]
    assert len(moments) == count
    assert len(memory) == count * SIZE
    for number, moment in enumerate(moments):
        rows = [line.split() for line in moment.splitlines()]
        told = [(int(start, 16), int(size, 16), used == "1") for start, size, used in rows]
        yield memory[number * SIZE : (number + 1) * SIZE], told


def guest_of(style: str) -> Guest:
    return Guest(f"{SCHEMA}\n[heap]\n{STYLES[style]}")


def blocks_of(heap: Heap) -> Told:
    assert heap.damaged is None
    return [(block.start, block.size, block.used) for block in heap.blocks]


@pytest.mark.parametrize("whole", [True, False], ids=["whole", "sparse"])
@pytest.mark.parametrize("style", STYLES)
@pytest.mark.parametrize(
    ("seeds", "count"), [(2, 40), pytest.param(60, 200, marks=pytest.mark.full)]
)
def test_the_walk_finds_what_the_player_knows(
    allocators: Path, style: str, seeds: int, count: int, whole: bool
) -> None:
    guest = guest_of(style)
    run = guest.run({"blocks": "len(blocks())"}, whole=whole)
    most = 0
    for seed in range(1, seeds + 1):
        for memory, told in played(allocators, style, seed, count):
            guest.bytes[:SIZE] = memory
            run.frame()
            assert blocks_of(run.evaluator.heap()) == told
            most = max(most, sum(used for _, _, used in told))
    assert most > 5


def test_what_the_manual_shows_is_what_is_tested_here() -> None:
    """The tables of the how-to are those that the allocators agree with."""
    text = (HERE.parents[1] / "docs" / "how-to" / "describe-heaps.md").read_text("utf-8")
    tables = [block.split("```")[0] for block in text.split("```toml\n")[1:]]
    shown = [tomllib.loads(table)["heaps"] for table in tables if table.startswith("[heaps.")]
    told = [table for heaps in shown for table in heaps.values()]
    tested = [tomllib.loads(style) for style in STYLES.values()]
    assert len(told) == len(tested)
    for table in told:
        assert table in tested
