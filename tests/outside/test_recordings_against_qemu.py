"""What was recorded of the game on QEMU, held against QEMU's own memory and the game's own digest.

Outside sources: ``pmemsave`` of QEMU's monitor writes a halted guest's memory; and the guest sums
its state up in each frame by CRC-32 (ITU-T V.42, 8.1.1.6.2), which Python's zlib computes again.
"""

from __future__ import annotations

import contextlib
import hashlib
import signal
import struct
import time
import zlib
from collections.abc import AsyncGenerator, Iterator
from pathlib import Path

import pytest

from adapters.recordings.reader import open_recording
from adapters.sources.recording.replay import RecordingReplay
from bridge.memory.address_map import MemoryMap, Region, Span
from bridge.ports.source import Consistency
from schemas.errors import SourceEnded
from tests.commands.command import Running
from tests.guest.build import build_proof
from tests.guest.machine import RAM_SIZE, RAM_START, GuestMachine

ROOT = Path(__file__).parents[2]
BRIDGE = f"""
schema = "{(ROOT / "schemas/games/tidewright.schema.toml").as_posix()}"
[source]
kind = "shared"
path = "RAM"
[sampling]
frame = "frame_began"
guard = {{ began = "frame_began", ended = "frame_ended" }}
[[watches]]
name = "x"
expr = "courier.position.x"
[outputs.recording]
"""
pytestmark = [
    pytest.mark.needs("qemu-system-mips", "qemu-system-mips"),
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc"),
]


@contextlib.contextmanager
def recorded(guest: GuestMachine, path: Path) -> Iterator[None]:
    """The whole memory of *guest* is recorded while this lasts."""
    bridge = path.with_name("live.bridge.toml")
    bridge.write_text(BRIDGE.replace("RAM", guest.ram_path.as_posix()), "utf-8")
    with Running("record", str(bridge), str(path), "--ram", "whole") as daemon:
        daemon.wait_for("build ")
        yield
        assert daemon.stop(signal.SIGINT, seconds=60) == 0


@pytest.mark.parametrize("moments", [5, pytest.param(200, marks=pytest.mark.full)])
def test_halted_frames_are_those_of_pmemsave(
    tmp_path: Path, elves: dict[str, Path], moments: int
) -> None:
    saved: dict[int, bytes] = {}
    with (
        GuestMachine(elves["first-print"], tmp_path) as guest,
        recorded(guest, tmp_path / "a.mcap"),
    ):
        guest.command("grand tour")
        # on a busy machine not each halt is long enough to be recorded whole
        for turn in range(2 * moments):
            guest.wait_for_script_frame(1 + turn % 7)
            number = guest.stop_between_frames()
            time.sleep(0.1)
            guest.dump(tmp_path / "held.bin")
            saved[number] = hashlib.sha256((tmp_path / "held.bin").read_bytes()).digest()
            guest.cont()
            guest.wait_for_frame(number + 2)
    recording = open_recording(tmp_path / "a.mcap")
    memory = recording.memory_before(0)
    found: dict[int, bytes] = {}
    for group in range(len(recording.groups)):
        for frame in recording.frames(group):
            memory.apply(frame)
            if frame.number in saved and not frame.in_part:
                whole = memory.read(Span(RAM_START, RAM_SIZE))
                assert isinstance(whole, bytes)
                found[frame.number] = hashlib.sha256(whole).digest()
    assert found == {number: saved[number] for number in found}
    assert len(found) >= moments
    assert len(set(found.values())) == len(found)


PROOF, SEA_AT, SEA_SIZE = 0x8030_0000, 0x8030_0010, 4 * 0x2000
ARENA, ARENA_SIZE = 0x8020_0000, 0x1_0000
"""As proof/digest.c and build.py place them."""


async def proofs(path: Path, fields: Span) -> AsyncGenerator[tuple[int, int, int, int], None]:
    """The number, the digest before, the digest, and that which Python computes, of each frame that
    was recorded whole and played again."""
    source = RecordingReplay(path)
    await source.open(MemoryMap([Region("ram", RAM_START, RAM_SIZE)]))
    spans = [Span(PROOF, 12), Span(SEA_AT, SEA_SIZE), Span(ARENA, ARENA_SIZE), fields]
    try:
        while True:
            number = await source.wait()
            if source.consistency is not Consistency.GUARDED:
                continue
            parts = await source.fetch(spans)
            assert all(isinstance(part, bytes) for part in parts)
            head, *state = [bytes(part) for part in parts if isinstance(part, bytes)]
            frame, before, digest = struct.unpack(">III", head)
            assert frame == number
            yield frame, before, digest, zlib.crc32(b"".join([head[:8], *state]))
    except SourceEnded:
        return
    finally:
        await source.close()


@pytest.mark.parametrize("frames", [120, pytest.param(10_000, marks=pytest.mark.full)])
async def test_each_frame_is_proved_by_the_digest_in_it(tmp_path: Path, frames: int) -> None:
    elf = build_proof(tmp_path / "proof.elf")
    with (
        GuestMachine(elf, tmp_path, timeout_seconds=60 + frames / 10) as guest,
        recorded(guest, tmp_path / "a.mcap"),
    ):
        first = guest.command("grand tour")
        guest.wait_for_frame(first + 2 * frames)
        at = guest.symbols["fault"]
        fields = Span(at, guest.symbols["ledger"] - at + 0x40)  # of a ledger
    digests: dict[int, int] = {}
    chained = 0
    async for frame, before, digest, computed in proofs(tmp_path / "a.mcap", fields):
        assert digest == computed, frame
        if frame - 1 in digests:
            assert before == digests[frame - 1], frame
            chained += 1
        digests[frame] = digest
    assert len(digests) >= frames
    assert len(set(digests.values())) == len(digests)
    assert chained
