"""``lowhalf record``, and the output ``recording``: what the sampler took is in the file.

What must be there comes from outside: the game on QEMU writes its frame's number in six parts of a
frame, and ``pmemsave`` of QEMU's monitor gives a held guest's RAM.
"""

from __future__ import annotations

import json
import re
import signal
import struct
from pathlib import Path

import pytest
from mcap.reader import make_reader

from adapters.recordings.reader import Recording, open_recording
from bridge.memory.address_map import Span
from tests.commands.command import Running, lowhalf
from tests.guest.machine import RAM_SIZE, RAM_START, GuestMachine

ROOT = Path(__file__).parents[2]
PULSES = range(0x8018_0100, 0x8018_0700, 0x100)
SCHEMA = (ROOT / "schemas/games/tidewright.schema.toml").as_posix()
LIVE = f"""
schema = "{SCHEMA}"
[source]
kind = "shared"
path = "RAM"
[sampling]
frame = "frame_began"
guard = {{ began = "frame_began", ended = "frame_ended" }}
[[watches]]
name = "held_kind"
expr = "courier.held.kind"
[[watches]]
name = "x"
expr = "courier.position.x"
[outputs.recording]
SETTINGS
"""
needs_guest = [
    pytest.mark.needs("qemu-system-mips", "qemu-system-mips"),
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc"),
]


def bridge(folder: Path, ram: Path, settings: str = "") -> Path:
    path = folder / "live.bridge.toml"
    path.write_text(LIVE.replace("RAM", ram.as_posix()).replace("SETTINGS", settings), "utf-8")
    return path


def frames_of(recording: Recording) -> list[tuple[int, bool, bytes]]:
    """Number, whether it is in part, and the page with the pulses where it is not, of every frame.

    The first frames may be in part, before all memory was looked at once.
    """
    memory = recording.memory_before(0)
    found = []
    for group in range(len(recording.groups)):
        for frame in recording.frames(group):
            memory.apply(frame)
            page = memory.read(Span(0x8018_0000, 0x1000))
            assert isinstance(page, bytes) or frame.in_part
            found.append((frame.number, frame.in_part, page if isinstance(page, bytes) else b""))
    return found


def pulses(page: bytes) -> set[int]:
    return {struct.unpack_from(">I", page, at - 0x8018_0000)[0] for at in PULSES}


@pytest.mark.usefixtures("elves")
class TestOnTheGuest:
    pytestmark = needs_guest

    def test_every_frame_that_was_taken_is_there_whole(
        self, tmp_path: Path, elves: dict[str, Path]
    ) -> None:
        with GuestMachine(elves["first-print"], tmp_path) as guest:
            path = bridge(tmp_path, guest.ram_path)
            guest.command("grand tour")
            done = lowhalf(
                "record", str(path), str(tmp_path / "a.mcap"), "--seconds", "4", "--stats"
            )
        assert done.returncode == 0, done.stderr
        told = re.search(r"frames (\d+)", done.stdout + done.stderr)
        assert told is not None
        taken = int(told[1])
        recording = open_recording(tmp_path / "a.mcap")
        found = frames_of(recording)
        numbers = [number for number, _, _ in found]
        assert len(found) == taken
        assert numbers == sorted(set(numbers))
        whole = [(number, page) for number, in_part, page in found if not in_part]
        # on a busy machine the next frame begins while this one is read
        assert len(whole) > 20
        assert all(pulses(page) == {number} for number, page in whole)
        missing = sorted({*range(numbers[0], numbers[-1])} - {*numbers})
        with (tmp_path / "a.mcap").open("rb") as stream:
            topics = ["lowhalf/gaps", "lowhalf/readings"]
            said = [(c.topic, m.data) for _, c, m in make_reader(stream).iter_messages(topics)]
        gaps = [json.loads(data) for topic, data in said if topic == "lowhalf/gaps"]
        readings = [json.loads(data) for topic, data in said if topic == "lowhalf/readings"]
        between = [n for gap in gaps for n in range(gap["last"] + 1, gap["frame"])]
        assert between == missing
        assert [each["frame"] for each in readings] == numbers

    def test_a_held_guests_ram_is_that_of_its_monitor(
        self, tmp_path: Path, elves: dict[str, Path]
    ) -> None:
        with GuestMachine(elves["export"], tmp_path) as guest:
            path = bridge(tmp_path, guest.ram_path)
            guest.command("grand tour")
            with Running("record", str(path), str(tmp_path / "a.mcap"), "--force") as daemon:
                daemon.wait_for("build export")
                guest.wait_for_script_frame(40)
                guest.stop_between_frames()
                guest.dump(tmp_path / "held.bin")
                assert daemon.stop(signal.SIGINT) == 0
        held = (tmp_path / "held.bin").read_bytes()
        recording = open_recording(tmp_path / "a.mcap")
        last = len(recording.groups) - 1
        memory = recording.memory_before(last)
        frames = recording.frames(last)
        for frame in frames:
            memory.apply(frame)
        assert frames[-1].in_part is False
        assert memory.read(Span(RAM_START, RAM_SIZE)) == held


def test_it_replaces_nothing_unless_told(tmp_path: Path) -> None:
    (tmp_path / "ram.bin").write_bytes(bytes(0x40_0000))
    path = bridge(tmp_path, tmp_path / "ram.bin")
    kept = tmp_path / "a.mcap"
    kept.write_bytes(b"kept")
    done = lowhalf("record", str(path), str(kept), "--seconds", "1")
    assert done.returncode == 2
    assert done.stderr == f"lowhalf: {kept} is there already; --force replaces it\n"
    assert kept.read_bytes() == b"kept"
