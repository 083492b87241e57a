"""The debugger source against real stubs: QEMU's with the demo game, and gdbserver's."""

from __future__ import annotations

import asyncio
import contextlib
import os
import random
import re
import signal
import subprocess
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from adapters.sources.debugger.stub import DebuggerStub
from adapters.sources.shared import SharedMemory
from adapters.system_clock import SystemClock
from bridge.memory.address_map import MemoryMap, Region, Span
from bridge.ports.source import Cadence, Source, Torn
from bridge.prepared import memory_map, prepare
from bridge.readings.frame import Frame
from bridge.sampling.sampler import Sampler
from bridge.sampling.setup import SamplingSetup
from schemas.errors import SourceLost
from schemas.loader import Bridge, load_bridge
from schemas.source_settings import DebuggerSource, SharedSource
from tests.commands.command import Running
from tests.guest.machine import RAM_SIZE, RAM_START, GuestMachine, GuestMachineError

ROOT = Path(__file__).parents[3]
SCHEMA = ROOT / "schemas" / "games" / "tidewright.schema.toml"

needs_qemu = [
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm"),
    pytest.mark.needs("qemu-system-mips", "qemu-system-mips"),
]
needs_gdbserver = [
    pytest.mark.needs("gdbserver", "gdbserver"),
    pytest.mark.needs("gcc", "gcc"),
    pytest.mark.needs("libc6-dev", "/usr/include/stdio.h"),
]


def marked(*marks: list[pytest.MarkDecorator]) -> list[pytest.MarkDecorator]:
    return [each for group in marks for each in group]


EXPRESSIONS = (
    *(f"pulse[{part}].frame" for part in range(6)),
    "courier.seen_frame",
    "actor_head.seen_frame",
)
"""All alike in a whole frame of the game at work."""

BRIDGE = """
schema = "SCHEMA"
[source]
kind = "debugger"
address = "127.0.0.1:PORT"
frame_exact = EXACT
[sampling]
frame = "frame_began"
guard = { began = "frame_began", ended = "frame_ended" }
"""


def bridge_file(guest: GuestMachine, folder: Path, *, exact: bool, watches: str = "") -> Path:
    text = BRIDGE.replace("SCHEMA", SCHEMA.as_posix()).replace("PORT", str(guest.gdb_port))
    tables = watches or "".join(
        f"[[watches]]\nname = \"w{index}\"\nexpr = '{expression}'\n"
        for index, expression in enumerate(EXPRESSIONS)
    )
    path = folder / f"live{int(exact)}.bridge.toml"
    path.write_text(text.replace("EXACT", str(exact).lower()) + tables, "utf-8")
    return path


def stub_source(bridge: Bridge, *, answer_timeout: float = 2.0) -> DebuggerStub:
    assert isinstance(bridge.file.source, DebuggerSource)
    return DebuggerStub(bridge.file.source, answer_timeout=answer_timeout)


@asynccontextmanager
async def sampling(bridge: Bridge, source: Source) -> AsyncIterator[Sampler]:
    setup = SamplingSetup(prepare(bridge), memory_map(bridge.schema), SystemClock())
    sampler = await Sampler.open(source, setup)
    try:
        yield sampler
    finally:
        await source.close()


async def next_frame(sampler: Sampler) -> Frame:
    async with asyncio.timeout(10):
        return await sampler.next()


def told(source: Source) -> list[str]:
    """What was noted, but for the time that halting takes: that depends on the machine's load."""
    return [note for note in source.notes if not note.startswith("halting takes")]


def goes_on(guest: GuestMachine) -> bool:
    """Whether the game plays on: waits for its next frames, for long on a busy machine."""
    first = guest.read_symbol_u32("frame_ended")
    return guest.wait_for_frame(first + 10) >= first + 10


def stands(guest: GuestMachine) -> bool:
    """Whether the game plays no frame in a time in which it would play 18."""
    first = guest.read_symbol_u32("frame_ended")
    time.sleep(0.3)
    return guest.read_symbol_u32("frame_ended") == first


async def until(condition: Callable[[], bool]) -> None:
    async with asyncio.timeout(20):
        while not condition():  # noqa: ASYNC110
            await asyncio.sleep(0.01)


@pytest.fixture
def guest(elf: Path, tmp_path: Path) -> Iterator[GuestMachine]:
    with GuestMachine(elf, tmp_path) as machine:
        machine.command("grand tour")
        yield machine


class TestQemu:
    """QEMU's stub, as Debian packages it."""

    pytestmark = needs_qemu

    async def test_it_reads_what_the_ram_file_holds(
        self, guest: GuestMachine, tmp_path: Path
    ) -> None:
        bridge = load_bridge(bridge_file(guest, tmp_path, exact=False))
        memory = memory_map(bridge.schema)
        shared = SharedMemory(SharedSource(kind="shared", path=str(guest.ram_path)), tmp_path)
        source = stub_source(bridge)
        await source.open(memory)
        await shared.open(memory)
        dice = random.Random(5)
        spans = [Span(RAM_START + dice.randrange(RAM_SIZE >> 8) * 0x100, 0x100) for _ in range(256)]
        spans += [Span(RAM_START + 0x18_0000, 0x1_0000), Span(RAM_START + RAM_SIZE - 8, 8)]
        async with source.held_still():
            found = await source.fetch(spans)
            assert found == await shared.fetch(spans)
        assert any(isinstance(part, bytes) and any(part) for part in found)
        await source.close()
        await shared.close()
        assert goes_on(guest)

    async def test_readings_are_those_of_shared_on_the_same_frame(
        self, guest: GuestMachine, tmp_path: Path
    ) -> None:
        guest.hold("carry", 150)
        watches = "".join(
            f"[[watches]]\nname = \"w{index}\"\nexpr = '{expression}'\n"
            for index, expression in enumerate(
                (
                    "courier.held.kind",
                    "low(courier.held.position.x)",
                    "courier.facing",
                    "courier.position.y",
                    'len(chain(actor_head, "next"))',
                    "frame_began",
                )
            )
        )
        bridge = load_bridge(bridge_file(guest, tmp_path, exact=False, watches=watches))
        shared = SharedMemory(SharedSource(kind="shared", path=str(guest.ram_path)), tmp_path)
        readings = []
        for source in (stub_source(bridge), shared):
            async with sampling(bridge, source) as sampler:
                frame = await next_frame(sampler)
                readings.append([(r.status, r.value, r.address) for r in frame.readings])
                assert frame.consistency == ("halted" if source is not shared else "guarded")
        assert readings[0] == readings[1]
        assert all(status == "ok" for status, _, _ in readings[0])

    async def test_the_guard_refuses_halts_in_mid_frame(
        self, guest: GuestMachine, tmp_path: Path
    ) -> None:
        bridge = load_bridge(bridge_file(guest, tmp_path, exact=False))
        async with sampling(bridge, stub_source(bridge)) as sampler:
            while sampler.stats.frames < 40 or not sampler.stats.torn:
                frame = await next_frame(sampler)
                assert len({reading.value for reading in frame.readings}) == 1
            # the guard is given up now and then on a busy machine, which is told, and no more
            assert sampler.stats.unwhole < sampler.stats.frames / 4
        assert goes_on(guest)

    @pytest.mark.parametrize("count", [80, pytest.param(330, marks=pytest.mark.full)])
    async def test_frame_exact_misses_no_frame_and_tears_none(
        self, guest: GuestMachine, tmp_path: Path, count: int
    ) -> None:
        bridge = load_bridge(bridge_file(guest, tmp_path, exact=True))
        numbers: list[int] = []
        async with sampling(bridge, source := stub_source(bridge)) as sampler:
            began = time.monotonic()
            while len(numbers) < count:
                frame = await next_frame(sampler)
                numbers.append(frame.number)
                assert {reading.value for reading in frame.readings} == {frame.number}
            seconds = time.monotonic() - began
            assert source.cadence is Cadence.TRAPPED
            assert (sampler.stats.skipped, sampler.stats.unwhole) == (0, 0)
            assert told(source) == []
        assert numbers == list(range(numbers[0], numbers[0] + count))
        print(f"frame-exact: {count / seconds:.1f} frames a second, {source.taken:.1%} taken")
        # neither the watchpoint nor the halt is left behind
        assert goes_on(guest)

    async def test_frame_exact_survives_a_standstill_and_a_reset(
        self, guest: GuestMachine, tmp_path: Path
    ) -> None:
        bridge = load_bridge(bridge_file(guest, tmp_path, exact=True))
        async with sampling(bridge, stub_source(bridge)) as sampler:
            numbers: list[int] = []

            async def follow() -> None:
                while True:
                    numbers.append((await sampler.next()).number)

            following = asyncio.create_task(follow())
            held = await asyncio.to_thread(guest.hold, "walk", 30)
            await until(lambda: numbers[-1:] == [held])
            count = len(numbers)
            await asyncio.sleep(1.5)
            assert len(numbers) == count
            await asyncio.to_thread(guest.release)
            await until(lambda: numbers[-1] > held)
            await asyncio.to_thread(guest.reset)
            await until(lambda: sampler.stats.resets > 0 and numbers[-1] < held)
            assert not following.done()
            following.cancel()
            await asyncio.gather(following, return_exceptions=True)

    async def test_the_monitor_halts_the_guest(self, guest: GuestMachine, tmp_path: Path) -> None:
        for exact in (False, True):
            bridge = load_bridge(bridge_file(guest, tmp_path, exact=exact))
            source = stub_source(bridge)
            async with sampling(bridge, source) as sampler:
                for _ in range(5):
                    await next_frame(sampler)
                await asyncio.sleep(0.05)
                following = asyncio.create_task(self._follow(sampler))
                halted = await self._halted_by_the_monitor(guest, source)
                frame = guest.read_symbol_u32("frame_ended")
                await asyncio.sleep(1.5)
                assert "paused" in await asyncio.to_thread(guest.monitor, "info status")
                assert guest.read_symbol_u32("frame_ended") == frame
                assert told(source) == [halted]
                await asyncio.to_thread(guest.cont)
                async with asyncio.timeout(5):
                    while len(told(source)) < 2:  # noqa: ASYNC110
                        await asyncio.sleep(0.02)
                assert told(source)[1] == "the guest goes on"
                await asyncio.sleep(0.3)
                assert not following.done()
                following.cancel()
                await asyncio.gather(following, return_exceptions=True)
            assert goes_on(guest)

    @pytest.mark.parametrize("exact", [False, True])
    async def test_the_monitor_lets_it_go_at_any_moment(
        self, guest: GuestMachine, tmp_path: Path, exact: bool
    ) -> None:
        """Also between two questions of one sample: the second one halts the guest again."""
        bridge = load_bridge(bridge_file(guest, tmp_path, exact=exact))
        chance = random.Random(exact)
        # a machine that is busy with other tests may let the stub wait for seconds
        async with sampling(bridge, stub_source(bridge, answer_timeout=15.0)) as sampler:
            await next_frame(sampler)
            following = asyncio.create_task(self._follow(sampler))
            for _ in range(30):
                await asyncio.to_thread(guest.stop)
                await asyncio.sleep(chance.uniform(0.02, 0.05))
                await asyncio.to_thread(guest.cont)
                try:
                    assert await asyncio.to_thread(goes_on, guest)
                except GuestMachineError:
                    if following.done():
                        following.result()  # what ended it left the guest as it was
                    raise
            assert not following.done()
            following.cancel()
            await asyncio.gather(following, return_exceptions=True)
        assert goes_on(guest)

    @staticmethod
    async def _follow(sampler: Sampler) -> None:
        while True:
            with contextlib.suppress(Torn):
                await sampler.next()

    @staticmethod
    async def _halted_by_the_monitor(guest: GuestMachine, source: DebuggerStub) -> str:
        """Halt until a halt did not fall into the moment of a sample, which would end it."""
        note = (
            "the guest was halted by something else (signal 2): it is read as it stands, and goes "
            "on when that lets it"
        )
        for _ in range(50):
            await asyncio.to_thread(guest.stop)
            await asyncio.sleep(1.2)
            if told(source) == [note]:
                return note
            assert told(source) == []
        raise AssertionError("every halt fell into a sample")

    async def test_close_and_cancellation_let_it_go_on(
        self, guest: GuestMachine, tmp_path: Path
    ) -> None:
        for exact in (False, True):
            bridge = load_bridge(bridge_file(guest, tmp_path, exact=exact))
            for pause in (0.0, 0.3, 0.31, 0.313, 0.317):

                async def work(bridge: Bridge = bridge) -> None:
                    async with sampling(bridge, stub_source(bridge)) as sampler:
                        await self._follow(sampler)

                task = asyncio.create_task(work())
                await asyncio.sleep(pause)
                task.cancel()
                with pytest.raises(asyncio.CancelledError):
                    await task
                assert goes_on(guest)

    async def test_cancelled_while_it_holds_the_guest(
        self, guest: GuestMachine, tmp_path: Path
    ) -> None:
        bridge = load_bridge(bridge_file(guest, tmp_path, exact=False))
        source = stub_source(bridge)
        holding = asyncio.Event()

        async def work() -> None:
            await source.open(memory_map(bridge.schema))
            try:
                async with source.held_still():
                    holding.set()
                    await asyncio.Event().wait()
            finally:
                await source.close()

        task = asyncio.create_task(work())
        await asyncio.wait_for(holding.wait(), 5)
        assert await asyncio.to_thread(stands, guest)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert goes_on(guest)

    @pytest.mark.parametrize(
        "pauses", [(0.1,), pytest.param((0.5, 0.503, 0.509), marks=pytest.mark.full)]
    )
    @pytest.mark.parametrize("exact", [False, True])
    def test_sigterm_of_the_daemon_lets_it_go_on(
        self, guest: GuestMachine, tmp_path: Path, exact: bool, pauses: tuple[float, ...]
    ) -> None:
        path = bridge_file(guest, tmp_path, exact=exact)
        for pause in pauses:
            with Running("run", str(path), "--json") as daemon:
                daemon.wait_for("build first-print")
                daemon.wait_for('"consistency":"halted"', printed=True)
                time.sleep(pause)
                assert daemon.stop(signal.SIGTERM) == 0
            assert goes_on(guest)
            assert not any("Traceback" in line for line in daemon.logged)

    async def test_a_guest_left_halted_by_a_killed_daemon_is_let_go(
        self, guest: GuestMachine, tmp_path: Path
    ) -> None:
        bridge = load_bridge(bridge_file(guest, tmp_path, exact=False))
        killed = stub_source(bridge)
        await killed.open(memory_map(bridge.schema))
        await killed.fetch([Span(RAM_START, 8)])
        async with killed.held_still():
            assert killed._talk is not None
            link = killed._talk.link
            assert link._transport is not None
            link._transport.abort()
            await asyncio.sleep(0.05)
        assert await asyncio.to_thread(stands, guest)
        source = stub_source(bridge)
        await source.open(memory_map(bridge.schema))
        assert source.notes == ["the guest was halted when lowhalf connected: it is let go"]
        assert await asyncio.to_thread(goes_on, guest)
        await source.close()
        await killed.close()

    async def test_a_second_client_is_never_answered(
        self, guest: GuestMachine, tmp_path: Path
    ) -> None:
        bridge = load_bridge(bridge_file(guest, tmp_path, exact=False))
        first, second = stub_source(bridge), stub_source(bridge, answer_timeout=0.5)
        await first.open(memory_map(bridge.schema))
        with pytest.raises(SourceLost) as caught:
            await second.open(memory_map(bridge.schema))
        assert caught.value.detail == "no answer in 0.5 s: does another debugger use the stub?"
        assert await first.fetch([Span(RAM_START, 8)])
        await first.close()
        assert goes_on(guest)

    async def test_an_emulator_that_ends_is_lost(self, guest: GuestMachine, tmp_path: Path) -> None:
        bridge = load_bridge(bridge_file(guest, tmp_path, exact=False))
        source = stub_source(bridge)
        await source.open(memory_map(bridge.schema))
        guest.close()
        with pytest.raises(SourceLost):
            await source.fetch([Span(RAM_START, 8)])
        await source.close()
        with pytest.raises(SourceLost) as caught:
            await source.open(memory_map(bridge.schema))
        assert "is the emulator running, with its stub on?" in caught.value.detail

    @pytest.mark.parametrize("count", [60, pytest.param(200, marks=pytest.mark.full)])
    async def test_time_taken_for_four_ranges(
        self, guest: GuestMachine, tmp_path: Path, capsys: pytest.CaptureFixture[str], count: int
    ) -> None:
        settings = DebuggerSource(kind="debugger", address=f"127.0.0.1:{guest.gdb_port}")
        source = DebuggerStub(settings, measure_for=count / 80)
        await source.open(MemoryMap([Region("ram", RAM_START, RAM_SIZE)]))
        spans = [Span(RAM_START + 0x18_0000 + at * 0x4000, 0x40) for at in range(4)]
        latencies = []
        for _ in range(count):
            began = time.perf_counter()
            found = await source.fetch(spans)
            latencies.append(time.perf_counter() - began)
            assert None not in found
            await asyncio.sleep(1 / 60)
        await source.close()
        latencies.sort()
        with capsys.disabled():
            print(
                f"\n4 ranges of 64 bytes at 60 Hz: p50 {latencies[count // 2] * 1e3:.2f} ms, "
                f"p99 {latencies[int(count * 0.985)] * 1e3:.2f} ms, "
                f"{source.taken:.1%} of the guest's time taken"
            )
        assert 0 < source.taken < 1


@pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm")
@pytest.mark.needs("qemu-system-mips", "qemu-system-mips64")
async def test_a_64_bit_machine_has_its_addresses_sign_extended(
    elf: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # a 32-bit processor in the 64-bit emulator, whose stub then counts in 64 bits
    emulator = tmp_path / "emulator"
    emulator.write_text('#!/bin/sh\nexec qemu-system-mips64 -cpu 24Kf "$@"\n', "utf-8")
    emulator.chmod(0o755)
    monkeypatch.setattr("tests.guest.machine.EMULATOR", str(emulator))
    with GuestMachine(elf, tmp_path) as guest:
        guest.command("grand tour")
        bridge = load_bridge(bridge_file(guest, tmp_path, exact=True))
        source = stub_source(bridge)
        async with sampling(bridge, source) as sampler:
            numbers = [(await next_frame(sampler)).number for _ in range(40)]
            assert told(source) == ["the stub wants addresses sign-extended to 64 bits: they are"]
        assert numbers == list(range(numbers[0], numbers[0] + 40))
        assert goes_on(guest)


# gdbserver

AT = 0x1000_0000
PAGE = 0x1000
PROGRAM = r"""
#define _GNU_SOURCE
#include <fcntl.h>
#include <stdint.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

int main(int argc, char **argv) {
    (void)argc;
    int file = open(argv[1], O_RDWR);
    uint8_t *ram = mmap((void *)0x10000000, 0x4000, PROT_READ | PROT_WRITE,
                        MAP_SHARED | MAP_FIXED, file, 0);
    if (ram == MAP_FAILED) return 1;
    munmap(ram + 0x2000, 0x1000);
    volatile uint32_t *began = (void *)ram, *ended = (void *)(ram + 8);
    *(volatile uint32_t *)(ram + 16) = (uint32_t)getpid();
    for (int turn = 0; turn < 6000 && !ram[32]; turn++) {
        *began += 1;
        ram[0x1000] = ram[0x1800] = (uint8_t)*began;
        usleep(1000);
        *ended = *began;
        usleep(4000);
    }
    return 0;
}
"""


class Served:
    """A program of ours under gdbserver; its RAM is a file, so it is seen without the stub."""

    def __init__(self, folder: Path) -> None:
        source, program, self.ram_path = folder / "p.c", folder / "p", folder / "p.ram"
        source.write_text(PROGRAM, "utf-8")
        subprocess.run(["gcc", "-O1", "-g", "-o", str(program), str(source)], check=True)
        image = bytearray(random.Random(7).randbytes(4 * PAGE))
        image[:64] = bytes(64)
        # long runs, and bytes whose digits a stub may want to shorten
        image[0x400:0x800] = bytes(0x400)
        image[0x800:0x900] = b"\x77" * 0x100
        self.ram_path.write_bytes(image)
        self.process = subprocess.Popen(
            ["gdbserver", "127.0.0.1:0", str(program), str(self.ram_path)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        )
        assert self.process.stderr is not None
        self.said: list[str] = []
        self.port = 0
        for line in self.process.stderr:
            self.said.append(line)
            if found := re.search(r"Listening on port (\d+)", line):
                self.port = int(found[1])
                break
        assert self.port, self.said
        self._reader = threading.Thread(target=self.said.extend, args=(self.process.stderr,))
        self._reader.start()

    def read(self, offset: int, length: int) -> bytes:
        with self.ram_path.open("rb", buffering=0) as ram:
            ram.seek(offset)
            return ram.read(length)

    def u32(self, offset: int) -> int:
        return int.from_bytes(self.read(offset, 4), "little")

    def end(self) -> None:
        """Ask the program to return; gdbserver ends with it, or has already."""
        with self.ram_path.open("rb+", buffering=0) as ram:
            ram.seek(32)
            ram.write(b"\1")
        time.sleep(0.1)
        self.process.terminate()
        try:
            self.process.wait(5)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        pid = self.u32(16)
        if pid:
            with contextlib.suppress(ProcessLookupError):
                if Path(f"/proc/{pid}/cmdline").exists() and (
                    str(self.ram_path).encode() in Path(f"/proc/{pid}/cmdline").read_bytes()
                ):
                    os.kill(pid, signal.SIGKILL)
        self._reader.join(5)
        assert self.process.stderr is not None
        self.process.stderr.close()


class TestGdbserver:
    """gdbserver, as Debian packages it: no-ack mode, run-length coding, E01."""

    pytestmark = needs_gdbserver

    @pytest.fixture
    def served(self, tmp_path: Path) -> Iterator[Served]:
        program = Served(tmp_path)
        yield program
        program.end()

    @staticmethod
    async def opened(served: Served, *, exact: bool = False) -> DebuggerStub:
        settings = DebuggerSource(
            kind="debugger", address=f"127.0.0.1:{served.port}", frame_exact=exact
        )
        source = DebuggerStub(settings)
        await source.open(MemoryMap([Region("ram", AT, 4 * PAGE)]))
        await until(lambda: served.u32(8) >= 3)
        source.notes.clear()
        return source

    async def test_it_reads_what_the_file_holds(self, served: Served) -> None:
        source = await self.opened(served)
        assert source._talk is not None
        link = source._talk.link
        assert not link.client.acknowledging
        spans = [Span(AT + at, 0x100) for at in (0, 0x100, 0x400, 0x700, 0x800, 0x1000, 0x3F00)]
        for turn in range(30):
            async with source.held_still():
                found = await source.fetch(spans)
                # it asks for more than it did before: so the program is held to the end
                more = Span(AT + 0x3000 + 0x200 * (turn % 4), 0x80)
                assert await source.fetch([more]) == [served.read(more.address - AT, 0x80)]
                assert found == [served.read(span.address - AT, 0x100) for span in spans]
            await asyncio.sleep(0.003)
        before = served.u32(8)
        await source.close()
        await until(lambda: served.u32(8) > before + 10)

    async def test_what_was_read_in_one_burst_is_of_one_moment(self, served: Served) -> None:
        source = await self.opened(served)
        # the program writes the first of these, then the others, and sleeps
        spans = [Span(AT, 8), Span(AT + 0x1000, 8), Span(AT + 0x1800, 8)]
        counts = []
        for _ in range(100):
            async with source.held_still():
                (began,) = await source.fetch(spans[:1])
                first, second = await source.fetch(spans[1:])
                assert isinstance(began, bytes)
                assert isinstance(first, bytes)
                assert isinstance(second, bytes)
                # one of the three writes may still be to come
                assert (began[0] - first[0]) & 0xFF in (0, 1)
                assert (first[0] - second[0]) & 0xFF in (0, 1)
                counts.append(int.from_bytes(began[:4], "little"))
            await asyncio.sleep(0.004)
        assert source._habit.steady > 90
        assert counts == sorted(counts)
        assert counts[-1] - counts[0] > 30
        await source.close()

    async def test_what_is_not_mapped_is_missing_and_nothing_else(self, served: Served) -> None:
        source = await self.opened(served)
        spans = [
            Span(AT + 0x1F00, 0x100),
            Span(AT + 0x1F80, 0x100),
            Span(AT + 0x2000, 0x100),
            Span(AT + 0x2FF8, 8),
            Span(AT + 0x3000, 0x100),
        ]
        assert await source.fetch(spans) == [
            served.read(0x1F00, 0x100),
            None,
            None,
            None,
            served.read(0x3000, 0x100),
        ]
        await source.close()

    async def test_each_write_of_the_counter_is_a_frame(self, served: Served) -> None:
        source = await self.opened(served, exact=True)
        source.know_counter(AT + 8, 4)
        counts = []
        for _ in range(40):
            async with asyncio.timeout(5):
                await source.wait()
            async with source.held_still():
                began, ended = await source.fetch([Span(AT, 8), Span(AT + 8, 8)])
                assert isinstance(began, bytes)
                assert isinstance(ended, bytes)
                assert began[:4] == ended[:4]
                counts.append(int.from_bytes(ended[:4], "little"))
        assert source.cadence is Cadence.TRAPPED, source.notes
        assert counts == list(range(counts[0], counts[0] + 40))
        before = served.u32(8)
        await source.close()
        await until(lambda: served.u32(8) > before + 10)

    async def test_a_program_that_ends_is_lost(self, served: Served) -> None:
        source = await self.opened(served)
        with served.ram_path.open("rb+", buffering=0) as ram:
            ram.seek(32)
            ram.write(b"\1")

        async def fetch_on() -> None:
            while True:
                await source.fetch([Span(AT, 8)])

        with pytest.raises(SourceLost) as caught:
            await asyncio.wait_for(fetch_on(), 10)
        assert caught.value.detail == "the program that the stub debugs has ended"
        await source.close()
