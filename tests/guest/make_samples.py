"""Makes the dumps and the demo recording in ``sample_dumps/`` again, from the running guest.

Needs the Debian packages gcc-mips-linux-gnu and qemu-system-mips. Run it as
``python -m tests.guest.make_samples``. The bridge files beside them are written by hand.
"""

from __future__ import annotations

import gzip
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from adapters.recordings.about import About
from adapters.recordings.changed_lines import changed_lines
from adapters.recordings.recorder import Recorder
from bridge.byte_order import ByteOrder, reorder
from bridge.memory import Region, Span
from bridge.source import Consistency
from tests.guest import build as guest_build
from tests.guest.machine import RAM_SIZE, RAM_START, GuestMachine, GuestMachineError

PROJECT = Path(__file__).parents[2]
SAMPLES = PROJECT / "sample_dumps"
SCHEMA = PROJECT / "schemas" / "games" / "tidewright.schema.toml"

DEMO_BUILD = "first-print"
DEMO_FRAMES = 1200
"""One lap of the grand tour: 20 seconds."""

_FIRMWARE = slice(0x2000, 0x3000)
"""Where the emulated board's firmware leaves its environment: the host's path of the ELF file and a
random number. It is no part of the game, and is cleared."""

_MOST_TRIES = 6


@dataclass(frozen=True)
class Sample:
    """The memory of a build after a frame of a script; ``order`` is how the dump holds it."""

    build: str
    moment: str
    script: str
    script_frame: int
    order: ByteOrder = ByteOrder.BIG

    @property
    def name(self) -> str:
        """The file's name without its endings."""
        swapped = "" if self.order is ByteOrder.BIG else f"-{self.order}"
        return f"{self.build}-{self.moment}{swapped}"

    @property
    def path(self) -> Path:
        return SAMPLES / f"{self.name}.bin.gz"


SAMPLES_OF_MOMENTS = (
    Sample("first-print", "carry", "carry", 150),
    Sample("first-print", "carry", "carry", 150, ByteOrder.SWAP32),
    Sample("first-print", "half-turn", "turn", 90),
    Sample("first-print", "mist-stair", "walk", 200),
    Sample("first-print", "stale-hold", "stale hold", 150),
    Sample("first-print", "stale-reuse", "stale hold", 200),
    Sample("first-print", "stale-mist", "stale hold", 340),
    Sample("second-print", "carry", "carry", 150),
    Sample("second-print", "harbour", "walk", 160),
    Sample("second-print", "stale-hold", "stale hold", 150),
    Sample("second-print", "stale-reuse", "stale hold", 200),
    Sample("export", "carry", "carry", 150),
    Sample("export", "mist-stair", "walk", 200),
    Sample("export", "stale-hold", "stale hold", 150),
    Sample("export", "stale-reuse", "stale hold", 200),
)


def make_dumps(elfs: dict[str, Path], directory: Path) -> None:
    """Writes every dump: 4 MiB, gzip, without a time in its head."""
    for name, elf in elfs.items():
        with GuestMachine(elf, directory) as machine:
            for sample in SAMPLES_OF_MOMENTS:
                if sample.build == name:
                    sample.path.write_bytes(compressed(sample, held(machine, sample, directory)))
                    print(f"{sample.path.name}: {sample.path.stat().st_size} bytes")


def held(machine: GuestMachine, sample: Sample, directory: Path) -> bytes:
    """The guest's RAM, in guest order, after the sample's frame of the script."""
    machine.hold(sample.script, sample.script_frame)
    raw = directory / "held.bin"
    machine.dump(raw)
    return game_memory(raw.read_bytes())


def game_memory(ram: bytes) -> bytes:
    """The same without what the board's firmware wrote."""
    cleared = bytearray(ram)
    cleared[_FIRMWARE] = bytes(_FIRMWARE.stop - _FIRMWARE.start)
    return bytes(cleared)


def compressed(sample: Sample, ram: bytes) -> bytes:
    """The bytes of the dump's file."""
    return gzip.compress(reorder(ram, sample.order), 9, mtime=0)


def make_demo(elf: Path, directory: Path) -> None:
    """Records a lap of the grand tour, every frame of it; tries again where one is missed."""
    path = SAMPLES / "demo.mcap"
    with GuestMachine(elf, directory) as machine:
        for _ in range(_MOST_TRIES):
            missed = record(machine, path)
            print(f"{path.name}: {path.stat().st_size} bytes, {missed} frames missed")
            if not missed:
                return
    raise GuestMachineError(f"no lap without a missed frame in {_MOST_TRIES}; is the host busy?")


def record(machine: GuestMachine, path: Path) -> int:
    """Records a lap; gives how many of its frames were missed."""
    about = About(
        SCHEMA.read_text(encoding="utf-8"),
        (SAMPLES / "demo.bridge.toml").read_text(encoding="utf-8"),
        DEMO_BUILD,
        "Tidewright on an emulated Malta board",
        [Region("ram", RAM_START, RAM_SIZE)],
    )
    first = machine.command("grand tour")
    last, taken, before = first - 1, 0, b""
    with Recorder(path, about) as recorder, machine.ram_path.open("rb", buffering=0) as ram:

        def counter(name: str) -> int:
            ram.seek(machine.symbols[name] - RAM_START)
            return int.from_bytes(ram.read(4), "big")

        while last < first + DEMO_FRAMES - 1:
            # read in this order: ended, everything, began
            ended = counter("frame_ended")
            if ended <= last:
                time.sleep(0.0005)
                continue
            ram.seek(0)
            image = game_memory(ram.read(RAM_SIZE))
            if counter("frame_began") != ended or ended > first + DEMO_FRAMES - 1:
                if ended > first + DEMO_FRAMES - 1:
                    break
                continue
            now = time.time()
            if recorder.key_due(now):
                whole = [(Span(RAM_START, RAM_SIZE), image)]
                recorder.key(ended, now, Consistency.GUARDED, whole)
            else:
                changed = changed_lines(RAM_START, before, image)
                recorder.changes(ended, now, Consistency.GUARDED, changed)
            before, last, taken = image, ended, taken + 1
    return DEMO_FRAMES - taken


def main() -> int:
    with tempfile.TemporaryDirectory() as name:
        directory = Path(name)
        elfs = guest_build.build(directory)
        make_dumps(elfs, directory)
        make_demo(elfs[DEMO_BUILD], directory)
    return 0


if __name__ == "__main__":
    sys.exit(main())
