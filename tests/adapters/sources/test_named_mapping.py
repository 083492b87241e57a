"""A named file mapping of Windows, whose calls are made up: so this runs everywhere."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from adapters.sources.named_mapping import LOOK_EVERY, NamedMapping
from adapters.sources.shared import SharedMemory
from adapters.sources.surroundings import SourceSurroundings
from bridge.memory.address_map import MemoryMap, Region, Span
from schemas.errors import BridgeFileError, SourceError, SourceLost, SourceUnusable
from schemas.loader import load_bridge
from schemas.source_settings import SharedSource
from tests.adapters.sources.made_windows import RESERVE, MadeWindows, SharedPages
from tests.adapters.sources.test_process_elsewhere import BRIDGE, SCHEMA

BASE = 0x8000_0000
SIZE = 0x2000
MEMORY = MemoryMap([Region("ram", BASE, SIZE), Region("pad", 0xBFC0_0000, 0x800)])
NAME = "Tidewright RAM"
WHOLE = [Span(BASE, SIZE)]


class Rig:
    def __init__(self) -> None:
        self.windows = MadeWindows()
        self.data = bytearray(os.urandom(0x20000))
        self.windows.mappings[NAME] = self.data
        self.now = 0.0

    def source(self, **settings: object) -> NamedMapping:
        made = SharedSource.model_validate({"kind": "shared", "mapping": NAME, **settings})
        return NamedMapping(made, clock=lambda: self.now, kernel32=self.windows)

    async def refused(self, **settings: object) -> SourceError:
        with pytest.raises(SourceError) as caught:
            await self.source(**settings).open(MEMORY)
        assert self.windows.open == {}
        assert self.windows.views == {}
        return caught.value


@pytest.fixture
def rig() -> Rig:
    return Rig()


@pytest.mark.parametrize("offset", [0, 0x40, 0x10000, 0x1_0040])
async def test_each_read_sees_what_stands_there_now(rig: Rig, offset: int) -> None:
    source = rig.source(offset=offset)
    opened = await source.open(MEMORY)
    assert opened.memory.regions == MEMORY.regions[:1]
    assert await source.fetch(WHOLE) == [bytes(rig.data[offset : offset + SIZE])]
    rig.data[offset + 0x100 : offset + 0x104] = b"lamp"
    spans = [Span(BASE + 0x100, 4), Span(0xBFC0_0000, 8), Span(BASE + 0x108, 8)]
    assert await source.fetch(spans) == [
        *(b"lamp", None, bytes(rig.data[offset + 0x108 : offset + 0x110]))
    ]
    await source.close()
    assert rig.windows.views == {}


async def test_no_handle_is_kept_that_would_keep_the_name(rig: Rig) -> None:
    source = rig.source()
    await source.open(MEMORY)
    assert (rig.windows.open, len(rig.windows.views)) == ({}, 1)
    await source.close()
    with pytest.raises(SourceLost) as caught:
        await source.fetch(WHOLE)
    assert caught.value.detail == "is closed"


async def test_a_mapping_shorter_than_the_region_holds_less(rig: Rig) -> None:
    source = rig.source(offset=0x1F000)
    opened = await source.open(MEMORY)
    assert opened.memory.regions == (Region("ram", BASE, 0x1000),)
    assert await source.fetch([Span(BASE, 0x1000)]) == [bytes(rig.data[0x1F000:])]
    await source.close()


async def test_all_of_it_is_read_beside_the_sampler(rig: Rig) -> None:
    """By a view of its own, which follows the name as the source's does."""
    source = rig.source(offset=0x40)
    assert source.bulk_reader() is None
    await source.open(MEMORY)
    reader = source.bulk_reader()
    assert reader is not None
    assert list(reader.spans) == WHOLE
    into = memoryview(bytearray(SIZE))
    reader.read_into(BASE, into)
    assert into == rig.data[0x40 : 0x40 + SIZE]
    reader.read_into(BASE + 0x100, into[:8])
    assert into[:8] == rig.data[0x140:0x148]
    await source.close()
    rig.data = rig.windows.mappings[NAME] = bytearray(os.urandom(0x20000))
    rig.now += LOOK_EVERY
    reader.read_into(BASE, into)
    assert into == rig.data[0x40 : 0x40 + SIZE]
    rig.windows.mappings[NAME] = bytearray(0x1000)
    reader.read_into(BASE, into)
    rig.now += LOOK_EVERY
    with pytest.raises(SourceLost) as caught:
        reader.read_into(BASE, into)
    assert caught.value.detail == f"{NAME} is of another size now: it is opened again"
    reader.close()
    reader.close()
    assert (rig.windows.open, rig.windows.views) == ({}, {})


async def test_a_name_that_is_not_there_is_lost_as_a_missing_file_is(rig: Rig) -> None:
    fault = await rig.refused(mapping="gull")
    assert isinstance(fault, SourceLost)
    assert fault.detail == "there is no file mapping gull: is the emulator running?"


@pytest.mark.parametrize(
    ("name", "settings", "detail"),
    [
        (
            "theirs",
            {},
            "the file mapping theirs may not be read: run lowhalf and the emulator as the same "
            "user",
        ),
        ("an event", {}, "an event is not a file mapping"),
        (NAME, {"region": "gull"}, 'expected one of the regions ram, pad, found "gull"'),
    ],
)
async def test_what_can_never_serve(
    rig: Rig, name: str, settings: dict[str, object], detail: str
) -> None:
    rig.windows.refused_mappings.add("theirs")
    fault = await rig.refused(mapping=name, **settings)
    assert isinstance(fault, SourceUnusable)
    assert fault.detail == detail


@pytest.mark.parametrize("offset", [0x20000, 0x30040])
async def test_an_offset_behind_the_end(rig: Rig, offset: int) -> None:
    fault = await rig.refused(offset=offset)
    assert isinstance(fault, SourceLost)
    assert fault.detail == (
        f"nothing is at offset 0x{offset:X} of {NAME}: is the emulator still starting?"
    )


async def test_the_name_goes_with_its_emulator(rig: Rig) -> None:
    source = rig.source()
    await source.open(MEMORY)
    del rig.windows.mappings[NAME]
    assert len(await source.fetch(WHOLE)) == 1
    rig.now += LOOK_EVERY
    with pytest.raises(SourceLost) as caught:
        await source.fetch(WHOLE)
    assert caught.value.detail == f"there is no file mapping {NAME}: is the emulator running?"
    await source.close()
    assert rig.windows.views == {}


async def test_a_new_emulators_mapping_is_read_under_the_same_name(rig: Rig) -> None:
    source = rig.source()
    await source.open(MEMORY)
    new = rig.windows.mappings[NAME] = bytearray(os.urandom(0x20000))
    rig.now += LOOK_EVERY
    assert await source.fetch(WHOLE) == [bytes(new[:SIZE])]
    assert len(rig.windows.views) == 1
    await source.close()


async def test_one_of_another_size_is_opened_again(rig: Rig) -> None:
    source = rig.source()
    await source.open(MEMORY)
    rig.windows.mappings[NAME] = bytearray(0x1000)
    rig.now += LOOK_EVERY
    with pytest.raises(SourceLost) as caught:
        await source.fetch(WHOLE)
    assert caught.value.detail == f"{NAME} is of another size now: it is opened again"
    assert (await source.open(MEMORY)).memory.regions == (Region("ram", BASE, 0x1000),)
    await source.close()
    assert rig.windows.views == {}


async def test_pages_that_are_not_there_yet_are_not_touched(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A mapping may be reserved only: a touch of what is not committed would end lowhalf."""
    made = rig.windows.map_view

    def reserved(mapping: int, offset: int) -> int:
        at = made(mapping, offset)
        whole = rig.windows.views[at]
        held, rest = SharedPages(at, rig.data, 0), SharedPages(at, rig.data, 0x1000)
        held.data = whole.data[:0x1000]
        rest.start, rest.allocation, rest.state = at + 0x1000, at, RESERVE
        rig.windows.views |= {at: held, at + 1: rest}
        return at

    monkeypatch.setattr(rig.windows, "map_view", reserved)
    source = rig.source()
    assert (await source.open(MEMORY)).memory.regions == (Region("ram", BASE, 0x1000),)
    assert await source.fetch([Span(BASE, 0x1000)]) == [bytes(rig.data[:0x1000])]
    await source.close()


def test_the_bridge_file_says_which(tmp_path: Path) -> None:
    around = SourceSurroundings(tmp_path, {})
    named = SharedSource(kind="shared", mapping=NAME)
    filed = SharedSource(kind="shared", path="ram")
    assert type(SharedMemory.from_bridge(named, around)) is NamedMapping
    assert type(SharedMemory.from_bridge(filed, around)) is SharedMemory
    assert SharedMemory.from_bridge(named, around).name == f"shared {NAME}"


@pytest.mark.parametrize("text", ["", 'path = "ram"\nmapping = "ram"\n'])
def test_exactly_one_of_both_is_named(tmp_path: Path, text: str) -> None:
    (tmp_path / "g.schema.toml").write_text(SCHEMA, "utf-8")
    bridge = BRIDGE.replace('kind = "process"\n', f'kind = "shared"\n{text}')
    (tmp_path / "g.bridge.toml").write_text(bridge, "utf-8")
    with pytest.raises(BridgeFileError) as caught:
        load_bridge(tmp_path / "g.bridge.toml")
    assert "expected exactly one of path and mapping" in str(caught.value)


@pytest.mark.skipif(sys.platform == "win32", reason="what Windows has, it does not miss")
async def test_elsewhere_there_is_no_such_thing() -> None:
    source = NamedMapping(SharedSource(kind="shared", mapping=NAME))
    with pytest.raises(SourceUnusable) as caught:
        await source.open(MEMORY)
    assert caught.value.detail == "mapping names what Windows alone has; name a file by path"
