"""RAM of which pages are guarded, or which lies in two mappings side by side, in a real process."""

from __future__ import annotations

import gzip
import mmap
import sys
from pathlib import Path

import pytest

from adapters.sources.process.process_maps import read_maps
from adapters.sources.process.source import ProcessMemory
from bridge.memory.address_map import MemoryMap, Span
from bridge.prepared import PreparedBuild, memory_map, prepare
from schemas.errors import SourceLost
from schemas.loader import load_bridge
from schemas.source_settings import ProcessSource
from tests.adapters.sources.page_host import PageHost

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="reads processes on Linux only")

ROOT = Path(__file__).parents[3]
BASE = 0x8000_0000
PAGE = mmap.PAGESIZE
BRIDGE = """
schema = "SCHEMA"
[source]
kind = "process"
[[watches]]
name = "kind"
expr = "courier.kind"
"""


class Game:
    """A sample of the demo game: its image in a file, and what finds it."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "ram.bin"
        packed = ROOT / "sample_dumps" / "first-print-carry.bin.gz"
        self.image = gzip.decompress(packed.read_bytes())
        self.path.write_bytes(self.image)
        schema = (ROOT / "schemas/games/tidewright.schema.toml").as_posix()
        file = folder / "t.bridge.toml"
        file.write_text(BRIDGE.replace("SCHEMA", schema), "utf-8")
        bridge = load_bridge(file)
        self.prepared_builds: dict[str, PreparedBuild] = prepare(bridge)
        self.memory: MemoryMap = memory_map(bridge.schema)

    def lines(self) -> list[Span]:
        """Two lines of every page."""
        return [Span(BASE + at, 0x100) for at in range(0, len(self.image), PAGE // 2)]

    async def found(self, host: PageHost) -> list[int]:
        """Finds the RAM, compares it, and gives the offsets of the lines that are missing."""
        source = ProcessMemory(ProcessSource(kind="process", pid=host.pid), self.prepared_builds)
        opened = await source.open(self.memory)
        assert source.address == host.address
        assert opened.memory.regions == self.memory.regions
        missing = []
        for span, part in zip(self.lines(), await source.fetch(self.lines()), strict=True):
            at = span.address - BASE
            if part is None:
                missing.append(at)
            else:
                assert part == self.image[at : at + 0x100], hex(at)
        await source.close()
        return missing


@pytest.fixture
def game(tmp_path: Path) -> Game:
    return Game(tmp_path)


@pytest.mark.parametrize("page", [0x1000, 0x20_0000, 0x3F_F000])
async def test_a_page_that_cannot_be_read_is_all_that_is_missing(game: Game, page: int) -> None:
    with PageHost(game.path, protected=[page]) as host:
        inside = [
            each for each in read_maps(host.pid) if host.address <= each.start < host.address + page
        ]
        assert [each.readable for each in inside] == [True]
        lost = list(range(page, page + 0x1000, PAGE // 2))
        assert await game.found(host) == lost


async def test_several_guarded_pages(game: Game) -> None:
    pages = [0x4000, 0x6000, 0x18_0000, 0x30_0000]
    with PageHost(game.path, protected=pages, read_only=[0x7000, 0x31_0000]) as host:
        lost = [at for page in pages for at in range(page, page + 0x1000, PAGE // 2)]
        assert await game.found(host) == lost


@pytest.mark.parametrize("split", [0x1000, 0x10_0000, 0x3F_0000])
async def test_ram_in_two_mappings_side_by_side(game: Game, split: int) -> None:
    with PageHost(game.path, split=split) as host:
        low, high = (
            next(each for each in read_maps(host.pid) if each.start <= at < each.end)
            for at in (host.address, host.address + split)
        )
        assert (low.end, low.backing, low.path) == (high.start, "", "")
        assert high.backing
        assert high.shared
        assert await game.found(host) == []


async def test_two_mappings_a_guarded_page_and_one_against_writes(game: Game) -> None:
    with PageHost(game.path, split=0x20_0000, protected=[0x30_0000], read_only=[0x5000]) as host:
        assert await game.found(host) == [0x30_0000, 0x30_0000 + PAGE // 2]


async def test_ram_that_is_mostly_guarded_is_none(game: Game) -> None:
    pages = list(range(0x10_0000, 0x20_0000, PAGE))
    with PageHost(game.path, protected=pages) as host:
        source = ProcessMemory(ProcessSource(kind="process", pid=host.pid), game.prepared_builds)
        with pytest.raises(SourceLost) as caught:
            await source.open(game.memory)
        assert f"process {host.pid} holds the recognise bytes of no build" in caught.value.detail
