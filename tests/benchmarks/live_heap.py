"""The walk along a running game's heap against the game's own, frame after frame.

The demo game walks its heap in C at the end of every frame and writes the count of blocks, the free
bytes and a checksum over each block's address, size and use into its RAM.  It also notes when it
hands out again what a released actor in hand was at.  The real `shared` source reads the RAM file,
the real sampler takes guarded frames, and in each of them lowhalf's walk must come to the same
three numbers, and what it says of the pointer in hand must be what the game noted.

    python -m tests.benchmarks.live_heap [--frames 10000] [--script "grand tour"]

Needs Debian's gcc-mips-linux-gnu and qemu-system-mips.  The game plays 60 frames a second.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from adapters.sources.shared import SharedMemory
from adapters.system_clock import SystemClock
from bridge.heap.blocks import Heap
from bridge.prepared import memory_map, prepare, with_heap
from bridge.readings.frame import Frame
from bridge.sampling.sampler import Sampler
from bridge.sampling.setup import SamplingSetup
from bridge.values.status import Status
from bridge.values.value_type import Value
from schemas.loader import Bridge, load_bridge
from schemas.source_settings import SharedSource
from tests.guest import build as guest_build
from tests.guest.machine import GuestMachine

SCHEMA = Path(__file__).parents[2] / "schemas" / "games" / "tidewright.schema.toml"
WATCHES = {
    "held": "courier.held",
    "count": "heap_count",
    "free_bytes": "heap_free_bytes",
    "checksum": "heap_checksum",
    "stale": "stale_address",
    "reused": "reuse_frame",
}
RATE = 1000.0
"""Looks at the frame counter are not to be what a frame waits for."""


@dataclass
class Followed:
    """What the frames came to; ``wrong`` says in words where anything disagreed.

    ``shapes`` counts the different checksums, ``frees`` and ``reuses`` how often a block became
    free or was handed out again from one taken frame to the next.  ``turned`` has the frames in
    which the pointer in hand was first told as changed, ``noted`` those that the game noted.
    """

    frames: int = 0
    skipped: int = 0
    torn: int = 0
    seconds: float = 0.0
    shapes: set[Value | None] = field(default_factory=set)
    frees: int = 0
    reuses: int = 0
    statuses: Counter[str] = field(default_factory=Counter)
    turned: list[int] = field(default_factory=list)
    noted: list[int] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    before: dict[int, tuple[bool, int | None]] = field(default_factory=dict)


def bridge_of(ram: Path, directory: Path) -> Bridge:
    """A bridge to the live RAM file."""
    lines = [f"schema = {json.dumps(str(SCHEMA))}"]
    lines.append('[sampling]\nframe = "frame_began"')
    lines.append('guard = { began = "frame_began", ended = "frame_ended" }')
    lines.append(f'[source]\nkind = "shared"\npath = {json.dumps(str(ram))}')
    lines += [f'[[watches]]\nname = "{name}"\nexpr = "{text}"' for name, text in WATCHES.items()]
    path = directory / "live-heap.bridge.toml"
    path.write_text("\n".join(lines), "utf-8")
    return load_bridge(path)


def summary(heap: Heap) -> tuple[int, int, int]:
    """Blocks, free bytes and the checksum as the game's C code sums them up."""
    checksum = 0
    for block in heap.blocks:
        turned = (checksum << 5 | checksum >> 27) & 0xFFFF_FFFF
        checksum = (turned + block.header + block.size + block.used) & 0xFFFF_FFFF
    free = sum(block.size for block in heap.blocks if not block.used)
    return len(heap.blocks), free, checksum


def expected_status(values: Mapping[str, Value | None]) -> Status:
    """What the pointer in hand is by the game's own notes."""
    if not values["stale"] or values["held"] != values["stale"]:
        return Status.OK
    return Status.CHANGED if values["reused"] else Status.FREED


async def follow(
    machine: GuestMachine,
    directory: Path,
    script: str,
    frames: int,
    *,
    load: str = "normal",
    longest: float = 600.0,
    stepping: bool = False,
) -> Followed:
    """Starts a script and takes ``frames`` frames, or as many as ``longest`` seconds allow.

    ``stepping``: the game plays its next frame when this one was taken, so that none is missed.
    """
    bridge = bridge_of(machine.ram_path, directory)
    settings = bridge.file.source
    assert isinstance(settings, SharedSource)
    source = SharedMemory(settings, bridge.path.parent)
    asking = {name: with_heap(prepared) for name, prepared in prepare(bridge).items()}
    setup = SamplingSetup(asking, memory_map(bridge.schema), SystemClock(), rate=RATE)
    opened = await source.open(setup.memory)
    found = Followed()
    machine.command(script, load="swift" if stepping else load, hold_at=int(stepping))
    try:
        sampler = Sampler(source, setup, opened)
        began = time.monotonic()
        while found.frames < frames and time.monotonic() - began < longest:
            frame = await sampler.next()
            if sampler.stats.frames == found.frames or frame.heap is None:
                continue  # the guard was given up: the last frame again, with a note
            found.frames = sampler.stats.frames
            _take(found, frame, frame.heap)
            if stepping:
                machine.step()
        found.seconds = time.monotonic() - began
    finally:
        await source.close()
    found.skipped, found.torn = sampler.stats.skipped, sampler.stats.torn
    return found


def _take(found: Followed, frame: Frame, heap: Heap) -> None:
    readings = {reading.watch.name: reading for reading in frame.readings}
    values = {name: reading.value for name, reading in readings.items()}
    mine = summary(heap)
    theirs = values["count"], values["free_bytes"], values["checksum"]
    if heap.damaged is not None or mine != theirs:
        found.wrong.append(f"frame {frame.number}: {mine} but {theirs}, {heap.damaged}")
    status, expected = readings["held"].status, expected_status(values)
    if status is not expected:
        found.wrong.append(f"frame {frame.number}: held is {status}, expected {expected}")
    reused, last = values["reused"], found.noted[-1] if found.noted else None
    if isinstance(reused, int) and reused and reused != last:
        found.noted.append(reused)
    if status is Status.CHANGED and len(found.turned) < len(found.noted):
        found.turned.append(frame.number)
    found.statuses[str(status)] += 1
    found.shapes.add(mine[2])
    now = {block.start: (block.used, block.generation) for block in heap.blocks}
    for start, (used, generation) in now.items():
        before = found.before.get(start)
        if before is not None:
            found.frees += before[0] and not used
            found.reuses += used and before != (used, generation)
    found.before = now


def words(found: Followed) -> str:
    """What was measured, for people."""
    statuses = ", ".join(f"{status} {count}" for status, count in found.statuses.most_common())
    return (
        f"{found.frames} frames taken in {found.seconds:.0f} s ({found.skipped} skipped, "
        f"{found.torn} samples refused), {len(found.shapes)} different heaps, "
        f"{found.frees} blocks freed, {found.reuses} handed out again\n"
        f"the pointer in hand: {statuses}; handed out again in frames {found.noted}, "
        f"told in frames {found.turned}\n"
        f"{len(found.wrong)} disagreements"
    )


def main() -> int:
    parser = argparse.ArgumentParser(description="the heap's walk against the game's own")
    parser.add_argument("--frames", type=int, default=10_000)
    parser.add_argument("--script", default="grand tour")
    parser.add_argument("--load", default="normal")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        directory = Path(name)
        elf = guest_build.build(directory)["first-print"]
        with GuestMachine(elf, directory) as machine:
            found = asyncio.run(
                follow(machine, directory, arguments.script, arguments.frames, load=arguments.load)
            )
    print(words(found))
    for line in found.wrong[:20]:
        print(line)
    return 1 if found.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
