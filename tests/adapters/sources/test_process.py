"""Another process's memory, for real: a word-swapped host program and QEMU's private memory."""

from __future__ import annotations

import asyncio
import functools
import gzip
import json
import os
import shutil
import signal
import struct
import subprocess
import sys
import textwrap
import time
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import pytest

from adapters.sources.process import find_ram, linux, ram_search
from adapters.sources.process import source as process
from adapters.sources.process.process_memory import MAX_RANGES, ProcessBytes
from adapters.sources.process.source import ProcessMemory
from adapters.system_clock import SystemClock
from bridge.memory.address_map import MemoryMap, Span
from bridge.memory.byte_order import ByteOrder
from bridge.ports.guest_reader import GuestReader
from bridge.ports.source import Consistency, Opened
from bridge.prepared import PreparedBuild, memory_map, prepare
from bridge.sampling.sampler import Sampler
from bridge.sampling.setup import SamplingSetup
from schemas.compiler import Evidence
from schemas.errors import SourceLost, SourceUnusable
from schemas.loader import load_bridge
from schemas.source_settings import ProcessSource
from tests.adapters.sources.word_host import WordHost, compile_host
from tests.commands.command import Running
from tests.guest.machine import GuestMachine
from tests.guest.private_machine import PrivateMachine

ROOT = Path(__file__).parent.parent.parent.parent

pytestmark = [
    pytest.mark.skipif(sys.platform != "linux", reason="reads processes on Linux only"),
    pytest.mark.needs("gcc", "gcc"),
    pytest.mark.needs("libc6-dev", "/usr/include/stdio.h"),
]
as_root = pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() != 0, reason="needs root, to be another user too"
)
on_qemu = [
    pytest.mark.needs("qemu-system-mips", "qemu-system-mips"),
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc"),
]

BASE = 0x8000_0000
BEGAN, ENDED = 0x18_0000, 0x18_0010
"""Where first-print counts frames, from the start of its RAM."""
NOBODY = 65534

BRIDGE = """
schema = "SCHEMA"
[source]
kind = "process"
SOURCE
[sampling]
frame = "frame_began"
guard = { began = "frame_began", ended = "frame_ended" }
[[watches]]
name = "game_frame"
expr = "frame_began"
[[watches]]
name = "kind"
expr = "courier.kind"
[[watches]]
name = "held_x_low"
expr = "low(courier.held.position.x)"
"""


def write_bridge(directory: Path, source: str, text: str = BRIDGE) -> Path:
    schema = (ROOT / "schemas/games/tidewright.schema.toml").as_posix()
    path = directory / "host.bridge.toml"
    path.write_text(text.replace("SCHEMA", schema).replace("SOURCE", source), "utf-8")
    return path


class Rig:
    """The demo game's plans, a sample's image, and a way to start hosts and sources."""

    def __init__(self, directory: Path, program: Path) -> None:
        self.directory = directory
        self.program = program
        self.image = directory / "ram.bin"
        packed = ROOT / "sample_dumps" / "first-print-carry.bin.gz"
        self.image.write_bytes(gzip.decompress(packed.read_bytes()))
        self.bytes = self.image.read_bytes()
        self.path = write_bridge(directory, 'name = "tidehost"')
        bridge = load_bridge(self.path)
        self.prepared_builds: dict[str, PreparedBuild] = prepare(bridge)
        self.memory: MemoryMap = memory_map(bridge.schema)
        self.hosts: list[WordHost] = []

    def host(self, program: Path | None = None, **settings: Any) -> WordHost:
        settings = {"began": BEGAN, "ended": ENDED, **settings}
        host = WordHost(program or self.program, self.image, **settings)
        self.hosts.append(host)
        return host

    def source(self, **settings: Any) -> ProcessMemory:
        return ProcessMemory(ProcessSource(kind="process", **settings), self.prepared_builds)

    def sampler(self, source: ProcessMemory, opened: Opened) -> Sampler:
        setup = SamplingSetup(self.prepared_builds, self.memory, SystemClock(), rate=200)
        return Sampler(source, setup, opened)


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return compile_host(tmp_path_factory.mktemp("host"))


@pytest.fixture
async def rig(tmp_path: Path, program: Path) -> AsyncIterator[Rig]:
    made = Rig(tmp_path, program)
    yield made
    for host in made.hosts:
        host.close()


@pytest.fixture
def grown_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hosts that were started just now count as running for long."""
    monkeypatch.setattr(ram_search, "YOUNG", 0.0)


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Counters of hosts that stand still are not watched for long, nor is a look waited for."""
    monkeypatch.setattr(find_ram, "moving", functools.partial(find_ram.moving, longest=0.3))
    monkeypatch.setattr(process, "LOOK_EVERY", 0.05)


# -- finding the RAM


@pytest.mark.parametrize("order", list(ByteOrder))
async def test_it_finds_the_ram_in_every_byte_order(rig: Rig, order: ByteOrder) -> None:
    host = rig.host(order=order)
    source = rig.source(pid=host.pid)
    opened = await source.open(rig.memory)
    assert source.address == host.live
    assert source.declared_order is order
    assert source.consistency is Consistency.UNGUARDED
    assert opened.memory.regions == rig.memory.regions
    assert source.notes == []
    reader = GuestReader(source, opened, order)
    line = Span(BASE + 0x1_0000, 0x1000)
    assert await reader.fetch([line]) == [rig.bytes[0x1_0000:0x1_1000]]
    await source.close()


async def test_all_of_it_is_read_by_a_reader_of_its_own(rig: Rig) -> None:
    host = rig.host(order=ByteOrder.BIG)
    source = rig.source(pid=host.pid)
    opened = await source.open(rig.memory)
    bulk = source.bulk_reader()
    assert bulk is not None
    (span,) = bulk.spans
    assert [Span(region.start, region.size) for region in opened.memory.regions] == [span]
    into = memoryview(bytearray(span.length))
    for first, last in ((0, 0x123), (0x123, 0x10_0000), (0x10_0000, span.length)):
        bulk.read_into(span.address + first, into[first:last])
    # the host counts frames there
    assert into[:BEGAN] == rig.bytes[:BEGAN]
    assert into[BEGAN + 0x100 :] == rig.bytes[BEGAN + 0x100 :]
    with pytest.raises(SourceLost, match="a page is gone"):
        bulk.read_into(span.address - host.live, into[:8])
    host.close()
    with pytest.raises(SourceLost, match="cannot be read"):
        bulk.read_into(span.address, into)
    bulk.close()
    await source.close()


@pytest.mark.parametrize("copies", [1, 4, 20, pytest.param(200, marks=pytest.mark.full)])
async def test_of_several_copies_the_one_whose_counter_moves_wins(rig: Rig, copies: int) -> None:
    host = rig.host(copies=copies)
    source = rig.source(pid=host.pid)
    await source.open(rig.memory)
    assert source.address == host.live
    assert source.notes == [
        f"{copies + 1} copies of the game's memory were found; the one whose frame counter moves "
        f"is at 0x{host.live:X} (first-print, swap32)"
    ]


@pytest.mark.usefixtures("grown_up", "impatient")
async def test_case_10_several_copies_none_live_are_listed(rig: Rig) -> None:
    host = rig.host(copies=2)
    host.say("p")
    source = rig.source(pid=host.pid)
    with pytest.raises(SourceUnusable) as caught:
        await source.open(rig.memory)
    detail = caught.value.detail
    assert detail.startswith(
        f"process {host.pid} may hold ram in 3 places, and no frame counter moves: "
        "set address in [source] to one of 0x"
    )
    for address in (host.live, *host.stale):
        assert f"0x{address:X} (first-print, swap32)" in detail
    # and the answer to the question serves
    given = rig.source(pid=host.pid, address=host.stale[0])
    assert (await given.open(rig.memory)).memory.regions == rig.memory.regions
    assert given.address == host.stale[0]
    assert given.declared_order is None


async def test_case_10_ends_a_daemon_with_3(rig: Rig) -> None:
    host = rig.host(copies=1)
    host.say("c")  # both move, so that the process's youth does not matter
    path = write_bridge(rig.directory, f"pid = {host.pid}")
    with Running("run", str(path), "--quiet") as daemon:
        line = await asyncio.to_thread(daemon.wait_for, "may hold ram in 2 places")
        assert "and the frame counters of several move" in line
        assert f"0x{host.live:X}" in line
        assert f"0x{host.stale[0]:X}" in line
        assert await asyncio.to_thread(daemon.process.wait, 10) == 3


@pytest.mark.usefixtures("grown_up", "impatient")
async def test_a_paused_game_with_one_copy_is_taken(rig: Rig) -> None:
    host = rig.host()
    host.say("p")
    source = rig.source(pid=host.pid)
    await source.open(rig.memory)
    assert source.address == host.live


async def test_a_program_that_has_just_started_is_given_time(rig: Rig) -> None:
    host = rig.host()
    host.say("p")
    source = rig.source(pid=host.pid)
    with pytest.raises(SourceLost) as caught:
        await source.open(rig.memory)
    assert caught.value.detail == (
        f"process {host.pid} has just started and its game counts no frames yet"
    )
    host.say("g")
    await source.open(rig.memory)
    assert source.address == host.live


async def test_a_game_that_is_not_there_yet_is_waited_for(rig: Rig) -> None:
    rig.image.write_bytes(bytes(len(rig.bytes)))
    host = rig.host()
    source = rig.source(pid=host.pid)
    with pytest.raises(SourceLost) as caught:
        await source.open(rig.memory)
    assert caught.value.detail == (
        f"process {host.pid} holds the recognise bytes of no build (first-print, second-print, "
        "export): does the game run?"
    )


def only_first_print(rig: Rig, *evidence: Evidence) -> None:
    prepared = rig.prepared_builds["first-print"]
    prepared.layout.evidence = evidence
    rig.prepared_builds = {"first-print": prepared}


async def test_few_recognise_bytes_do_only_where_a_counter_moves(rig: Rig, grown_up: None) -> None:
    only_first_print(rig, Evidence(BASE + 0x400, b"TIDE", '"TIDE"'))
    host = rig.host()
    host.say("p")
    source = rig.source(pid=host.pid)
    with pytest.raises(SourceUnusable) as caught:
        await source.open(rig.memory)
    assert caught.value.detail == (
        f"process {host.pid} may hold ram in 1 place, and no frame counter moves: set address in "
        f"[source] to one of 0x{host.live:X} (first-print, swap32)"
    )
    host.say("g")
    await source.open(rig.memory)
    assert source.address == host.live


async def test_without_recognise_bytes_only_an_address_serves(rig: Rig) -> None:
    only_first_print(rig)
    host = rig.host()
    with pytest.raises(SourceUnusable) as caught:
        await rig.source(pid=host.pid).open(rig.memory)
    assert caught.value.detail == (
        "no build has recognise bytes in ram to find it by; set address in [source]"
    )
    given = rig.source(pid=host.pid, address=host.live)
    assert (await given.open(rig.memory)).memory.regions == rig.memory.regions


async def test_without_a_frame_counter_one_copy_serves_and_several_do_not(rig: Rig) -> None:
    bare = BRIDGE[: BRIDGE.index("[sampling]")] + BRIDGE[BRIDGE.index("[[watches]]") :]
    rig.prepared_builds = prepare(load_bridge(write_bridge(rig.directory, "", bare)))
    host = rig.host()
    source = rig.source(pid=host.pid)
    await source.open(rig.memory)
    assert source.address == host.live
    source = rig.source(pid=rig.host(copies=1).pid)
    with pytest.raises(SourceUnusable) as caught:
        await source.open(rig.memory)
    assert (
        "may hold ram in 2 places, and [sampling] frame would tell which one lives: set address"
    ) in caught.value.detail


async def test_the_search_leaves_memory_that_was_never_touched_alone(rig: Rig) -> None:
    # 256 MiB of which one page was written: to read the others would make them present
    code = (
        "import mmap, sys\n"
        "memory = mmap.mmap(-1, 256 << 20, mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS)\n"
        "memory[0] = 1\n"
        "print('ready', flush=True)\n"
        "sys.stdin.read()\n"
    )
    child = await asyncio.create_subprocess_exec(
        *(sys.executable, "-c", code), stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    try:
        assert child.stdout is not None
        await child.stdout.readline()
        before = resident(child.pid)
        source = rig.source(pid=child.pid)
        began = time.process_time()
        with pytest.raises(SourceLost):
            await source.open(rig.memory)
        assert time.process_time() - began < 10
        assert abs(resident(child.pid) - before) < 1 << 20
    finally:
        child.kill()
        await child.communicate()


def resident(pid: int) -> int:
    """Bytes of memory that a process has: the second number of statm, in pages (proc(5))."""
    pages = int(Path(f"/proc/{pid}/statm").read_text("ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE")


async def test_the_event_loop_goes_on_while_it_searches_and_a_search_can_be_given_up(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    host = rig.host()
    host.say("p")
    source = rig.source(pid=host.pid)
    opening = asyncio.ensure_future(source.open(rig.memory))
    began = last = time.monotonic()
    longest = 0.0
    while not opening.done():
        await asyncio.sleep(0.005)
        now = time.monotonic()
        longest, last = max(longest, now - last), now
    assert isinstance(opening.exception(), SourceLost)
    assert longest < (last - began) / 2
    opening = asyncio.ensure_future(source.open(rig.memory))
    await asyncio.sleep(0.2)
    opening.cancel()
    began = time.monotonic()
    with pytest.raises(asyncio.CancelledError):
        await opening
    assert time.monotonic() - began < 1.2
    host.say("g")
    await source.open(rig.memory)
    assert source.address == host.live


async def test_ram_of_which_a_page_is_guarded_against_writes(rig: Rig) -> None:
    host = rig.host(copies=1)
    host.say("r")
    source = rig.source(pid=host.pid)
    await source.open(rig.memory)
    assert source.address == host.live


# -- reading


@pytest.mark.usefixtures("impatient")
async def test_case_8_only_the_bad_range_is_missing(rig: Rig) -> None:
    host = rig.host(order=ByteOrder.BIG)
    source = rig.source(pid=host.pid)
    await source.open(rig.memory)
    host.say("h")
    lines = [Span(BASE + at, 0x100) for at in range(0, 0x4000, 0x100)]
    parts = await source.fetch(lines)
    for span, part in zip(lines, parts, strict=True):
        at = span.address - BASE
        assert part == (None if 0x1000 <= at < 0x2000 else rig.bytes[at : at + 0x100]), hex(at)
    # one that is bad in a part only, one at each side of it
    mixed = [Span(BASE, 0x1000), Span(BASE + 0xF00, 0x200), Span(BASE + 0x2000, 0x100)]
    assert await source.fetch(mixed) == [rig.bytes[:0x1000], None, rig.bytes[0x2000:0x2100]]
    # and it stays open: the rest of the RAM is still the game's
    await asyncio.sleep(process.LOOK_EVERY + 0.1)
    assert await source.fetch(lines[:1]) == [rig.bytes[:0x100]]


def test_as_many_ranges_as_you_like(rig: Rig) -> None:
    host = rig.host(order=ByteOrder.BIG)
    reader = ProcessBytes(host.pid)
    host.say("h")
    for count in (0, 1, MAX_RANGES, MAX_RANGES + 1, 3 * MAX_RANGES):
        offsets = [index * 7 * 16 % 0x4_0000 for index in range(count)]
        expected = [
            None if 0x1000 - 16 < at < 0x2000 else rig.bytes[at : at + 16] for at in offsets
        ]
        assert reader.read([(host.live + at, 16) for at in offsets]) == expected
    assert reader.read([(0, 8)] * MAX_RANGES) == [None] * MAX_RANGES


def test_good_ranges_cost_one_call(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    host = rig.host(order=ByteOrder.BIG)
    reader = ProcessBytes(host.pid)
    calls = 0
    really = ProcessBytes._call

    def counted(self: ProcessBytes, *arguments: int) -> int:
        nonlocal calls
        calls += 1
        return really(self, *arguments)

    monkeypatch.setattr(ProcessBytes, "_call", counted)
    assert None not in reader.read([(host.live + 0x100 * n, 0x100) for n in range(MAX_RANGES)])
    assert calls == 1
    host.say("h")
    lines = [(host.live + at, 0x100) for at in range(0, 0x4000, 0x100)]
    assert reader.read(lines).count(None) == 16
    # one more for each bad range: the call ends there and says nothing of the ones behind
    assert calls == 1 + 1 + 16


async def test_whole_frames_by_the_guard(rig: Rig) -> None:
    host = rig.host(copies=2)
    source = rig.source(pid=host.pid)
    sampler = rig.sampler(source, await source.open(rig.memory))
    numbers = []
    for _ in range(20):
        frame = await sampler.next()
        (number, kind, _low) = frame.readings
        assert (number.status, number.value) == ("ok", frame.number)
        assert kind.value == 1
        assert frame.consistency == "guarded"
        numbers.append(frame.number)
    assert numbers == sorted(set(numbers))
    assert sampler.order is ByteOrder.SWAP32


async def test_case_16_a_declared_order_is_obeyed_with_a_warning(rig: Rig) -> None:
    host = rig.host()
    source = rig.source(pid=host.pid, byte_order="swap16")
    held = await source.open(rig.memory)
    assert source.address == host.live
    only = {"first-print": rig.prepared_builds["first-print"]}
    setup = SamplingSetup(only, rig.memory, SystemClock(), declared=ByteOrder.SWAP16, rate=200)
    sampler = Sampler(source, setup, held)
    await sampler._identify()
    assert sampler.order is ByteOrder.SWAP16
    assert source.notes == [
        "byte_order is swap16, but first-print is recognised in swap32; swap16 is used as declared"
    ]


# -- which process


async def test_by_name(rig: Rig, tmp_path: Path) -> None:
    # longer than the 15 bytes that the system keeps of a name
    program = tmp_path / "tide-host-with-a-long-name"
    shutil.copy(rig.program, program)
    source = rig.source(name=program.name)
    with pytest.raises(SourceLost) as caught:
        await source.open(rig.memory)
    assert str(caught.value) == (
        f"process {program.name}: no process is named {program.name}: is the emulator running?"
    )
    host = rig.host(program)
    await source.open(rig.memory)
    assert source.address == host.live
    host.close()
    with pytest.raises(SourceLost) as caught:
        await source.fetch([Span(BASE, 0x100)])
    assert caught.value.detail == f"process {host.pid} has ended"


async def test_several_of_a_name_are_listed(rig: Rig, tmp_path: Path) -> None:
    program = tmp_path / "tide-twins"
    shutil.copy(rig.program, program)
    first, second = rig.host(program), rig.host(program)
    source = rig.source(name=program.name)
    with pytest.raises(SourceUnusable) as caught:
        await source.open(rig.memory)
    one, two = sorted((first.pid, second.pid))
    assert caught.value.detail == (
        f"2 processes are named tide-twins: set pid in [source] to one of {one} ({program}), "
        f"{two} ({program})"
    )
    second.close()
    await source.open(rig.memory)
    assert source.address == first.live


async def test_the_one_that_was_started_here_needs_no_name(rig: Rig) -> None:
    code = """
    import asyncio, os, subprocess, sys
    from pathlib import Path
    from adapters.sources.process.source import ProcessMemory
    from bridge.prepared import memory_map, prepare
    from schemas.errors import SourceUnusable
    from schemas.loader import load_bridge
    from schemas.source_settings import ProcessSource

    bridge = load_bridge(Path(sys.argv[1]))
    source = ProcessMemory(ProcessSource(kind="process"), prepare(bridge))
    memory = memory_map(bridge.schema)
    try:
        asyncio.run(source.open(memory))
    except SourceUnusable as fault:
        print(fault)
    # a script in between, as emulators are often started
    child = subprocess.Popen(
        ["sh", "-c", '"$@"; true', "sh", *sys.argv[2:]], stdin=-1, stdout=-1, text=True
    )
    live = int(child.stdout.readline(), 16)
    asyncio.run(source.open(memory))
    print(source.address == live)
    """
    done = await asyncio.to_thread(
        subprocess.run,
        [
            *(sys.executable, "-c", textwrap.dedent(code), str(rig.path), str(rig.program)),
            *(str(rig.image), "3", "0", str(BEGAN), str(ENDED)),
        ],
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=60,
    )
    assert done.stdout.splitlines() == [
        "process started here: which process? set name or pid in [source], or start the emulator "
        "with: lowhalf run BRIDGE.toml -- EMULATOR …",
        "True",
    ], done.stderr


async def test_a_wrong_region_names_the_known_ones(rig: Rig) -> None:
    with pytest.raises(SourceUnusable) as caught:
        await rig.source(pid=1, region="rom").open(rig.memory)
    assert caught.value.detail == 'expected one of the regions ram, found "rom"'


async def test_nothing_at_the_address(rig: Rig) -> None:
    host = rig.host()
    with pytest.raises(SourceLost) as caught:
        await rig.source(pid=host.pid, address=0x10).open(rig.memory)
    assert caught.value.detail == (
        f"nothing is at 0x10 in process {host.pid}: is the emulator still starting? "
        "Without address it is searched for"
    )
    near_the_end = rig.source(pid=host.pid, address=host.live + len(rig.bytes) - 0x1000)
    (region,) = (await near_the_end.open(rig.memory)).memory.regions
    assert region.size == 0x1000


# -- what becomes of it


async def test_a_restart_is_found_elsewhere(rig: Rig) -> None:
    source = rig.source(name="tidehost")
    seen = set()
    for _ in range(3):
        host = rig.host(copies=1)
        await source.open(rig.memory)
        assert source.address == host.live
        assert source.declared_order is ByteOrder.SWAP32
        seen.add((host.pid, host.live))
        host.close()
        for _ in range(2):
            with pytest.raises(SourceLost) as caught:
                await source.fetch([Span(BASE, 0x100)])
            assert caught.value.detail == f"process {host.pid} has ended"
        await source.close()
    assert len(seen) == 3


async def test_one_that_ended_but_is_not_yet_waited_for(rig: Rig) -> None:
    host = rig.host()
    source = rig.source(pid=host.pid)
    await source.open(rig.memory)
    host.process.send_signal(signal.SIGKILL)
    await asyncio.to_thread(os.waitid, os.P_PID, host.pid, os.WEXITED | os.WNOWAIT)
    with pytest.raises(SourceLost) as caught:
        await source.fetch([Span(BASE, 0x100)])
    assert caught.value.detail == f"process {host.pid} has ended"
    with pytest.raises(SourceLost) as caught:
        await source.open(rig.memory)
    assert caught.value.detail == (
        f"there is no process {host.pid}: is the emulator running? With name instead of pid it "
        "is found again after a restart"
    )


@pytest.mark.usefixtures("impatient")
async def test_ram_that_moved_is_lost_and_found_again(rig: Rig) -> None:
    host = rig.host()
    source = rig.source(pid=host.pid)
    await source.open(rig.memory)
    old = host.live
    host.say("m")
    await asyncio.sleep(process.LOOK_EVERY + 0.1)
    if host.live != old:
        with pytest.raises(SourceLost) as caught:
            await source.fetch([Span(BASE, 0x100)])
        assert caught.value.detail == (
            f"ram is no longer at 0x{old:X} in process {host.pid}: it is searched for again"
        )
    await source.open(rig.memory)
    assert source.address == host.live
    host.say("x")
    await asyncio.sleep(process.LOOK_EVERY + 0.1)
    with pytest.raises(SourceLost):
        await source.fetch([Span(BASE, 0x100)])
    with pytest.raises(SourceLost) as caught:
        await source.open(rig.memory)
    assert "holds the recognise bytes of no build" in caught.value.detail


@pytest.mark.usefixtures("grown_up", "impatient")
async def test_a_game_that_goes_on_in_other_ram_is_followed(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(process, "STILL_FOR", 0.3)
    host = rig.host()
    host.say("p")
    source = rig.source(pid=host.pid)
    await source.open(rig.memory)
    old = host.live
    assert source.address == old
    # a game that is paused stays where it is, however often another copy is looked for
    await fetched_for(source, 1.5)
    host.say("n")
    with pytest.raises(SourceLost) as caught:
        await fetched_for(source, 30)
    assert caught.value.detail == (
        f"ram has stood still at 0x{old:X}, and its frames go on at 0x{host.live:X} (first-print, "
        f"swap32) in process {host.pid}"
    )
    await source.close()
    await source.open(rig.memory)
    assert source.address == host.live
    await fetched_for(source, 0.5)
    await source.close()


async def fetched_for(source: ProcessMemory, seconds: float) -> None:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        (data,) = await source.fetch([Span(BASE, 0x100)])
        assert data is not None
        await asyncio.sleep(0.02)


@as_root
@pytest.mark.parametrize("life_line", [True, False])
async def test_case_9_a_number_that_is_used_again(
    rig: Rig, monkeypatch: pytest.MonkeyPatch, life_line: bool
) -> None:
    if not life_line:
        monkeypatch.delattr(os, "pidfd_open")
    host = rig.host()
    source = rig.source(pid=host.pid)
    await source.open(rig.memory)
    pid = host.pid
    again = used_again(pid, host.close, lambda: rig.host(order=ByteOrder.BIG))
    assert again.pid == pid
    with pytest.raises(SourceLost) as caught:
        await source.fetch([Span(BASE, 0x100)])
    sentence = f"process {pid} has ended; its number is another program's now (tidehost)"
    assert caught.value.detail == sentence
    with pytest.raises(SourceLost) as caught:
        await source.open(rig.memory)
    assert caught.value.detail == f"{sentence}: set the new pid, or name"
    # whoever asks anew means the new one
    fresh = rig.source(pid=pid)
    await fresh.open(rig.memory)
    assert fresh.declared_order is ByteOrder.BIG


def used_again(pid: int, end: Callable[[], None], start: Callable[[], WordHost]) -> WordHost:
    """A new host with the number of one that ended (ns_last_pid: proc_sys_kernel(5))."""
    end()
    last = Path("/proc/sys/kernel/ns_last_pid")
    for _ in range(50):
        try:
            last.write_text(str(pid - 1), "ascii")
        except OSError:
            pytest.skip("the system does not let numbers be chosen")
        host = start()
        if host.pid == pid:
            return host
        host.close()
    pytest.skip("others took the number each time")


# -- what the system refuses

AS_NOBODY = """
import asyncio, os, sys
from pathlib import Path
from adapters.sources.process.source import ProcessMemory
from bridge.prepared import memory_map, prepare
from schemas.errors import SourceError
from schemas.loader import load_bridge
from schemas.source_settings import ProcessSource
bridge = load_bridge(Path(sys.argv[1]))
source = ProcessMemory(ProcessSource(kind="process", pid=int(sys.argv[2])), prepare(bridge))
memory = memory_map(bridge.schema)
asyncio.run(asyncio.to_thread(int))  # what threads need is loaded too
os.setgroups([])
os.setresgid(65534, 65534, 65534)
os.setresuid(65534, 65534, 65534)
try:
    asyncio.run(source.open(memory))
except SourceError as fault:
    print(type(fault).__name__, fault.detail)
else:
    print(f"0x{source.address:X}")
"""


async def as_nobody(rig: Rig, pid: int) -> str:
    """What opening says as a user without rights; the modules are loaded before that."""
    done = await asyncio.to_thread(
        subprocess.run,
        [sys.executable, "-c", AS_NOBODY, str(rig.path), str(pid)],
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


@as_root
async def test_another_users_process(rig: Rig) -> None:
    host = rig.host()
    assert await as_nobody(rig, host.pid) == (
        f"SourceUnusable process {host.pid} (tidehost) may not be read: it belongs to user 0, and "
        "lowhalf runs as user 65534; run both as the same user"
    )


@as_root
async def test_a_process_of_the_same_user_that_protects_itself(rig: Rig) -> None:
    open_to_all(rig)
    host = rig.host(user=NOBODY)
    if linux.yama() not in ("", "0"):
        pytest.skip("this system lets no process read a stranger")
    assert await as_nobody(rig, host.pid) == f"0x{host.live:X}"
    host.say("d")
    # the files of a process that is not dumpable belong to root (proc(5))
    assert await as_nobody(rig, host.pid) == (
        f"SourceUnusable process {host.pid} (tidehost) may not be read: it has rights of its own "
        "(set-user-ID, set-group-ID or capabilities) or protects itself; take those from the "
        "emulator, or use push, shared or debugger"
    )


def open_to_all(rig: Rig) -> None:
    """Let any user start the host."""
    program, image = rig.program, rig.image
    for path in (program, image):
        path.chmod(0o755)
        for parent in path.parents:
            if parent.stat().st_uid == os.geteuid() and not parent.stat().st_mode & 1:
                parent.chmod(parent.stat().st_mode | 0o011)


@pytest.mark.parametrize(
    ("scope", "words"),
    [
        (
            "1\n",
            "on this system (kernel.yama.ptrace_scope is 1) only a program that started another "
            "one may read it; start the emulator with: lowhalf run BRIDGE.toml -- EMULATOR …",
        ),
        (
            "2\n",
            "on this system (kernel.yama.ptrace_scope is 2) only programs with CAP_SYS_PTRACE "
            "may; ask its administrator, or use push, shared or debugger",
        ),
        (
            "3\n",
            "on this system (kernel.yama.ptrace_scope is 3) no program may read another until it "
            "is started anew; use push, shared or debugger",
        ),
        (
            "",
            "the system forbids it, perhaps because one of the two runs in a container or sandbox; "
            "run both in the same one, or use push, shared or debugger",
        ),
    ],
)
async def test_what_yama_forbids(
    rig: Rig, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, scope: str, words: str
) -> None:
    """The scopes are those of Documentation/admin-guide/LSM/Yama.rst of the Linux kernel."""
    host = rig.host()

    def refuse(*_: object) -> int:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(linux, "YAMA", tmp_path / "ptrace_scope")
    (tmp_path / "ptrace_scope").write_text(scope, "ascii")
    monkeypatch.setattr(ProcessBytes, "_call", refuse)
    for settings in ({}, {"address": host.live}):
        with pytest.raises(SourceUnusable) as caught:
            await rig.source(pid=host.pid, **settings).open(rig.memory)
        assert caught.value.detail == (f"process {host.pid} (tidehost) may not be read: {words}")
        assert isinstance(caught.value.__cause__, PermissionError)


async def test_other_systems_are_told_what_serves_there(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is said on macOS: test_macos.py."""
    monkeypatch.setattr(sys, "platform", "freebsd14")
    with pytest.raises(SourceUnusable) as caught:
        await rig.source(name="tidehost").open(rig.memory)
    assert str(caught.value) == (
        "process tidehost: is not on this system yet; use push, shared or debugger"
    )


# -- the daemon


async def test_a_daemon_over_restarts(rig: Rig) -> None:
    with Running("run", str(rig.path), "--json") as daemon:
        for round_ in range(3):
            host = rig.host(copies=1)
            began = time.monotonic()
            seen = len(daemon.printed)
            await ok_after(daemon, seen, 10)
            if round_:
                assert time.monotonic() - began < 10
            host.close()
            await offline(daemon, 2)
        assert await asyncio.to_thread(daemon.stop, signal.SIGTERM) == 0
    assert not any("Traceback" in line for line in daemon.logged), daemon.logged
    # the daemon may have looked before the first host was there
    assert sum("is back" in line for line in daemon.logged) in (2, 3), daemon.logged
    assert sum("has ended" in line for line in daemon.logged) == 3, daemon.logged


async def ok_after(daemon: Running, seen: int, seconds: float) -> dict[str, Any]:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        for line in daemon.printed[seen:]:
            frame: dict[str, Any] = json.loads(line)
            if all(each["status"] == "ok" for each in frame["readings"]):
                return frame
        assert daemon.process.poll() is None, daemon.logged
        await asyncio.sleep(0.02)
    raise AssertionError(f"no good frame: {daemon.printed[-2:]} {daemon.logged[-5:]}")


async def offline(daemon: Running, seconds: float) -> None:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if daemon.printed and '"offline"' in daemon.printed[-1]:
            return
        await asyncio.sleep(0.02)
    raise AssertionError(f"not offline: {daemon.printed[-2:]} {daemon.logged[-5:]}")


# -- QEMU with private memory


def needs_qemu(function: Any) -> Any:
    for mark in on_qemu:
        function = mark(function)
    return function


@needs_qemu
@pytest.mark.parametrize("build_name", ["first-print", "second-print", "export"])
async def test_the_live_game_in_private_memory(
    rig: Rig, tmp_path: Path, elves: dict[str, Path], build_name: str
) -> None:
    with PrivateMachine(elves[build_name], tmp_path) as guest:
        source = rig.source(pid=guest.pid)
        held = await source.open(rig.memory)
        assert source.address == guest.host_address
        assert source.declared_order is ByteOrder.BIG
        sampler = rig.sampler(source, held)
        frames = [await sampler.next() for _ in range(15)]
        # until a busy machine has let the first frame be whole, none is known
        whole = [frame for frame in frames if frame.build]
        assert {frame.build for frame in whole} == {build_name}
        assert {frame.consistency for frame in whole} == {"guarded"}
        assert all(frame.readings[0].value == frame.number for frame in whole)
        guest.hold("carry", 150)
        frame = await sampler.next()
        while frame.number != guest.read_symbol_u32("frame_ended"):
            frame = await sampler.next()
        assert frame.readings[2].value == held_x_low(guest, build_name)
        await source.close()


def held_x_low(guest: GuestMachine, build_name: str) -> int:
    """By hand: the courier's ``held`` pointer, plus 0x2C for x, plus 2 for its low half."""
    offset = 0x144 if build_name == "export" else 0x13C
    (pointer,) = struct.unpack(">I", guest.read(guest.symbols["courier"] + offset, 4))
    return int(struct.unpack(">H", guest.read(pointer + 0x2E, 2))[0])


@needs_qemu
async def test_the_live_game_over_restarts_and_resets(
    rig: Rig, tmp_path: Path, elves: dict[str, Path]
) -> None:
    addresses = set()
    for build_name in ("first-print", "export"):
        directory = tmp_path / build_name
        directory.mkdir()
        with PrivateMachine(elves[build_name], directory) as guest:
            source = rig.source(pid=guest.pid)
            sampler = rig.sampler(source, await source.open(rig.memory))
            for _ in range(3):
                frame = await sampler.next()
            assert frame.build == build_name
            addresses.add(source.address)
            guest.reset()
            guest.wait_for_frame(1)
            for _ in range(400):
                frame = await sampler.next()
                if frame.stats.resets:
                    break
            assert frame.stats.resets == 1
        with pytest.raises(SourceLost):
            await source.fetch([Span(BASE, 0x100)])
    assert len(addresses) == 2


@needs_qemu
async def test_run_starts_the_emulator_as_its_child(tmp_path: Path, elves: dict[str, Path]) -> None:
    path = write_bridge(tmp_path, "")
    emulator = [
        *("qemu-system-mips", "-machine", "malta", "-m", "16", "-nic", "none", "-vga", "none"),
        *("-display", "none", "-serial", "none", "-monitor", "none"),
        *("-kernel", str(elves["second-print"])),
    ]
    with Running("run", str(path), "--json", "--", *emulator) as daemon:
        frame = await ok_after_carry(daemon, 15)
        assert frame["build"] == "second-print"
        assert frame["source"] == "process started here"
        assert frame["consistency"] == "guarded"
        assert await asyncio.to_thread(daemon.stop, signal.SIGTERM) == 0


async def ok_after_carry(daemon: Running, seconds: float) -> dict[str, Any]:
    """The first frame in which the frame counter is read: the courier may hold nothing."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        for line in list(daemon.printed):
            frame: dict[str, Any] = json.loads(line)
            if frame["readings"][0]["status"] == "ok":
                return frame
        assert daemon.process.poll() is None, daemon.logged
        await asyncio.sleep(0.02)
    raise AssertionError(f"no good frame: {daemon.printed[-2:]} {daemon.logged[-5:]}")
