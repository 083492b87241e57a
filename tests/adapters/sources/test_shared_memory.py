"""A file that changes while it is read."""

from __future__ import annotations

import asyncio
import itertools
import mmap
import os
import random
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NoReturn

import pytest

from adapters.sources import shared
from adapters.sources.process import file_holder
from adapters.sources.shared import SharedMemory
from bridge.memory.address_map import MemoryMap, Region, Span
from schemas.errors import SourceLost, SourceUnusable
from schemas.source_settings import SharedSource

MEMORY = MemoryMap([Region("ram", 0x8000_0000, 0x2000), Region("pad", 0xBFC0_0000, 0x800)])
IMAGE = random.Random(9).randbytes(0x2000)
an_open_file_can_be_replaced = pytest.mark.skipif(
    sys.platform == "win32", reason="Windows neither removes nor replaces an open file"
)
WHOLE = [Span(0x8000_0000, 0x2000)]


def write(path: Path, data: bytes) -> None:
    """The emulator's side, which is in no hurry: the tests have one task only."""
    path.write_bytes(data)


def replace(path: Path) -> None:
    path.rename(path.with_suffix(".old"))
    write(path, IMAGE)


def remove(path: Path) -> None:
    path.unlink()


class Clock:
    """Seconds that the test counts."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def ram(tmp_path: Path) -> Path:
    path = tmp_path / "ram"
    path.write_bytes(IMAGE)
    return path


def source_of(path: Path, clock: Clock | None = None, **settings: Any) -> SharedMemory:
    return SharedMemory(
        SharedSource(kind="shared", path=path.name, **settings), path.parent, clock=clock or Clock()
    )


async def test_each_read_sees_what_stands_there_now(ram: Path) -> None:
    source = source_of(ram)
    assert (await source.open(MEMORY)).memory.regions == MEMORY.regions[:1]
    assert await source.fetch(WHOLE) == [IMAGE]
    with ram.open("r+b") as file:
        file.seek(0x100)
        file.write(b"lamp")
    assert await source.fetch([Span(0x8000_0100, 0x100)]) == [b"lamp" + IMAGE[0x104:0x200]]
    await source.close()


async def test_offset_and_region(ram: Path) -> None:
    source = source_of(ram, offset=0x30, region="pad")
    assert (await source.open(MEMORY)).memory.regions == MEMORY.regions[1:]
    assert await source.fetch([Span(0xBFC0_0700, 0x100)]) == [IMAGE[0x730:0x830]]
    await source.close()


async def test_a_file_shorter_than_the_region_holds_less(ram: Path) -> None:
    write(ram, IMAGE[:0x1234])
    source = source_of(ram)
    opened = await source.open(MEMORY)
    assert opened.memory.regions == (Region("ram", 0x8000_0000, 0x1234),)
    assert await source.fetch([Span(0x8000_1200, 0x34)]) == [IMAGE[0x1200:0x1234]]
    await source.close()


async def test_fault_11_a_truncated_file_is_lost_at_the_read(ram: Path) -> None:
    source = source_of(ram)
    await source.open(MEMORY)
    with ram.open("r+b") as file:
        file.truncate(0x1080)
    with pytest.raises(SourceLost) as caught:
        await source.fetch([Span(0x8000_1000, 0x100)])
    assert str(caught.value) == (
        f"shared ram: {ram} shrank: expected 256 bytes at offset 0x1000, found 128"
    )
    assert (caught.value.address, caught.value.length) == (0x8000_1000, 0x100)
    await source.close()


def test_fault_11_a_truncated_file_does_not_end_the_process(ram: Path) -> None:
    """In a process of its own: a mapped file would end it by SIGBUS."""
    program = """
import asyncio, os, pathlib, sys
from adapters.sources.shared import SharedMemory
from bridge.memory.address_map import MemoryMap, Region, Span
from schemas.errors import SourceLost
from schemas.source_settings import SharedSource
async def main():
    path = pathlib.Path(sys.argv[1])
    source = SharedMemory(SharedSource(kind="shared", path=path.name), path.parent)
    await source.open(MemoryMap([Region("ram", 0x80000000, 0x2000)]))
    os.truncate(path, 0)
    try:
        await source.fetch([Span(0x80000000, 0x2000)])
    except SourceLost as error:
        print("lost:", error.length)
asyncio.run(main())
"""
    root = Path(shared.__file__).parents[2]
    done = subprocess.run(
        [sys.executable, "-c", program, str(ram)],
        cwd=root, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (0, "lost: 8192\n"), done.stderr


async def test_fault_11_a_truncated_file_is_lost_at_the_look(ram: Path) -> None:
    clock = Clock()
    source = source_of(ram, clock)
    await source.open(MEMORY)
    with ram.open("r+b") as file:
        file.truncate(0x1080)
    first = [Span(0x8000_0000, 0x100)]
    assert await source.fetch(first) == [IMAGE[:0x100]]
    clock.now = shared.LOOK_EVERY
    with pytest.raises(SourceLost) as caught:
        await source.fetch(first)
    assert caught.value.detail == (
        f"{ram} shrank: expected 0x2000 bytes from offset 0x0 on, found 0x1080"
    )
    await source.close()


async def test_a_file_that_its_emulator_has_mapped_stays_the_same_file(ram: Path) -> None:
    """Under Wine, Python cannot tell by the path alone which file such a one is."""
    clock = Clock()
    source = source_of(ram, clock)
    with ram.open("r+b") as file, mmap.mmap(file.fileno(), 0) as written:
        await source.open(MEMORY)
        for seconds in range(3):
            clock.now = seconds * shared.LOOK_EVERY
            written[0] = seconds
            assert await source.fetch([Span(0x8000_0000, 1)]) == [bytes([seconds])]
        await source.close()


@an_open_file_can_be_replaced
async def test_a_replaced_file_is_lost_within_a_second(ram: Path) -> None:
    clock = Clock()
    source = source_of(ram, clock)
    await source.open(MEMORY)
    other = ram.with_name("other")
    write(other, bytes(0x2000))
    other.replace(ram)
    clock.now = shared.LOOK_EVERY * 0.9
    assert await source.fetch(WHOLE) == [IMAGE]
    clock.now = shared.LOOK_EVERY
    with pytest.raises(SourceLost) as caught:
        await source.fetch(WHOLE)
    assert caught.value.detail == f"{ram} is another file now: the emulator was started again"
    assert (await source.open(MEMORY)).memory.regions == MEMORY.regions[:1]
    assert await source.fetch(WHOLE) == [bytes(0x2000)]
    await source.close()


@an_open_file_can_be_replaced
async def test_a_removed_file_is_lost_within_a_second(ram: Path) -> None:
    clock = Clock()
    source = source_of(ram, clock)
    await source.open(MEMORY)
    remove(ram)
    clock.now = shared.LOOK_EVERY
    with pytest.raises(SourceLost) as caught:
        await source.fetch(WHOLE)
    assert caught.value.detail == f"{ram} is not there: is the emulator running?"
    await source.close()


async def test_a_file_that_may_no_longer_be_seen_is_lost(
    ram: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What Windows says of a file that was removed while it was open: ERROR_ACCESS_DENIED."""
    clock = Clock()
    source = source_of(ram, clock)
    await source.open(MEMORY)

    def refuse(path: Path) -> os.stat_result:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "stat", refuse)
    clock.now = shared.LOOK_EVERY
    with pytest.raises(SourceLost) as caught:
        await source.fetch(WHOLE)
    assert caught.value.detail == f"{ram} may no longer be read: is it being removed?"
    monkeypatch.undo()
    await source.close()


async def test_a_file_that_grows_to_its_region_is_opened_again(ram: Path) -> None:
    clock = Clock()
    write(ram, IMAGE[:0x1000])
    source = source_of(ram, clock)
    await source.open(MEMORY)
    write(ram, IMAGE)
    clock.now = shared.LOOK_EVERY
    with pytest.raises(SourceLost) as caught:
        await source.fetch([Span(0x8000_0000, 0x100)])
    assert caught.value.detail == f"{ram} has grown: it is opened again"
    assert (await source.open(MEMORY)).memory.regions == MEMORY.regions[:1]
    await source.close()


async def test_an_empty_file_may_still_fill(ram: Path) -> None:
    write(ram, b"")
    with pytest.raises(SourceLost) as caught:
        await source_of(ram, offset=0x40).open(MEMORY)
    assert caught.value.detail == (
        "expected guest RAM at offset 0x40, found a file of 0x0 bytes: is the emulator still "
        "starting?"
    )


async def test_a_file_that_is_not_there(ram: Path) -> None:
    remove(ram)
    with pytest.raises(SourceLost) as caught:
        await source_of(ram).open(MEMORY)
    assert str(caught.value) == f"shared ram: {ram} is not there: is the emulator running?"
    assert isinstance(caught.value.__cause__, FileNotFoundError)


async def test_a_folder_is_unusable(ram: Path) -> None:
    source = SharedMemory(SharedSource(kind="shared", path="."), ram.parent)
    with pytest.raises(SourceUnusable) as caught:
        await source.open(MEMORY)
    assert caught.value.detail == f"{ram.parent} is not a regular file"


async def test_an_unknown_region_is_unusable(ram: Path) -> None:
    with pytest.raises(SourceUnusable) as caught:
        await source_of(ram, region="rom").open(MEMORY)
    assert caught.value.detail == 'expected one of the regions ram, pad, found "rom"'


@pytest.mark.parametrize("preadv", [True, False])
async def test_all_of_it_is_read_beside_the_sampler(
    ram: Path, monkeypatch: pytest.MonkeyPatch, preadv: bool
) -> None:
    """Windows has no preadv: there the file is opened again, for a position of its own."""
    if not preadv:
        monkeypatch.setattr(shared, "_preadv", None)
    source = source_of(ram)
    assert source.bulk_reader() is None
    await source.open(MEMORY)
    reader = source.bulk_reader()
    assert reader is not None
    assert list(reader.spans) == WHOLE
    into = memoryview(bytearray(len(IMAGE)))
    reader.read_into(0x8000_0000, into)
    assert into == IMAGE
    assert await source.fetch([Span(0x8000_1000, 0x100)]) == [IMAGE[0x1000:0x1100]]
    reader.read_into(0x8000_0100, into[:0x80])
    assert into[:0x80] == IMAGE[0x100:0x180]
    with ram.open("r+b") as file:
        file.truncate(0x1000)
    with pytest.raises(SourceLost, match="shrank"):
        reader.read_into(0x8000_0000, into)
    reader.close()
    await source.close()


@pytest.mark.posix("what is open cannot be replaced there")
async def test_another_file_is_not_taken_for_the_one_that_is_open(
    ram: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shared, "_preadv", None)
    source = source_of(ram)
    await source.open(MEMORY)
    replace(ram)
    with pytest.raises(SourceLost, match="is another file now"):
        source.bulk_reader()
    await source.close()


async def test_the_way_of_a_system_without_pread(
    ram: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shared, "read_at", shared.seek_and_read)
    source = source_of(ram)
    await source.open(MEMORY)
    assert await source.fetch([Span(0x8000_1000, 0x100), Span(0x8000_0000, 0x100)]) == [
        IMAGE[0x1000:0x1100],
        IMAGE[:0x100],
    ]
    with ram.open("r+b") as file:
        file.truncate(0)
    with pytest.raises(SourceLost, match="shrank"):
        await source.fetch(WHOLE)
    await source.close()


async def test_a_span_is_one_read(ram: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    reads: list[tuple[int, int]] = []
    plain = shared.read_at

    def counting(file: int, length: int, offset: int) -> bytes:
        reads.append((length, offset))
        return plain(file, length, offset)

    monkeypatch.setattr(shared, "read_at", counting)
    source = source_of(ram)
    await source.open(MEMORY)
    await source.fetch([Span(0x8000_0000, 0x1000), Span(0x8000_1F00, 0x100)])
    assert reads == [(0x1000, 0), (0x100, 0x1F00)]
    await source.close()


HOLDER = """
import mmap, sys, time
with open(sys.argv[1], "r+b") as file:
    held = mmap.mmap(file.fileno(), 0)
    print("held", flush=True)
    time.sleep(120)
"""


@contextmanager
def emulator(path: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A process that keeps its memory in the file."""
    child = subprocess.Popen([sys.executable, "-c", HOLDER, str(path)], stdout=subprocess.PIPE)
    assert child.stdout is not None
    try:
        assert child.stdout.readline() == b"held\n"
        yield child
    finally:
        child.kill()
        child.wait()
        child.stdout.close()


async def until_lost(source: SharedMemory, clock: Clock) -> str:
    """Fetches twice a second by the source's clock, until it is lost; gives why."""
    for _ in range(200):
        clock.now += shared.LOOK_EVERY
        try:
            await source.fetch(WHOLE)
        except SourceLost as fault:
            return fault.detail
        await asyncio.sleep(0.02)
    return "never"


needs_maps = pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")


@needs_maps
async def test_a_file_that_its_emulator_leaves_behind_is_lost_with_it(ram: Path) -> None:
    clock = Clock()
    source = source_of(ram, clock)
    with emulator(ram) as child:
        await source.open(MEMORY)
        for _ in range(200):
            clock.now += shared.LOOK_EVERY
            assert await source.fetch(WHOLE) == [IMAGE]
            if source.holder == child.pid:
                break
            await asyncio.sleep(0.02)
        assert source.holder == child.pid
        child.kill()
        # nobody has waited for it yet: it is still in the list of processes
        reason = await until_lost(source, clock)
    assert re.fullmatch(
        rf"process {child.pid} \(python[\w.]*\), which kept its memory in .*/ram, has ended", reason
    )
    # the file is there, and still nobody's
    with pytest.raises(SourceLost) as caught:
        await source.open(MEMORY)
    assert caught.value.detail == (
        f"no process keeps its memory in {ram} any more: is the emulator running?"
    )
    with emulator(ram) as child:
        await source.open(MEMORY)
        assert source.holder == child.pid
        assert await source.fetch(WHOLE) == [IMAGE]
    assert str(child.pid) in await until_lost(source, clock)
    # whoever writes the file anew has no need to keep it
    write(ram, IMAGE[::-1])
    await source.open(MEMORY)
    assert await source.fetch(WHOLE) == [IMAGE[::-1]]
    await source.close()


@needs_maps
async def test_a_file_that_nobody_maps_is_sought_an_owner_more_and_more_rarely(
    ram: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock, sought = Clock(), []

    def find(path: Path, file: os.stat_result) -> None:
        sought.append(clock.now)

    monkeypatch.setattr(shared, "find_holder", find)
    source = source_of(ram, clock)
    await source.open(MEMORY)
    while clock.now < 200:
        while source._seeking is not None:  # noqa: ASYNC110 - there is no event
            await asyncio.sleep(0.001)
        clock.now += shared.LOOK_EVERY
        await source.fetch(WHOLE)
    gaps = [after - before for before, after in itertools.pairwise(sought)]
    assert gaps == [1, 2, 4, 8, 16, 32, 60, 60]
    assert sought[0] == 0
    await source.close()


@needs_maps
def test_processes_that_may_not_be_looked_into_are_passed_over(
    ram: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(_: object) -> NoReturn:
        raise PermissionError(13, "Permission denied")

    with emulator(ram) as child:
        found = file_holder.find_holder(ram, ram.stat())
        assert found is not None
        assert (found.pid, found.ended) == (child.pid, False)
        monkeypatch.setattr(Path, "read_bytes", refuse)
        assert file_holder.find_holder(ram, ram.stat()) is None


@needs_maps
def test_only_a_shared_writable_mapping_makes_a_holder(ram: Path) -> None:
    reader = HOLDER.replace('"r+b"', '"rb"').replace(", 0)", ", 0, access=mmap.ACCESS_READ)")
    child = subprocess.Popen([sys.executable, "-c", reader, str(ram)], stdout=subprocess.PIPE)
    assert child.stdout is not None
    try:
        assert child.stdout.readline() == b"held\n"
        assert file_holder.find_holder(ram, ram.stat()) is None
    finally:
        child.kill()
        child.wait()
        child.stdout.close()
