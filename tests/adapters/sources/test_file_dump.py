"""Dumps as a source: where their bytes lie, and what is said of bad ones."""

from __future__ import annotations

import gzip
import random
import struct
from pathlib import Path
from typing import Any

import pytest

from adapters.sources.dumps.file import FileDump
from bridge.memory.address_map import MemoryMap, Region, Span
from bridge.memory.fetched import Partial
from schemas.errors import SourceLost, SourceUnusable
from schemas.source_settings import FileSource

MEMORY = MemoryMap(
    [Region("ram", 0x8000_0000, 0x2000, (0xA000_0000,)), Region("pad", 0xBFC0_0000, 0x7C4)]
)
IMAGE = random.Random(3).randbytes(0x2000)


async def opened(path: Path, data: bytes, **settings: Any) -> tuple[FileDump, MemoryMap]:
    file = path / "dawn.bin"
    file.write_bytes(data)
    source = FileDump(FileSource(kind="file", path="dawn.bin", **settings), path)
    return source, (await source.open(MEMORY)).memory


async def refusal(path: Path, data: bytes, **settings: Any) -> str:
    with pytest.raises(SourceUnusable) as caught:
        await opened(path, data, **settings)
    assert caught.value.source == "file dawn.bin"
    return caught.value.detail


def srec(*parts: tuple[int, bytes]) -> bytes:
    text = ""
    for address, data in parts:
        for at in range(0, len(data), 32):
            body = data[at : at + 32]
            record = bytes([len(body) + 5]) + (address + at).to_bytes(4, "big") + body
            text += "S3" + (record + bytes([~sum(record) & 0xFF])).hex() + "\n"
    return text.encode() + b"S70500000000FA\n"


async def test_a_raw_dump_is_the_first_region(tmp_path: Path) -> None:
    source, held = await opened(tmp_path, IMAGE)
    assert held.regions == MEMORY.regions[:1]
    assert await source.fetch([Span(0x8000_0100, 0x200), Span(0x8000_1F00, 0x100)]) == [
        IMAGE[0x100:0x300],
        IMAGE[0x1F00:],
    ]
    assert source.notes == []


async def test_a_raw_dump_of_another_region(tmp_path: Path) -> None:
    source, held = await opened(tmp_path, IMAGE[:0x7C4], region="pad")
    assert held.regions == MEMORY.regions[1:]
    assert await source.fetch([Span(0xBFC0_0700, 0xC4)]) == [IMAGE[0x700:0x7C4]]


async def test_an_image_inside_a_larger_file(tmp_path: Path) -> None:
    data = gzip.compress(b"\xee" * 1000 + IMAGE + b"\xee" * 1000)
    source, held = await opened(tmp_path, data, offset=1000, length=0x2000)
    assert held.regions == MEMORY.regions[:1]
    assert await source.fetch([Span(0x8000_0000, 0x2000)]) == [IMAGE]
    assert source.notes == []


async def test_what_is_behind_the_region_is_left_out_with_a_note(tmp_path: Path) -> None:
    source, _ = await opened(tmp_path, IMAGE + bytes(0x10))
    assert source.notes == ["0x10 bytes behind the end of ram are left out"]


async def test_a_dump_shorter_than_its_region_ends_where_it_ends(tmp_path: Path) -> None:
    source, held = await opened(tmp_path, IMAGE[:0x1234])
    assert held.regions == (Region("ram", 0x8000_0000, 0x1234, (0xA000_0000,)),)
    assert source.notes == ["holds the first 0x1234 of 0x2000 bytes of ram"]
    assert await source.fetch([Span(0x8000_1200, 0x34)]) == [IMAGE[0x1200:0x1234]]


async def test_segments_are_placed_through_mirrors(tmp_path: Path) -> None:
    source, held = await opened(
        tmp_path, srec((0xA000_0000, IMAGE[:0x1000]), (0x8000_1000, IMAGE[0x1000:]))
    )
    assert held.regions == MEMORY.regions[:1]
    assert await source.fetch([Span(0x8000_0000, 0x2000)]) == [IMAGE]


async def test_a_hole_is_absent_and_not_zero(tmp_path: Path) -> None:
    source, held = await opened(
        tmp_path, srec((0x8000_0000, IMAGE[:0x280]), (0x8000_0400, IMAGE[0x400:0x500]))
    )
    assert held.regions[0].size == 0x500
    spans = [Span(0x8000_0000 + at, 0x100) for at in range(0, 0x500, 0x100)]
    found = await source.fetch(spans)
    assert [*found[:2], *found[3:]] == [
        IMAGE[:0x100], IMAGE[0x100:0x200], None, IMAGE[0x400:0x500],
    ]  # fmt: skip
    part = found[2]
    assert isinstance(part, Partial)
    assert part.held == b"\1" * 0x80 + b"\0" * 0x80
    assert part.data[:0x80] == IMAGE[0x200:0x280]


async def test_sign_extended_addresses_of_a_64_bit_processor(tmp_path: Path) -> None:
    header = b"\x7fELF\x02\x02\x01" + bytes(9)
    header += struct.pack(">HHIQQQIHHHHHH", 4, 8, 1, 0, 64, 0, 0, 64, 56, 1, 0, 0, 0)
    table = struct.pack(">IIQQQQQQ", 1, 6, 120, 0xFFFF_FFFF_8000_0000, 0, 0x2000, 0x2000, 1)
    source, _ = await opened(tmp_path, header + table + IMAGE)
    assert await source.fetch([Span(0x8000_0000, 0x2000)]) == [IMAGE]


async def test_bytes_of_a_segment_outside_every_region_are_noted(tmp_path: Path) -> None:
    source, _ = await opened(tmp_path, srec((0x8000_1FF0, bytes(32)), (0x1000_0000, b"gull")))
    assert source.notes == [
        "20 bytes of 2 segments, the first at 0x80001FF0, are outside every region and left out",
    ]


async def test_a_dump_of_another_machine(tmp_path: Path) -> None:
    assert await refusal(tmp_path, srec((0x0200_0000, b"gull"))) == (
        "S-record: expected bytes inside ram (0x80000000 to 0x80002000), "
        "pad (0xBFC00000 to 0xBFC007C4), found 1 segments from 0x02000000 on, all outside: "
        "is this a dump of another machine?"
    )


@pytest.mark.parametrize(
    ("data", "settings", "message"),
    [
        (
            IMAGE,
            {"offset": 0x2000},
            "expected an image at offset 0x2000, found only 0x2000 bytes",
        ),
        (
            IMAGE,
            {"offset": 0x10, "length": 0x2000},
            "expected 0x2000 bytes from offset 0x10 on, found 0x1FF0: the dump is cut off",
        ),
        (IMAGE, {"length": 0}, "expected a length of 1 or more, found 0"),
        (IMAGE, {"region": "rom"}, 'expected one of the regions ram, pad, found "rom"'),
        (
            srec((0x8000_0000, b"lamp")),
            {"offset": 4},
            "region, offset and length are for raw dumps, found srec: leave them out, "
            'or set format = "raw"',
        ),
        (
            IMAGE,
            {"format": "elf"},
            f"ELF: expected 7F 45 4C 46 at the start, found {IMAGE[:4].hex(' ').upper()}",
        ),
        (
            b"",
            {},
            "is empty: whatever wrote the dump failed; make it again",
        ),
    ],
)
async def test_bad_dumps_and_settings(
    tmp_path: Path, data: bytes, settings: dict[str, Any], message: str
) -> None:
    assert await refusal(tmp_path, data, **settings) == message


async def test_a_declared_format_is_obeyed(tmp_path: Path) -> None:
    text = srec((0x8000_0000, b"lamp"))
    source, _ = await opened(tmp_path, text, format="raw")
    assert await source.fetch([Span(0x8000_0000, len(text))]) == [text]


async def test_a_file_that_is_not_there_is_lost(tmp_path: Path) -> None:
    source = FileDump(FileSource(kind="file", path="noon.bin"), tmp_path)
    with pytest.raises(SourceLost) as caught:
        await source.open(MEMORY)
    assert str(caught.value) == (
        f"file noon.bin: {tmp_path / 'noon.bin'} is not there: is the path relative to the "
        "bridge file?"
    )
    assert isinstance(caught.value.__cause__, SourceLost)
    assert isinstance(caught.value.__cause__.__cause__, FileNotFoundError)


@pytest.mark.parametrize("path", [".", "a\0b"])
async def test_a_path_that_names_no_file(tmp_path: Path, path: str) -> None:
    source = FileDump(FileSource(kind="file", path=path), tmp_path)
    with pytest.raises(SourceUnusable):
        await source.open(MEMORY)
