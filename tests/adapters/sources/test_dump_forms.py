"""A raw dump may begin like anything: the recognise bytes are the judge of how it is read.

Beginnings by the formats' own documents: ELF by the System V ABI, Intel HEX by Intel's
specification, S-record by Motorola's manual, gzip by RFC 1952, zstd by RFC 8878, xz and zip by
their file format notes, MCAP by its specification.
"""

from __future__ import annotations

import asyncio
import gzip
import lzma
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
import zstandard
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from adapters.sources.dumps.file import FileDump
from adapters.sources.dumps.folder import DumpFolder
from bridge.memory.address_map import MemoryMap
from bridge.prepared import memory_map
from schemas.compiler import BuildLayout
from schemas.errors import SourceUnusable
from schemas.loader import load_bridge
from schemas.source_settings import FileSource, FolderSource
from tests.adapters.dumps.test_elf import PT_LOAD, core
from tests.adapters.sources.test_file_dump import srec
from tests.commands import files

IHEX = b":020000048000 7A\n".replace(b" ", b"") + b":00000001FF\n"
SOUND_GZIP = gzip.compress(b"a map of the harbour" * 9, mtime=0)

BEGINNINGS = {
    "a whole ELF": (core(False, ">", [(PT_LOAD, 0x8000_0000, b"lamp" * 16)]), "ELF", ""),
    "a cut-off ELF": (b"\x7fELF", "ELF", "ELF: "),
    "Intel HEX": (IHEX, "Intel HEX", "Intel HEX: line 3: "),
    "S-record": (b"S0030000FC\n", "S-record", "S-record: line 2: "),
    "gzip": (b"\x1f\x8b\x08\x00", "gzip", "gzip: the stream is damaged "),
    "a sound gzip": (SOUND_GZIP, "gzip", "gzip: "),
    "xz": (b"\xfd7zXZ\0", "xz", "xz: "),
    "zstd": (b"\x28\xb5\x2f\xfd", "zstd", "zstd: "),
    "zip": (b"PK\x03\x04", "zip", "zip: the archive is cut off or damaged "),
    "MCAP": (b"\x89MCAP0\r\n", "a recording", "is not a usable recording: "),
}


def layouts(tmp_path: Path) -> tuple[MemoryMap, Sequence[BuildLayout]]:
    bridge = load_bridge(files.write(tmp_path))
    return memory_map(bridge.schema), list(bridge.schema.builds.values())


def dump_that_begins(beginning: bytes) -> bytes:
    ram = files.ram()
    ram[: len(beginning)] = beginning
    return bytes(ram)


async def opened(tmp_path: Path, data: bytes, **settings: Any) -> FileDump:
    (tmp_path / "dawn.bin").write_bytes(data)
    memory, builds = layouts(tmp_path)
    source = FileDump(FileSource(kind="file", path="dawn.bin", **settings), tmp_path, builds)
    await source.open(memory)
    return source


async def image(source: FileDump) -> bytes:
    assert source._memory is not None
    (data,) = await source.fetch(source._memory.whole())
    assert isinstance(data, bytes)
    return data


@pytest.mark.parametrize("beginning", BEGINNINGS)
async def test_a_raw_dump_that_begins_like_something_else(tmp_path: Path, beginning: str) -> None:
    start, taken_for, fault = BEGINNINGS[beginning]
    data = dump_that_begins(start)
    source = await opened(tmp_path, data)
    assert await image(source) == data
    packed = taken_for in ("gzip", "xz", "zstd", "zip")
    words = f"raw without unpacking {taken_for}" if packed else "raw"
    (note,) = source.notes
    if fault:
        assert note.startswith(f"is read as {words}, since ")
        assert fault in note
    else:
        assert note == f"is read as {words}, since no build is recognised in it as {taken_for}"
    # a raw dump is the ordinary thing: only what is read as it is packed is worth a word
    assert source.name == ("file dawn.bin" if not packed else f"file dawn.bin ({words})")


@pytest.mark.parametrize("pack", [gzip.compress, lzma.compress, zstandard.compress])
async def test_the_same_in_an_archive(tmp_path: Path, pack: Any) -> None:
    for start, _, _ in BEGINNINGS.values():
        data = dump_that_begins(start)
        assert await image(await opened(tmp_path, pack(data))) == data


async def test_what_is_recognised_in_its_own_format_is_read_so(tmp_path: Path) -> None:
    ram = bytes(files.ram())
    for data, words in (
        (core(True, "<", [(PT_LOAD, files.BASE, ram)]), "ELF"),
        (srec((files.BASE, ram)), "S-record"),
    ):
        source = await opened(tmp_path, data)
        assert await image(source) == ram
        assert source.name == f"file dawn.bin ({words})"
        assert source.notes == []


async def test_the_other_byte_orders_are_recognised_too(tmp_path: Path) -> None:
    data = bytearray(dump_that_begins(b""))
    swapped = bytearray(len(data))
    for place, lane in enumerate((3, 2, 1, 0)):
        swapped[place::4] = data[lane::4]
    swapped[:4] = b"\x7fELF"
    source = await opened(tmp_path, bytes(swapped))
    assert await image(source) == bytes(swapped)


async def test_where_no_build_is_recognised_at_all(tmp_path: Path) -> None:
    ram = files.ram()
    ram[0x400:0x408] = b"TIDE 9.9"
    source = await opened(tmp_path, core(False, ">", [(PT_LOAD, files.BASE, bytes(ram))]))
    assert source.notes == ["is read as ELF; as raw no build is recognised either"]
    assert source.name == "file dawn.bin (ELF)"
    source = await opened(tmp_path, bytes(ram))
    assert (source.notes, source.name) == ([], "file dawn.bin (raw)")
    source = await opened(tmp_path, gzip.compress(bytes(ram)))
    assert source.notes == [
        "is read as raw; as raw without unpacking gzip no build is recognised either"
    ]
    with pytest.raises(SourceUnusable) as caught:
        await opened(tmp_path, b"\x7fELF" + bytes(ram)[4:])
    assert caught.value.detail == (
        "ELF: the header is cut off or names no known class and byte order; as raw no build is "
        "recognised either"
    )


async def test_a_format_that_is_named_is_obeyed(tmp_path: Path) -> None:
    data = core(False, ">", [(PT_LOAD, files.BASE, bytes(files.ram()))])
    raw = await opened(tmp_path, data, format="raw")
    assert await image(raw) == data[: files.SIZE]
    assert (raw.notes[1:], raw.name) == ([], "file dawn.bin (raw)")
    with pytest.raises(SourceUnusable) as caught:
        await opened(tmp_path, bytes(files.ram()), format="elf")
    assert caught.value.detail == "ELF: expected 7F 45 4C 46 at the start, found 00 00 00 00"


async def test_without_recognise_bytes_the_beginning_decides(tmp_path: Path) -> None:
    (tmp_path / "dawn.bin").write_bytes(dump_that_begins(b"\x7fELF"))
    memory, _ = layouts(tmp_path)
    source = FileDump(FileSource(kind="file", path="dawn.bin"), tmp_path)
    with pytest.raises(SourceUnusable) as caught:
        await source.open(memory)
    assert caught.value.detail == (
        "ELF: the header is cut off or names no known class and byte order"
    )


async def test_an_offset_means_a_raw_dump_where_a_build_is_recognised_so(tmp_path: Path) -> None:
    data = core(False, ">", [(PT_LOAD, files.BASE, b"lamp")])
    ram = bytes(files.ram())
    source = await opened(tmp_path, data + ram, offset=len(data))
    assert await image(source) == ram


@pytest.mark.parametrize("beginning", ["a whole ELF", "Intel HEX", "gzip"])
async def test_a_folder_reads_each_of_its_dumps_so(tmp_path: Path, beginning: str) -> None:
    memory, builds = layouts(tmp_path)
    (tmp_path / "dumps").mkdir()
    data = dump_that_begins(BEGINNINGS[beginning][0])
    (tmp_path / "dumps" / "dawn.bin").write_bytes(data)
    settings = FolderSource(kind="folder", path="dumps", settle=0.05)
    source = DumpFolder(settings, tmp_path, builds)
    try:
        opened = await source.open(memory)
        assert await source.fetch(opened.memory.whole()) == [data]
        assert source.notes[0].startswith("dawn.bin: is read as raw")
    finally:
        await source.close()


STARTS = [start for start, _, _ in BEGINNINGS.values()]


@settings(
    max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(start=st.sampled_from(STARTS), rest=st.binary(max_size=300), known=st.booleans())
def test_whatever_follows_it_is_read_or_refused(
    tmp_path: Path, start: bytes, rest: bytes, known: bool
) -> None:
    """Where the recognise bytes are there, it is always read, and as it is."""
    data = start + rest
    if known:
        data = dump_that_begins(data)
    try:
        source = asyncio.run(opened(tmp_path, data))
    except SourceUnusable:
        assert not known
        return
    assert not known or asyncio.run(image(source)) == data
