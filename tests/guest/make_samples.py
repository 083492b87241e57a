"""Makes the dumps and the demo recording in ``sample_dumps/`` again, from the running guest.

Needs the Debian packages gcc-mips-linux-gnu and qemu-system-mips. Run it as
``python -m tests.guest.make_samples``. The bridge files beside them are written by hand.
"""

from __future__ import annotations

import gzip
import struct
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from adapters.recordings.changed_lines import changed_lines
from adapters.recordings.header import About
from adapters.recordings.recorder import Parts, Recorder
from adapters.sessions.bridge_file import load_bridge
from bridge.memory.address_map import Span
from bridge.memory.byte_order import ByteOrder, reorder
from bridge.ports.source import Consistency
from tests.guest import build as guest_build
from tests.guest.machine import (
    COMMANDS,
    RAM_SIZE,
    RAM_START,
    GuestMachine,
    GuestMachineError,
)

PROJECT = Path(__file__).parents[2]
SAMPLES = PROJECT / "sample_dumps"
SCHEMA = PROJECT / "schemas" / "games" / "tidewright.schema.toml"

DEMO_BUILD = "first-print"
DEMO_FRAMES = 1200
"""One lap of the grand tour: 20 seconds."""

DEMO_SKIPS = 390
"""Frames of the tour before the lap: it begins two and a half seconds before the first attempt, so
that there is something to see at once."""

RATE = 60
"""Frames of the game in a second."""

_FIRMWARE = slice(0x2000, 0x3000)
"""Where the emulated board's firmware leaves its environment: the host's path of the ELF file and a
random number. It is no part of the game, and is cleared."""


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
    """Records a lap of the grand tour, every frame of it."""
    path = SAMPLES / "demo.mcap"
    with GuestMachine(elf, directory) as machine:
        record(machine, path)
    print(f"{path.name}: {path.stat().st_size} bytes")


def record(machine: GuestMachine, path: Path) -> None:
    """Records a lap, frame by frame: the game stands still while each is taken, so none is missed
    however busy the host is.  The times are those of the game at its own pace.
    """
    bridge = load_bridge(SAMPLES / "demo.bridge.toml")
    about = About.of(bridge, DEMO_BUILD, "Tidewright on an emulated Malta board")
    first, before, began = machine.hold("grand tour", 1), b"", time.time()
    first += DEMO_SKIPS
    while machine.step() < first:
        pass
    with Recorder(path, about) as recorder, machine.ram_path.open("rb", buffering=0) as ram:
        for number in range(first, first + DEMO_FRAMES):
            ram.seek(0)
            image = unsteered(game_memory(ram.read(RAM_SIZE)), machine.symbols["mailbox"])
            now = began + (number - first) / RATE
            whole: Parts = [(Span(RAM_START, RAM_SIZE), image)]
            parts = changed_lines(RAM_START, before, image) if before else whole
            recorder.frame(number, now, Consistency.GUARDED, parts)
            before = image
            if (played := machine.step()) != number + 1:
                raise GuestMachineError(f"expected frame {number + 1}, found {played}")


def unsteered(ram: bytes, mailbox: int) -> bytes:
    """The same with the mailbox as it is in a game that was told once to go on its grand tour."""
    place = mailbox - RAM_START
    steered = bytearray(ram)
    steered[place + 4 : place + 0x18] = struct.pack(">5I", COMMANDS["grand tour"], 0, 1, 1, 0)
    return bytes(steered)


def main() -> int:
    with tempfile.TemporaryDirectory() as name:
        directory = Path(name)
        elfs = guest_build.build(directory)
        make_dumps(elfs, directory)
        make_demo(elfs[DEMO_BUILD], directory)
    return 0


if __name__ == "__main__":
    sys.exit(main())
