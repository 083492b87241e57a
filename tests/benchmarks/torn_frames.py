"""How often a sample of a running guest is torn, with the guard and without.

The demo game runs on a real emulated machine; the real `shared` source reads its RAM file while
the real sampler takes samples at ``--rate`` a second, so that they fall all over the game's frames.
The game writes its frame's number into six pulses on six lines of their own as the frame's work
goes on, into the courier half-way, and into the first actor of the room, which a pointer leads to.
A sample in which those eight differ holds parts of two frames: it is torn.

    python -m tests.benchmarks.torn_frames [--samples 100000] [--rate 2000] [--loads normal,slow]

Needs Debian's gcc-mips-linux-gnu and qemu-system-mips.  `accepted` counts the samples that the
sampler gave out, `retries` those that the guard refused for each one of them, `unwhole` how often
the guard was given up for a while.  The unguarded rows show that the check can fail.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from adapters.sources.shared import SharedMemory
from adapters.system_clock import SystemClock
from bridge.prepared import memory_map, prepare
from bridge.readings.frame import Frame
from bridge.sampling.sampler import Sampler
from bridge.sampling.setup import SamplingSetup
from bridge.values.status import Status
from schemas.loader import Bridge, load_bridge
from schemas.source_settings import SharedSource
from tests.guest import build as guest_build
from tests.guest.machine import LOADS, GuestMachine

SCHEMA = Path(__file__).parents[2] / "schemas" / "games" / "tidewright.schema.toml"
EXPRESSIONS = (
    *(f"pulse[{part}].frame" for part in range(6)),
    "courier.seen_frame",
    "actor_head.seen_frame",
)
GUARD = '[sampling]\nguard = { began = "frame_began", ended = "frame_ended" }\n'
SAMPLES_A_SECOND = 2000.0
"""A bridge file may ask for 240 at most; the sampler itself takes any rate."""


@dataclass(frozen=True)
class Row:
    """What one run of samples came to.  ``guest_rate`` is in frames a second of the game."""

    load: str
    guarded: bool
    accepted: int
    torn: int
    refused: int
    unwhole: int
    distinct: int
    seconds: float
    guest_rate: float

    @property
    def retries(self) -> float:
        """Samples refused for each one accepted."""
        return self.refused / max(1, self.accepted)


def bridge_of(ram: Path, directory: Path, *, guarded: bool) -> Bridge:
    """A bridge to the live RAM file with the eight watches."""
    lines = [f"schema = {json.dumps(str(SCHEMA))}", GUARD if guarded else ""]
    lines.append(f'[source]\nkind = "shared"\npath = {json.dumps(str(ram))}')
    for number, expression in enumerate(EXPRESSIONS):
        lines.append(f'[[watches]]\nname = "w{number}"\nexpr = "{expression}"')
    path = directory / f"torn-{'guarded' if guarded else 'bare'}.bridge.toml"
    path.write_text("\n".join(lines), "utf-8")
    return load_bridge(path)


def is_torn(frame: Frame) -> bool:
    """Whether the sample holds parts of two frames, or a pointer of neither."""
    readings = frame.readings
    if any(reading.status is not Status.OK for reading in readings):
        return True
    return len({reading.value for reading in readings}) != 1


async def take_samples(
    bridge: Bridge, machine: GuestMachine, load: str, samples: int, rate: float, longest: float
) -> Row:
    """Takes ``samples`` accepted samples, or as many as ``longest`` seconds allow."""
    settings = bridge.file.source
    assert isinstance(settings, SharedSource)
    source = SharedMemory(settings, bridge.path.parent)
    guarded = bridge.file.sampling.guard is not None
    setup = SamplingSetup(prepare(bridge), memory_map(bridge.schema), SystemClock(), rate=rate)
    opened = await source.open(setup.memory)
    accepted = torn = 0
    seen: set[object] = set()
    try:
        sampler = Sampler(source, setup, opened)
        first = machine.read_symbol_u32("frame_ended")
        began = time.monotonic()
        while accepted < samples and time.monotonic() - began < longest:
            frame = await sampler.next()
            if sampler.stats.frames == accepted:
                continue  # the guard was given up: the last frame again, with a note
            accepted = sampler.stats.frames
            expected = "guarded" if guarded else "unguarded"
            if frame.consistency != expected:
                raise AssertionError(f"expected a frame {expected}, found {frame.consistency}")
            torn += is_torn(frame)
            seen.add(frame.readings[0].value)
        seconds = time.monotonic() - began
        frames = machine.read_symbol_u32("frame_ended") - first
    finally:
        await source.close()
    stats = sampler.stats
    return Row(
        load,
        guarded,
        accepted,
        torn,
        stats.torn,
        stats.unwhole,
        len(seen),
        seconds,
        frames / seconds,
    )


def measure(
    machine: GuestMachine,
    directory: Path,
    loads: Sequence[str],
    samples: int,
    *,
    rate: float = SAMPLES_A_SECOND,
    longest: float = 600.0,
    guards: Sequence[bool] = (True, False),
) -> list[Row]:
    """A row for each load, with the guard and without, of ``samples`` accepted samples each.

    ``longest`` bounds each row, in seconds.
    """
    rows = []
    for load in loads:
        machine.command("grand tour", load=load)
        for guarded in guards:
            bridge = bridge_of(machine.ram_path, directory, guarded=guarded)
            rows.append(asyncio.run(take_samples(bridge, machine, load, samples, rate, longest)))
    return rows


def table(rows: Sequence[Row]) -> str:
    """The rows for people."""
    lines = [
        "load    guard   accepted     torn   torn %  retries  unwhole   frames  game fps  seconds"
    ]
    for row in rows:
        share = 100 * row.torn / max(1, row.accepted)
        lines.append(
            f"{row.load:7} {'both' if row.guarded else 'none':5} {row.accepted:10,} {row.torn:8,} "
            f"{share:8.3f} {row.retries:8.2f} {row.unwhole:8,} {row.distinct:8,} "
            f"{row.guest_rate:9,.0f} {row.seconds:8.1f}"
        )
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> int:
    """Prints the table; gives 1 where a guarded sample was torn or too few were had, else 0."""
    parser = argparse.ArgumentParser(description="torn samples with the guard and without")
    parser.add_argument("--samples", type=int, default=100_000, help="accepted, for each row")
    parser.add_argument("--loads", default="normal,slow", help=", ".join(LOADS))
    parser.add_argument("--rate", type=float, default=SAMPLES_A_SECOND, help="samples a second")
    parser.add_argument("--longest", type=float, default=600.0, help="seconds for each row")
    chosen = parser.parse_args(arguments)
    loads = chosen.loads.split(",")
    with tempfile.TemporaryDirectory() as name:
        directory = Path(name)
        elf = guest_build.build(directory)["first-print"]
        with GuestMachine(elf, directory) as machine:
            rows = measure(
                machine,
                directory,
                loads,
                chosen.samples,
                rate=chosen.rate,
                longest=chosen.longest,
            )
    print(table(rows))
    guarded = [row for row in rows if row.guarded]
    bare = [row for row in rows if not row.guarded]
    whole = not any(row.torn for row in guarded)
    enough = all(row.accepted >= chosen.samples for row in guarded)
    return 0 if whole and enough and any(row.torn for row in bare) else 1


if __name__ == "__main__":
    raise SystemExit(main())
