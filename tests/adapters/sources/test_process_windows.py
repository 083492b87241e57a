"""The process source on Windows, whose calls are made up: so this runs everywhere.

What the calls answer is as the Win32 API reference documents it; ``tests/windows`` makes them.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from adapters.sources.process.source import LOOK_EVERY, ProcessMemory
from adapters.sources.process.windows import Windows
from adapters.sources.windows.calls import _SIGNATURES, FILE_MAP_READ, PROCESS_RIGHTS
from adapters.sources.windows.kernel32 import Handle
from adapters.sources.windows.region_reader import MAX_GAP, RegionReader
from adapters.sources.windows.structures import ProcessEntry32W, process_entry
from bridge.memory.address_map import MemoryMap, Span
from bridge.memory.byte_order import ByteOrder, reorder
from bridge.ports.guest_reader import GuestReader
from bridge.prepared import PreparedBuild, memory_map, prepare
from schemas.errors import SourceError, SourceLost, SourceUnusable
from schemas.loader import load_bridge
from schemas.source_settings import ProcessSource
from tests.adapters.sources.made_windows import (
    EXECUTE,
    FREE,
    GUARD,
    IMAGE,
    MAPPED,
    NOACCESS,
    READ_ONLY,
    READ_WRITE,
    RESERVE,
    SECOND,
    STILL_ACTIVE,
    MadeWindows,
    Pages,
    Process,
)
from tests.adapters.sources.test_process_elsewhere import BRIDGE, SCHEMA

SIZE = 0x8000
BASE = 0x8000_0000
AT = 0x1_4000_0000
EMULATOR = 5000070


class Rig:
    """One emulator that keeps guest RAM in words of 32 bits, in pages of its own."""

    def __init__(self, folder: Path) -> None:
        (folder / "g.schema.toml").write_text(SCHEMA.replace("0x2000", "0x8000"), "utf-8")
        (folder / "g.bridge.toml").write_text(BRIDGE, "utf-8")
        bridge = load_bridge(folder / "g.bridge.toml")
        self.builds: dict[str, PreparedBuild] = prepare(bridge)
        self.memory: MemoryMap = memory_map(bridge.schema)
        self.guest = bytearray(os.urandom(SIZE))
        self.guest[0x400:0x40E] = b"TIDEWRIGHT 1.0"
        self.ram = bytearray(reorder(bytes(self.guest), ByteOrder.SWAP32))
        self.windows = MadeWindows()
        self.emulator = Process("TideEmu.exe", pages=[])
        self.lay(Pages(AT, self.ram))
        self.windows.all = {0: Process("[System Process]", refused=True), EMULATOR: self.emulator}
        self.now = 0.0

    def lay(self, *pages: Pages) -> None:
        """What the emulator's memory is, besides its program."""
        program = Pages(0x40_0000, bytearray(0x1000), READ_ONLY, IMAGE, file="\\Device\\1\\e.exe")
        self.emulator.pages = [program, *pages]

    def source(self, **settings: object) -> ProcessMemory:
        made = ProcessSource.model_validate({"kind": "process", **settings})
        system = Windows(self.windows)
        return ProcessMemory(made, self.builds, clock=lambda: self.now, system=system)

    async def refused(self, **settings: object) -> SourceError:
        source = self.source(**settings)
        with pytest.raises(SourceError) as caught:
            await source.open(self.memory)
        return caught.value


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    return Rig(tmp_path)


def cut(at: int, protect: int, ram: bytearray) -> list[Pages]:
    """The RAM with one page in it that is otherwise."""
    return [
        Pages(AT, ram[:at], allocation=AT),
        Pages(AT + at, ram[at : at + 0x1000], protect, allocation=AT),
        Pages(AT + at + 0x1000, ram[at + 0x1000 :], allocation=AT),
    ]


@pytest.mark.parametrize(
    "settings",
    [{"pid": EMULATOR}, {"name": "tideemu"}, {"name": "TideEmu.exe"}, {"name": "TIDEEMU.EXE"}],
)
async def test_it_is_found_by_name_and_by_number(rig: Rig, settings: dict[str, object]) -> None:
    source = rig.source(**settings)
    opened = await source.open(rig.memory)
    assert (source.address, source.declared_order) == (AT, ByteOrder.SWAP32)
    reader = GuestReader(source, opened, ByteOrder.SWAP32)
    assert await reader.fetch([Span(BASE, SIZE)]) == [bytes(rig.guest)]
    await source.close()


async def test_handles_are_given_back(rig: Rig) -> None:
    source = rig.source(name="tideemu")
    await source.open(rig.memory)
    assert rig.windows.open
    await source.close()
    assert rig.windows.open == {}


async def test_processes_are_listed_once_for_all_of_them(rig: Rig) -> None:
    rig.windows.all |= {5000080 + i: Process(f"gull{i}.exe") for i in range(50)}
    source = rig.source(name="tideemu")
    await source.open(rig.memory)
    assert rig.windows.lists == 1
    await source.close()


def test_no_right_is_asked_for_but_to_query_and_to_read() -> None:
    # Win32 API reference: PROCESS_VM_READ 0x0010, PROCESS_QUERY_INFORMATION 0x0400; FILE_MAP_READ 4
    assert (PROCESS_RIGHTS, FILE_MAP_READ) == (0x0410, 4)
    # none of them writes, allocates, protects, suspends or starts anything in a process
    assert sorted(_SIGNATURES) == [
        *("CloseHandle", "CreateToolhelp32Snapshot", "GetConsoleProcessList"),
        "GetCurrentProcess",
        *("GetExitCodeProcess", "GetProcessTimes", "GetSystemTimeAsFileTime", "IsWow64Process"),
        *("K32GetMappedFileNameW", "MapViewOfFile", "OpenFileMappingW", "OpenProcess"),
        *("Process32FirstW", "Process32NextW", "ProcessIdToSessionId"),
        *("QueryFullProcessImageNameW", "ReadProcessMemory", "UnmapViewOfFile", "VirtualQueryEx"),
    ]


async def test_a_program_that_was_started_here_is_it(rig: Rig) -> None:
    own = os.getpid()
    rig.windows.all[own] = Process("python.exe", start=5 * SECOND)
    rig.emulator.parent, rig.emulator.start = own, 6 * SECOND
    source = rig.source()
    await source.open(rig.memory)
    assert source.address == AT
    await source.close()


async def test_the_number_of_an_ended_parent_is_nobodys(rig: Rig) -> None:
    """A number may be given again: what began before its parent is not its child."""
    own = os.getpid()
    rig.windows.all[own] = Process("python.exe", start=5 * SECOND)
    rig.emulator.parent, rig.emulator.start = own, 4 * SECOND
    fault = await rig.refused()
    assert fault.detail.startswith("which process? set name or pid in [source]")


@pytest.mark.parametrize("protect", [READ_WRITE | GUARD, NOACCESS, EXECUTE])
async def test_a_page_that_may_not_be_read_is_left_alone(rig: Rig, protect: int) -> None:
    rig.lay(*cut(0x4000, protect, rig.ram))
    source = rig.source(name="tideemu")
    opened = await source.open(rig.memory)
    assert (source.address, opened.memory.regions[0].size) == (AT, SIZE)
    reader = GuestReader(source, opened, ByteOrder.SWAP32)
    spans = [Span(BASE + at, 0x800) for at in range(0, SIZE, 0x800)]
    expected = [bytes(rig.guest[at : at + 0x800]) for at in range(0, SIZE, 0x800)]
    assert await reader.fetch(spans) == [*expected[:8], None, None, *expected[10:]]
    # made Windows fails where a guard page is read; the others are not even tried
    assert all(at + n <= AT + 0x4000 or at >= AT + 0x5000 for at, n in rig.windows.reads)
    await source.close()


async def test_what_is_reserved_or_free_is_left_alone(rig: Rig) -> None:
    rig.lay(
        Pages(AT - 0x10000, bytearray(0x10000), state=RESERVE),
        Pages(AT, rig.ram),
        Pages(AT + 0x20000, bytearray(0x10000), NOACCESS, state=RESERVE),
    )
    source = rig.source(name="tideemu")
    await source.open(rig.memory)
    assert source.address == AT
    await source.close()


async def test_ram_in_a_view_of_a_file_mapping(rig: Rig) -> None:
    data = bytearray(0x1000) + rig.ram
    rig.lay(Pages(AT, data, kind=MAPPED, file="\\Device\\1\\ram"))
    source = rig.source(name="tideemu")
    await source.open(rig.memory)
    assert source.address == AT + 0x1000
    assert "\\Device\\1\\ram" in source.paths
    await source.close()


async def test_ram_in_a_programs_own_data(rig: Rig) -> None:
    rig.lay(Pages(0x40_1000, rig.ram, kind=IMAGE, allocation=0x40_0000, file="\\Device\\1\\e.exe"))
    source = rig.source(name="tideemu")
    await source.open(rig.memory)
    assert source.address == 0x40_1000
    await source.close()


def ended(rig: Rig) -> None:
    rig.emulator.runs = False


def ended_with_259(rig: Rig) -> None:
    """GetExitCodeProcess says the same of a process that runs."""
    rig.emulator.runs, rig.emulator.exit_code = False, STILL_ACTIVE


def gone(rig: Rig) -> None:
    del rig.windows.all[EMULATOR]
    rig.emulator.runs = False


def replaced(rig: Rig) -> None:
    """Nobody gets its number while it is held open; lowhalf must not rely on that alone."""
    rig.emulator.runs = False
    rig.windows.all[EMULATOR] = Process("gull.exe", start=7 * SECOND)


def given_back(rig: Rig) -> None:
    rig.lay(Pages(AT + 0x100000, rig.ram))


@pytest.mark.parametrize(
    ("change", "detail"),
    [
        (ended, "process 5000070 has ended"),
        (ended_with_259, "process 5000070 has ended"),
        (gone, "process 5000070 has ended"),
        (replaced, "process 5000070 has ended"),
        (
            given_back,
            f"ram is no longer at 0x{AT:X} in process 5000070: it is searched for again",
        ),
    ],
)
async def test_what_becomes_of_it_is_told(rig: Rig, change: object, detail: str) -> None:
    source = rig.source(name="tideemu")
    await source.open(rig.memory)
    assert callable(change)
    change(rig)
    rig.now += LOOK_EVERY
    with pytest.raises(SourceLost) as caught:
        await source.fetch([Span(BASE, 0x100)])
    assert caught.value.detail == detail
    await source.close()


async def test_it_is_found_again_after_a_restart(rig: Rig) -> None:
    source = rig.source(name="tideemu")
    for start in range(1, 21):
        pid, at = EMULATOR + start, AT + 0x10000 * start
        rig.emulator = Process("TideEmu.exe", start=start * SECOND, pages=[Pages(at, rig.ram)])
        rig.windows.all = {pid: rig.emulator}
        opened = await source.open(rig.memory)
        reader = GuestReader(source, opened, ByteOrder.SWAP32)
        assert await reader.fetch([Span(BASE, 0x100)]) == [bytes(rig.guest[:0x100])]
        assert source.address == at
        ended(rig)
        with pytest.raises(SourceLost) as caught:
            await source.fetch([Span(BASE, 0x100)])
        assert caught.value.detail == f"process {pid} has ended"
    await source.close()
    assert rig.windows.open == {}


async def test_another_users_process_is_refused(rig: Rig) -> None:
    rig.emulator.refused = True
    fault = await rig.refused(name="tideemu")
    assert isinstance(fault, SourceUnusable)
    assert fault.detail == (
        "process 5000070 (TideEmu.exe) may not be read: Windows denies it; run lowhalf and the "
        "emulator as the same user, and not as administrator unless the emulator is; where the "
        "emulator protects itself, use push, shared or debugger"
    )


async def test_a_program_without_ram_is_told(rig: Rig) -> None:
    rig.lay(Pages(AT, bytearray(0x1000)))
    fault = await rig.refused(name="tideemu")
    assert isinstance(fault, SourceLost)
    assert fault.detail == (
        "process 5000070 holds the recognise bytes of no build (print): does the game run?"
    )


async def test_nobody_has_the_name_or_the_number(rig: Rig) -> None:
    assert (await rig.refused(name="gull")).detail == (
        "no process is named gull: is the emulator running?"
    )
    assert (await rig.refused(pid=EMULATOR + 1)).detail.startswith("there is no process 5000071")


@pytest.mark.parametrize("own", [4, 8])
async def test_a_32_bit_emulator(rig: Rig, monkeypatch: pytest.MonkeyPatch, own: int) -> None:
    """Its memory lies below 4 GiB, and both a 32-bit and a 64-bit lowhalf reads it."""
    monkeypatch.setattr("adapters.sources.process.windows.POINTER_SIZE", own)
    at = 0xFFFD_0000
    rig.emulator.is_32_bit = True
    rig.lay(Pages(at - 0x10000, bytearray(0x10000), state=RESERVE), Pages(at, rig.ram))
    source = rig.source(name="tideemu")
    opened = await source.open(rig.memory)
    assert source.address == at
    reader = GuestReader(source, opened, ByteOrder.SWAP32)
    assert await reader.fetch([Span(BASE, SIZE)]) == [bytes(rig.guest)]
    await source.close()


async def test_a_32_bit_python_says_so(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("adapters.sources.process.windows.POINTER_SIZE", 4)
    fault = await rig.refused(name="tideemu")
    assert isinstance(fault, SourceUnusable)
    assert fault.detail == (
        "process 5000070: it may be a 64-bit program, and lowhalf runs on a 32-bit Python: install "
        "a 64-bit one"
    )


# one process is one's own in the same session


def test_what_is_ours(rig: Rig) -> None:
    system = Windows(rig.windows)
    rig.windows.all[9] = Process("gull.exe", session=2)
    assert [pid for pid in system.processes() if system.is_ours(pid)] == [EMULATOR]


# reads


def reader_of(*pages: Pages) -> tuple[MadeWindows, RegionReader]:
    windows = MadeWindows()
    windows.all[7] = Process("tide.exe", pages=list(pages))
    return windows, RegionReader(windows, Handle(windows, windows.open_process(7)), 7)


def test_near_ranges_are_read_by_one_call() -> None:
    data = bytearray(os.urandom(0x10000))
    windows, reader = reader_of(Pages(0x10000, data))
    ranges = [(0x10000, 0x100), (0x10200, 0x100), (0x10300 + MAX_GAP, 8), (0x18000, 0x100)]
    assert reader.read(ranges) == [bytes(data[at - 0x10000 :][:n]) for at, n in ranges]
    assert windows.reads == [(0x10000, 0x308 + MAX_GAP), (0x18000, 0x100)]


def test_ranges_in_any_order_and_over_each_other() -> None:
    data = bytearray(os.urandom(0x4000))
    _, reader = reader_of(Pages(0x10000, data))
    ranges = [(0x12000, 0x100), (0x10000, 0x3000), (0x10008, 8), (0x13FFF, 1), (0x10000, 1)]
    assert reader.read(ranges) == [bytes(data[at - 0x10000 :][:n]) for at, n in ranges]


def test_only_what_cannot_be_read_is_missing() -> None:
    """Two regions are read as one; behind the second there is nothing."""
    first, second = bytearray(os.urandom(0x1000)), bytearray(os.urandom(0x1000))
    _, reader = reader_of(Pages(0x10000, first), Pages(0x11000, second, READ_ONLY))
    ranges = [(0x10FF0, 0x20), (0x11FF8, 8), (0x11FF9, 8), (0x12000, 8), (0x10000, 8)]
    assert reader.read(ranges) == [
        bytes(first[0xFF0:] + second[:0x10]),
        bytes(second[0xFF8:]),
        *(None, None, bytes(first[:8])),
    ]
    assert reader.read([]) == []


def test_a_region_that_lost_its_pages_in_between_is_missing() -> None:
    """ERROR_PARTIAL_COPY: what was asked about has changed before it was read."""
    windows, reader = reader_of(Pages(0x10000, bytearray(b"lamp" * 0x1000)))
    first = True

    def partial(process: int, address: int, length: int) -> bytes | None:
        nonlocal first
        failed, first = first, False
        return None if failed else MadeWindows.read(windows, process, address, length)

    windows.read = partial  # type: ignore[method-assign]
    assert reader.read([(0x10000, 4), (0x11000, 4)]) == [b"lamp", b"lamp"]


def test_an_ended_process_is_told() -> None:
    windows, reader = reader_of(Pages(0x10000, bytearray(0x1000)))
    windows.all[7].runs = False
    with pytest.raises(ProcessLookupError):
        reader.read([(0x10000, 8)])


# structures


def test_a_name_ends_at_its_first_nul_and_need_not_be_sound() -> None:
    entry = ProcessEntry32W(th32ProcessID=4_000_000_000, th32ParentProcessID=8)
    for at, unit in enumerate([*b"t\xefde", 0xD800, 0, 0x41]):
        entry.szExeFile[at] = unit
    found = process_entry(entry)
    assert (found.pid, found.parent, found.name) == (4_000_000_000, 8, "t\xefde\ufffd")


def test_free_memory_ends_the_walk_nowhere(rig: Rig) -> None:
    mappings = Windows(rig.windows).mappings(EMULATOR)
    assert [(each.start, each.size) for each in mappings] == [(0x40_0000, 0x1000), (AT, SIZE)]
    region = rig.windows.query(rig.windows.open_process(EMULATOR), 0)
    assert region is not None
    assert region.state == FREE
