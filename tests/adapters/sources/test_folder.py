"""Dumps that land in a folder: in bursts, slowly, damaged, renamed into place."""

from __future__ import annotations

import asyncio
import gzip
import os
import struct
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import BinaryIO

import pytest

from adapters.file_opening import open_stream
from adapters.sources.dumps import folder
from adapters.sources.dumps.file import FileDump
from adapters.sources.dumps.folder import DumpFolder
from bridge.memory.address_map import MemoryMap, Region, Span
from bridge.ports.source import Cadence, Consistency, Opened
from schemas.errors import SourceLost, SourceUnusable
from schemas.source_settings import FolderSource
from schemas.system_words import HELD_BY_ANOTHER

BASE = 0x8000_0000
SIZE = 0x1000
MEMORY = MemoryMap([Region("ram", BASE, SIZE)])
FIRST = Span(BASE, 0x100)
SETTLE = 0.1
TIMEOUT = 20.0


def dump(number: int, size: int = SIZE) -> bytes:
    return struct.pack(">I", number) + bytes(size - 4)


def take_away(path: Path) -> None:
    path.rename(path.parent / "elsewhere")


def make(path: Path) -> None:
    path.mkdir(exist_ok=True)


def source_of(path: Path, *, settle: float = SETTLE, pattern: str = "*") -> DumpFolder:
    settings = FolderSource(kind="folder", path=path.name, settle=settle, pattern=pattern)
    return DumpFolder(settings, path.parent)


@pytest.fixture
def dumps(tmp_path: Path) -> Path:
    path = tmp_path / "dumps"
    path.mkdir()
    return path


@asynccontextmanager
async def opened(source: DumpFolder) -> AsyncIterator[DumpFolder]:
    async with asyncio.timeout(TIMEOUT):
        await source.open(MEMORY)
    try:
        yield source
    finally:
        async with asyncio.timeout(TIMEOUT):
            await source.close()


async def shown(source: DumpFolder) -> int:
    """The number in the dump that is read now."""
    (line,) = await source.fetch([FIRST])
    assert isinstance(line, bytes)
    return int.from_bytes(line[:4], "big")


async def following(source: DumpFolder, seconds: float = TIMEOUT) -> tuple[int | None, int]:
    """Wait for the next dump; gives its running number and the number in it."""
    async with asyncio.timeout(seconds):
        number = await source.wait()
    return number, await shown(source)


async def nothing_follows(source: DumpFolder, seconds: float) -> None:
    with pytest.raises(TimeoutError):
        await following(source, seconds)


async def test_what_the_source_says_of_itself(dumps: Path) -> None:
    source = source_of(dumps)
    assert (source.kind, source.name) == ("folder", "folder dumps")
    assert (source.consistency, source.cadence) == (Consistency.STILL, Cadence.ANNOUNCED)


async def test_a_burst_of_200_loses_none(dumps: Path) -> None:
    (dumps / "start.bin").write_bytes(dump(1000))
    async with opened(source_of(dumps)) as source:
        assert await following(source) == (1, 1000)

        def burst() -> None:
            for number in range(200):
                (dumps / f"{number:03}.bin.gz").write_bytes(gzip.compress(dump(number), 1))

        writing = asyncio.create_task(asyncio.to_thread(burst))
        seen = [await following(source) for _ in range(200)]
        await writing
        assert seen == [(number + 2, number) for number in range(200)]
        await nothing_follows(source, 4 * SETTLE)
        assert source.notes == []


async def test_a_burst_comes_by_time_then_name_whatever_its_order_in_the_folder(
    dumps: Path,
) -> None:
    (dumps / "start.bin").write_bytes(dump(1000))
    async with opened(source_of(dumps)) as source:
        await following(source)
        for number in (3, 1, 2, 0):
            path = dumps / f".{number}"
            path.write_bytes(dump(number))
            # 0 and 1 share a time
            os.utime(path, ns=(0, (1 + number // 2) * 10**9))
        for number in (3, 1, 2, 0):
            (dumps / f".{number}").rename(dumps / f"{number}.bin")
        assert [(await following(source))[1] for _ in range(4)] == [0, 1, 2, 3]


async def test_a_file_that_grows_slowly_is_taken_whole(dumps: Path) -> None:
    (dumps / "start.bin").write_bytes(dump(1000))
    whole = dump(7)
    async with opened(source_of(dumps)) as source:
        await following(source)

        def grow() -> float:
            with (dumps / "slow.bin").open("wb") as stream:
                for at in range(0, SIZE, SIZE // 16):
                    stream.write(whole[at : at + SIZE // 16])
                    stream.flush()
                    time.sleep(SETTLE / 3)
            return time.monotonic()

        growing = asyncio.create_task(asyncio.to_thread(grow))
        assert await following(source) == (2, 7)
        assert growing.done()
        assert await source.fetch([Span(BASE, SIZE)]) == [whole]
        await nothing_follows(source, 4 * SETTLE)
        assert source.notes == []


async def test_a_writer_that_pauses_is_passed_over_until_it_goes_on(dumps: Path) -> None:
    (dumps / "start.bin").write_bytes(dump(1000))
    packed = gzip.compress(os.urandom(SIZE - 4) + bytes(4))
    async with opened(source_of(dumps)) as source:
        await following(source)
        with (dumps / "slow.bin.gz").open("wb") as stream:
            stream.write(packed[:1000])
            stream.flush()
            await nothing_follows(source, 6 * SETTLE)
            (note,) = source.notes
            assert note.startswith("slow.bin.gz: is passed over: gzip: ")
            stream.write(packed[1000:])
        number, _ = await following(source)
        assert number == 2
        assert await source.fetch([Span(BASE, SIZE)]) == [gzip.decompress(packed)]


async def test_broken_dumps_are_noted_and_passed_over(dumps: Path) -> None:
    (dumps / "start.bin").write_bytes(dump(1000))
    async with opened(source_of(dumps)) as source:
        await following(source)
        (dumps / "a.bin").write_bytes(b"")
        (dumps / "b.bin.gz").write_bytes(gzip.compress(dump(1))[:-9])
        (dumps / "c.elf").write_bytes(b"\x7fELF\x01\x02\x01" + bytes(45))
        (dumps / "d.bin").write_bytes(dump(5))
        assert await following(source) == (2, 5)
        # files of one clock tick come by name
        told = sorted(note.split(": ")[0] for note in source.notes)
        assert told == ["a.bin", "b.bin.gz", "c.elf"]
        assert all(": is passed over: " in note for note in source.notes)


async def test_a_file_renamed_into_place_counts_and_one_renamed_later_does_not(
    dumps: Path,
) -> None:
    (dumps / "start.bin").write_bytes(dump(1000))
    async with opened(source_of(dumps, pattern="*.bin")) as source:
        await following(source)
        part = dumps / "new.part"
        part.write_bytes(dump(3))
        await nothing_follows(source, 4 * SETTLE)
        part.rename(dumps / "new.bin")
        assert await following(source) == (2, 3)
        (dumps / "new.bin").rename(dumps / "kept.bin")
        await nothing_follows(source, 4 * SETTLE)
        # the same name again, with the same size
        part.write_bytes(dump(4))
        part.replace(dumps / "kept.bin")
        assert await following(source) == (3, 4)
        assert source.notes == []


async def test_a_dump_that_is_overwritten_is_a_new_one(dumps: Path) -> None:
    path = dumps / "always.bin"
    path.write_bytes(dump(1))
    async with opened(source_of(dumps)) as source:
        assert await following(source) == (1, 1)
        for number in (2, 3):
            path.write_bytes(dump(number))
            assert await following(source) == (number, number)


async def test_a_dump_that_changes_while_it_is_decoded_is_read_again(
    dumps: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (dumps / "a.bin").write_bytes(dump(1))
    real = FileDump.open
    path = dumps / "b.bin"

    async def overtaken(self: FileDump, guest: MemoryMap) -> Opened:
        held = await real(self, guest)
        if self.path == path:
            monkeypatch.setattr(FileDump, "open", real)
            path.write_bytes(dump(3))
        return held

    async with opened(source_of(dumps)) as source:
        await following(source)
        monkeypatch.setattr(FileDump, "open", overtaken)
        path.write_bytes(dump(2))
        assert await following(source) == (2, 3)
        assert source.notes == []


async def test_of_those_there_at_the_start_only_the_newest_is_taken(dumps: Path) -> None:
    for number in range(3):
        path = dumps / f"{number}.bin"
        path.write_bytes(dump(number))
        os.utime(path, (0, 100 - number))
    async with opened(source_of(dumps)) as source:
        assert source.notes == ["3 dumps were there at the start: only the newest, 0.bin, is taken"]
        assert await shown(source) == 0
        assert await following(source) == (1, 0)
        await nothing_follows(source, 4 * SETTLE)


async def test_a_broken_newest_at_the_start_gives_way_to_the_next(dumps: Path) -> None:
    for age, data in enumerate((b"", dump(2), dump(3))):
        path = dumps / f"{age}.bin"
        path.write_bytes(data)
        os.utime(path, (0, 100 - age))
    async with opened(source_of(dumps)) as source:
        assert await following(source) == (1, 2)
        assert source.notes[0].startswith("0.bin: is passed over: is empty")


async def test_an_empty_folder_is_waited_at(dumps: Path) -> None:
    source = source_of(dumps)
    opening = asyncio.create_task(source.open(MEMORY))
    await asyncio.sleep(3 * SETTLE)
    assert not opening.done()
    (dumps / "sub").mkdir()
    (dumps / ".hidden").write_bytes(dump(8))
    (dumps / "first.bin").write_bytes(dump(9, 0x800))
    async with asyncio.timeout(TIMEOUT):
        held = await opening
    assert held.memory.regions == (Region("ram", BASE, 0x800),)
    assert await following(source) == (1, 9)
    await source.close()


async def test_later_dumps_may_hold_less_or_more(dumps: Path) -> None:
    (dumps / "a.bin").write_bytes(dump(1, 0x800))
    async with opened(source_of(dumps)) as source:
        await following(source)
        assert source.notes == ["a.bin: holds the first 0x800 of 0x1000 bytes of ram"]
        source.notes.clear()
        (dumps / "b.bin").write_bytes(dump(2, 0x400))
        assert await following(source) == (2, 2)
        assert await source.fetch([Span(BASE + 0x400, 0x100), FIRST]) == [None, dump(2)[:0x100]]
        source.notes.clear()
        (dumps / "c.bin").write_bytes(dump(3))
        assert await following(source) == (3, 3)
        assert source.notes == ["c.bin: holds more than the first dump did, which is not looked at"]


async def test_the_present_dump_stays_until_the_next_is_waited_for(dumps: Path) -> None:
    (dumps / "a.bin").write_bytes(dump(1))
    async with opened(source_of(dumps)) as source:
        await following(source)
        (dumps / "b.bin").write_bytes(dump(2))
        await asyncio.sleep(4 * SETTLE)
        assert await shown(source) == 1
        assert await following(source) == (2, 2)


async def test_a_missing_folder_is_lost(tmp_path: Path) -> None:
    source = source_of(tmp_path / "dumps")
    with pytest.raises(SourceLost) as caught:
        await source.open(MEMORY)
    assert str(caught.value) == (
        f"folder dumps: {tmp_path / 'dumps'} is not there: is the path relative to the bridge file?"
    )
    (tmp_path / "dumps").write_bytes(b"")
    with pytest.raises(SourceUnusable) as unusable:
        await source.open(MEMORY)
    assert str(unusable.value) == (
        f'folder dumps: {tmp_path / "dumps"} is not a folder: name the folder, or use kind = "file"'
    )


@pytest.mark.parametrize("replaced", [False, True])
async def test_a_folder_that_goes_is_lost_and_may_come_back(dumps: Path, replaced: bool) -> None:
    (dumps / "a.bin").write_bytes(dump(1))
    source = source_of(dumps)
    async with opened(source):
        await following(source)
        take_away(dumps)
        if replaced:
            make(dumps)
        with pytest.raises(SourceLost) as caught:
            await following(source)
        assert str(caught.value) in (
            f"folder dumps: {dumps} is not there: is the path relative to the bridge file?",
            f"folder dumps: {dumps} was replaced by another folder",
        )
        with pytest.raises(SourceLost):
            await source.fetch([FIRST])
    make(dumps)
    (dumps / "b.bin").write_bytes(dump(2))
    async with opened(source):
        assert await following(source) == (1, 2)


async def test_it_ends_while_it_is_waited_for(dumps: Path) -> None:
    source = source_of(dumps)
    opening = asyncio.create_task(source.open(MEMORY))
    await asyncio.sleep(2 * SETTLE)
    opening.cancel()
    with pytest.raises(asyncio.CancelledError):
        await opening
    (dumps / "a.bin").write_bytes(dump(1))
    async with opened(source):
        await following(source)
        waiting = asyncio.create_task(source.wait())
        await asyncio.sleep(2 * SETTLE)
        await source.close()
        with pytest.raises(SourceLost) as caught:
            await asyncio.wait_for(waiting, TIMEOUT)
        assert caught.value.detail == "is closed"


@pytest.fixture
def untold(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise OSError(28, "no space left on device")

    monkeypatch.setattr("watchfiles.awatch", fail)


@pytest.mark.usefixtures("untold")
async def test_without_the_systems_events_it_looks_by_itself(dumps: Path) -> None:
    (dumps / "a.bin").write_bytes(dump(1))
    async with opened(source_of(dumps)) as source:
        assert await following(source) == (1, 1)
        for number in (2, 3):
            (dumps / f"{number}.bin").write_bytes(dump(number))
            assert await following(source) == (number, number)
        assert source.notes == [
            "the system tells of no changes ([Errno 28] no space left on device): looked at "
            "4 times a second instead"
        ]


@pytest.mark.parametrize("failures", [2, 9])
async def test_a_dump_that_another_program_keeps_is_tried_again(
    dumps: Path, monkeypatch: pytest.MonkeyPatch, failures: int
) -> None:
    (dumps / "a.bin").write_bytes(dump(1))
    left = failures

    def kept(path: Path) -> BinaryIO:
        nonlocal left
        if path.name == "kept.bin" and left:
            left -= 1
            raise PermissionError(13, "kept by another program")
        return open_stream(path)

    async with opened(source_of(dumps)) as source:
        await following(source)
        # it settles only after what follows
        (dumps / "kept.bin").write_bytes(dump(2))
        monkeypatch.setattr("adapters.sources.dumps.file.open_stream", kept)
        if failures < folder.MAX_TRIES:
            assert await following(source) == (2, 2)
            assert source.notes == []
            return
        for _ in range(20):  # more than one for a busy machine
            await nothing_follows(source, 2 * SETTLE * (folder.MAX_TRIES + 2))
            if source.notes:
                break
        assert source.notes == [
            f"kept.bin: is passed over: {dumps / 'kept.bin'} may not be read: check its permissions"
        ]
        assert left == failures - folder.MAX_TRIES


async def test_a_dump_that_windows_says_is_held_is_waited_for(
    dumps: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However often: a writer of a large dump keeps it for long (ERROR_SHARING_VIOLATION)."""
    (dumps / "a.bin").write_bytes(dump(1))
    left = 3 * folder.MAX_TRIES

    def kept(path: Path) -> BinaryIO:
        nonlocal left
        if path.name == "kept.bin" and left:
            left -= 1
            fault = PermissionError(13, "the process cannot access the file")
            fault.winerror = HELD_BY_ANOTHER  # type: ignore[attr-defined,unused-ignore]
            raise fault
        return open_stream(path)

    monkeypatch.setattr("adapters.sources.dumps.file.open_stream", kept)
    async with opened(source_of(dumps)) as source:
        await following(source)
        (dumps / "kept.bin").write_bytes(dump(2))
        assert await following(source) == (2, 2)
        assert source.notes == [
            "kept.bin: is held by a program that lets no other read it: it is waited for"
        ]
    assert left == 0
