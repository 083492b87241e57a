"""How late, how costly and how intrusive each live source is, on a real emulated machine.

The demo game runs at 60 frames a second in QEMU; the real source and the real sampler read it in
this process, with one watch a line, so that 16 or 256 lines of 256 bytes are fetched for each
frame, and with one chain of three pointers.  A second process polls the game's `frame_ended`
counter as fast as it can, and notes when it changed: the latency of a frame is from that moment to
the moment in which its readings were made.  (Both clocks are the system's monotonic one.)

    python -m tests.benchmarks.live_sources [--seconds 5] [--lines 16,256] [--sources ...]

Needs Debian's gcc-mips-linux-gnu and qemu-system-mips, and Linux.

`cpu` is the processor time of this process, of one core: source, sampler and watches, no output.
`taken` is the share of the guest's time for which the debugger source halted it, by its own count;
`slowed` is by how much fewer frames the game made in a second than it did without a source.
`batches` counts batches of lines for each sample, torn ones included: 1 in the steady state.
For `push` the poller is also the script in the emulator: it sends the frame with the Python client
kit as soon as it has seen the counter change.  `gap` is the longest 1 % of the poller's own gaps,
and so how exact the latencies are.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import multiprocessing
import os
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

from adapters.clients import lhp_client
from adapters.sources.catalogue import make_source
from adapters.sources.debugger.stub import DebuggerStub
from adapters.sources.pushed.push import PushServer
from adapters.system_clock import SystemClock
from bridge.ports.source import Source
from bridge.prepared import memory_map, prepare
from bridge.sampling.sampler import Sampler
from bridge.sampling.setup import SamplingSetup
from bridge.values.status import Status
from schemas.loader import Bridge, load_bridge
from tests.guest import build as guest_build
from tests.guest.machine import RAM_SIZE, RAM_START, GuestMachine
from tests.guest.private_machine import PrivateMachine

SCHEMA = Path(__file__).parents[2] / "schemas" / "games" / "tidewright.schema.toml"
SOURCES = ("shared", "process", "push", "debugger", "debugger-exact")
LINES = (16, 256)
RATE = 60.0
CHAIN = "actor_head.next.previous.seen_frame"
"""Three pointers, which lead to three places of three lines."""
FIRST_LINE = 0x8030_0000
"""Of the watched lines: heap that the game does not use, so that they cost and do not change."""
WARM_UP = 0.5
MAX_OPEN = 20.0


@dataclass(frozen=True)
class Ended:
    """What the poller saw: when each frame ended, in nanoseconds; its longest 1 % of gaps, in s."""

    at: dict[int, int]
    gap: float


@dataclass(frozen=True)
class Row:
    """What one source came to.  Latencies are in seconds, sorted; the shares are of 1."""

    source: str
    lines: int
    seconds: float
    frames: int
    skipped: int
    torn: int
    batches: int
    fetched_lines: int
    latencies: tuple[float, ...]
    cpu: float
    taken: float
    guest_rate: float
    bare_rate: float
    gap: float

    def latency(self, share: float) -> float:
        """The latency that *share* of the frames do not exceed, in seconds."""
        if not self.latencies:
            return float("nan")
        return self.latencies[min(len(self.latencies) - 1, int(share * len(self.latencies)))]

    @property
    def batches_a_sample(self) -> float:
        return self.batches / max(1, self.frames + self.torn)

    @property
    def slowed(self) -> float:
        return 1 - self.guest_rate / self.bare_rate


def poll(path: str, ram_at: int, counter_at: int, stop_at: float, pipe: Connection) -> None:
    """In a process of its own: note each change of the counter, and push it where a port comes.

    The pipe first gives the port to push to, 0 for none, and is told "polling"; anything after it
    ends the polling.
    """
    file = os.open(path, os.O_RDONLY)

    def read(address: int, length: int) -> bytes:
        return os.pread(file, length, ram_at + address - RAM_START)

    port: int = pipe.recv()
    client = None
    if port:
        client = lhp_client.connect(
            "127.0.0.1", port, base=RAM_START, size=RAM_SIZE, name="test pier"
        )
    pipe.send("polling")
    at: dict[int, int] = {}
    gaps: list[int] = []
    where = ram_at + counter_at - RAM_START
    before = os.pread(file, 4, where)
    last = time.monotonic_ns()
    rounds = 0
    try:
        while True:
            now_there = os.pread(file, 4, where)
            now = time.monotonic_ns()
            rounds += 1
            if now_there != before:
                before = now_there
                number = int.from_bytes(now_there, "big")
                at[number] = now
                gaps.append(now - last)
                if client is not None:
                    client.frame(number, read)
            last = now
            if not rounds % 64 and (pipe.poll() or time.monotonic() > stop_at):
                break
    finally:
        if client is not None:
            client.close()
        os.close(file)
    gaps.sort()
    pipe.send(Ended(at, gaps[int(0.99 * len(gaps))] / 1e9 if gaps else 0.0))
    pipe.close()


def bridge_of(machine: GuestMachine, directory: Path, source: str, lines: int) -> Bridge:
    """A bridge with the chain, and with so many watches that *lines* lines are touched in all."""
    table = {
        "shared": f'kind = "shared"\npath = {json.dumps(str(machine.ram_path))}',
        "process": f'kind = "process"\npid = {machine.pid}',
        "push": 'kind = "push"\nlisten = "127.0.0.1:0"',
        "debugger": f'kind = "debugger"\naddress = "127.0.0.1:{machine.gdb_port}"',
        "debugger-exact": f'kind = "debugger"\naddress = "127.0.0.1:{machine.gdb_port}"\n'
        "frame_exact = true",
    }[source]
    text = [
        f"schema = {json.dumps(str(SCHEMA))}",
        f"[source]\n{table}",
        f'[sampling]\nrate = {RATE:g}\nframe = "frame_began"',
        'guard = { began = "frame_began", ended = "frame_ended" }',
        # the heap's own lines are not what is measured here: see live_heap
        f'[[watches]]\nname = "chain"\nexpr = "{CHAIN}"\nheap = "ignore"',
        *(
            f'[[watches]]\nname = "w{number}"\nexpr = \'at({FIRST_LINE + 256 * number:#x}, "u32")\''
            for number in range(lines - len(_fixed_lines(machine)))
        ),
    ]
    path = directory / f"live-{source}-{lines}.bridge.toml"
    path.write_text("\n".join(text), "utf-8")
    return load_bridge(path)


def _fixed_lines(machine: GuestMachine) -> set[int]:
    """The lines that are fetched whatever is watched, and those of the chain, while it is idle."""
    symbols = machine.symbols
    head = machine.read_symbol_u32("actor_head")
    after = machine.read_u32(head + 0x140)
    places = [RAM_START + 0x400, symbols["frame_began"], symbols["actor_head"]]
    places += [head + 0x140, after + 0x144, head + 0xB0]
    return {place >> 8 for place in places}


async def take(machine: GuestMachine, bridge: Bridge, row: Row, seconds: float) -> Row:
    """Fills in *row* from ``seconds`` of frames after a warm-up."""
    is_private = isinstance(machine, PrivateMachine)
    path = f"/proc/{machine.pid}/mem" if is_private else str(machine.ram_path)
    ram_at = machine.host_address if isinstance(machine, PrivateMachine) else 0
    source = make_source(bridge.file.source, bridge.path.parent, prepare(bridge))
    if isinstance(source, DebuggerStub):
        source = DebuggerStub(source.settings, measure_for=min(3.0, seconds / 2))
    pipe, other = multiprocessing.Pipe()
    poller = multiprocessing.get_context("spawn").Process(
        target=poll,
        args=(
            path,
            ram_at,
            machine.symbols["frame_ended"],
            time.monotonic() + seconds + WARM_UP + MAX_OPEN,
            other,
        ),
    )
    poller.start()
    other.close()
    setup = SamplingSetup(prepare(bridge), memory_map(bridge.schema), SystemClock(), rate=RATE)
    try:
        opening = asyncio.ensure_future(Sampler.open(source, setup))
        async with asyncio.timeout(MAX_OPEN):
            while isinstance(source, PushServer) and not source.port:  # noqa: ASYNC110
                await asyncio.sleep(0.01)
            pipe.send(source.port if isinstance(source, PushServer) else 0)
            sampler = await opening
            await asyncio.to_thread(pipe.recv)
            warm = time.monotonic() + WARM_UP
            while time.monotonic() < warm or sampler.stats.frames < 5:
                await sampler.next()
        fetched = _count_lines(source)
        before, began = sampler.stats, time.monotonic()
        first, cpu = machine.read_symbol_u32("frame_ended"), time.process_time()
        made: dict[int, int] = {}
        while time.monotonic() - began < seconds:
            frame = await sampler.next()
            readings = frame.readings
            made.setdefault(frame.number, time.monotonic_ns())
            bad = [reading for reading in readings if reading.status is not Status.OK]
            if bad:
                raise AssertionError(f"a reading that is not ok: {bad[0]}")
        cpu, lasted = time.process_time() - cpu, time.monotonic() - began
        ended_frames = machine.read_symbol_u32("frame_ended") - first
        after = sampler.stats
        pipe.send("end")
        seen: Ended = await asyncio.to_thread(pipe.recv)
    finally:
        await source.close()
        pipe.close()
        poller.join(5)
        if poller.is_alive():
            poller.terminate()
            poller.join()
    latencies = sorted((at - seen.at[n]) / 1e9 for n, at in made.items() if n in seen.at)
    return Row(
        source=row.source,
        lines=row.lines,
        seconds=lasted,
        frames=after.frames - before.frames,
        skipped=after.skipped - before.skipped,
        torn=after.torn - before.torn,
        batches=after.batches - before.batches,
        fetched_lines=max(fetched, default=0),
        latencies=tuple(latencies),
        cpu=cpu / lasted,
        taken=source.taken if isinstance(source, DebuggerStub) else 0.0,
        guest_rate=ended_frames / lasted,
        bare_rate=row.bare_rate,
        gap=seen.gap,
    )


def _count_lines(source: Source) -> list[int]:
    """Has each later fetch note how many whole lines it was for."""
    counts: list[int] = []
    fetch = source._fetch

    async def counted(spans: Sequence[object]) -> Sequence[object]:
        counts.append(sum(span.length >> 8 for span in spans))  # type: ignore[attr-defined]
        return await fetch(spans)  # type: ignore[arg-type]

    source._fetch = counted  # type: ignore[method-assign,assignment]
    return counts


def bare_rate(machine: GuestMachine, seconds: float) -> float:
    """Frames a second of the game while nothing reads it but this."""
    first, began = machine.read_symbol_u32("frame_ended"), time.monotonic()
    time.sleep(seconds)
    return (machine.read_symbol_u32("frame_ended") - first) / (time.monotonic() - began)


def measure(
    elf: Path, directory: Path, sources: Sequence[str], lines: Sequence[int], seconds: float
) -> list[Row]:
    """A row for each source and number of lines, of about ``seconds`` each."""
    rows = []
    for source in sources:
        kind = PrivateMachine if source == "process" else GuestMachine
        with kind(elf, directory) as machine:
            machine.command("idle")
            bare = bare_rate(machine, min(2.0, max(0.4, seconds / 2)))
            for count in lines:
                empty = Row(source, count, 0, 0, 0, 0, 0, 0, (), 0, 0, 0, bare, 0)
                bridge = bridge_of(machine, directory, source, count)
                rows.append(asyncio.run(take(machine, bridge, empty, seconds)))
    return rows


def table(rows: Sequence[Row]) -> str:
    """The rows for people."""
    lines = [
        "source          lines  frames  skipped  torn  batches  p50 ms  p99 ms   cpu %  taken %  "
        "slowed %  gap ms"
    ]
    for row in rows:
        lines.append(
            f"{row.source:14} {row.lines:6} {row.frames:7} {row.skipped:8} {row.torn:5} "
            f"{row.batches_a_sample:8.2f} {row.latency(0.5) * 1e3:7.2f} "
            f"{row.latency(0.99) * 1e3:7.2f} {row.cpu * 100:7.1f} {row.taken * 100:8.1f} "
            f"{row.slowed * 100:9.1f} {row.gap * 1e3:7.3f}"
        )
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> int:
    """Prints the table."""
    parser = argparse.ArgumentParser(description="latency and cost of each live source")
    parser.add_argument("--seconds", type=float, default=5.0, help="for each row")
    parser.add_argument("--sources", default=",".join(SOURCES), help=", ".join(SOURCES))
    parser.add_argument("--lines", default=",".join(map(str, LINES)), help="lines a frame")
    chosen = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as name:
        directory = Path(name)
        elf = guest_build.build(directory)["first-print"]
        counts = [int(each) for each in chosen.lines.split(",")]
        rows = measure(elf, directory, chosen.sources.split(","), counts, chosen.seconds)
    print(table(rows))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
