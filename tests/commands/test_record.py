"""``lowhalf record``, and the output ``recording``: what the sampler took is in the file.

What must be there comes from outside: the game on QEMU writes its frame's number in six parts of a
frame, and ``pmemsave`` of QEMU's monitor gives a held guest's RAM.
"""

from __future__ import annotations

import json
import random
import re
import signal
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from mcap.reader import make_reader

from adapters.recordings.reader import Recording, open_recording
from bridge.memory.address_map import Span
from bridge.memory.fetched import Partial
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


class MadeGame:
    """A file that is written as an emulator writes its RAM: 60 frames a second, in a thread."""

    def __init__(self, path: Path, size: int = 0x8_0000) -> None:
        self.path = path
        path.write_bytes(bytes(0x400) + b"TIDE 1.0" + bytes(size - 0x408))
        self._file = path.open("r+b", buffering=0)
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._play)
        self.frame = 0

    def __enter__(self) -> MadeGame:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join()
        self._file.close()

    def _play(self) -> None:
        while not self._ended.wait(1 / 60):
            self.frame += 1
            self._put(0x10, self.frame)
            # proof: each of eight lines, of which no watch looks at seven, has the frame's number
            for line in range(8):
                self._put(0x4000 + 0x100 * line, self.frame)
            self._put(0x14, self.frame)

    def _put(self, at: int, value: int) -> None:
        self._file.seek(at)
        self._file.write(struct.pack(">I", value))


MADE_SCHEMA = """
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [ { name = "ram", start = 0x8000_0000, size = 0x8_0000 } ]
[symbols]
began = "u32"
ended = "u32"
room = "u32"
[builds.made]
recognise = [ { at = 0x8000_0400, text = "TIDE 1.0" } ]
at = { began = 0x8000_0010, ended = 0x8000_0014, room = 0x8000_4000 }
"""
MADE = """
schema = "made.schema.toml"
[source]
kind = "shared"
path = "made.ram"
[sampling]
frame = "began"
guard = { began = "began", ended = "ended" }
[[watches]]
name = "in_room"
expr = "room"
"""


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Path]:
    """The bridge file of a game that is played."""
    (tmp_path / "made.schema.toml").write_text(MADE_SCHEMA, "utf-8")
    (tmp_path / "made.bridge.toml").write_text(MADE, "utf-8")
    with MadeGame(tmp_path / "made.ram"):
        yield tmp_path / "made.bridge.toml"


def proofs(path: Path) -> list[tuple[int, bool, set[int | None]]]:
    """Number of each frame, whether it is in part, and what its eight lines say."""
    recording = open_recording(path)
    memory = recording.memory_before(0)
    found = []
    for group in range(len(recording.groups)):
        for frame in recording.frames(group):
            memory.apply(frame)
            lines = [memory.read(Span(0x8000_4000 + 0x100 * line, 4)) for line in range(8)]
            said = {int.from_bytes(part) if isinstance(part, bytes) else None for part in lines}
            found.append((frame.number, frame.in_part, said))
    return found


@pytest.mark.parametrize("times", [3, pytest.param(100, marks=pytest.mark.full)])
def test_what_is_killed_has_all_but_the_last_second(made: Path, times: int) -> None:
    chance = random.Random(14)
    for turn in range(times):
        path = made.parent / f"{turn}.mcap"
        with Running("record", str(made), str(path), "--ram", "whole") as daemon:
            daemon.wait_for("build made")
            time.sleep(1.2 + chance.random())
            (newest,) = struct.unpack(">I", (made.parent / "made.ram").read_bytes()[0x14:0x18])
            daemon.process.kill()
            daemon.process.wait()
        found = proofs(path)
        assert all(said == {number} for number, in_part, said in found if not in_part)
        # a second, and what a busy machine is late with
        assert found[-1][0] > newest - 60 - 30
        assert [number for number, _, _ in found] == sorted({number for number, _, _ in found})


def test_what_no_watch_looks_at_is_not_known_where_only_touched_lines_are_recorded(
    made: Path,
) -> None:
    path = made.parent / "a.mcap"
    done = lowhalf("record", str(made), str(path), "--ram", "touched", "--seconds", "1.5")
    assert done.returncode == 0, done.stderr
    found = proofs(path)
    assert len(found) > 20
    assert all(said == {number, None} for number, _, said in found)
    assert not any(in_part for _, in_part, _ in found)


def test_what_is_excluded_is_not_in_the_file(made: Path) -> None:
    left_out = 'exclude = [ { start = 0x8000_4100, size = "512 B" } ]'
    made.write_text(f'{MADE}[outputs.recording]\npath = "x.mcap"\n{left_out}\n', "utf-8")
    done = lowhalf("run", str(made), "--quiet", "--seconds", "1.5")
    assert done.returncode == 0, done.stderr
    recording = open_recording(made.parent / "x.mcap")
    memory = recording.memory_before(0)
    for group in range(len(recording.groups)):
        for frame in recording.frames(group):
            memory.apply(frame)
    held = memory.read(Span(0x8000_4000, 0x400))
    assert isinstance(held, Partial)
    assert held.held == b"\1" * 0x100 + bytes(0x200) + b"\1" * 0x100


@pytest.mark.posix("a process there has no limit of its files' sizes")
def test_a_disk_that_fills_costs_the_recording_and_is_told(made: Path) -> None:
    """setrlimit(2), RLIMIT_FSIZE: a file that would grow larger is refused, as on a full disk."""
    path = made.parent / "a.mcap"
    limited = (
        # CPython does not see that a compiled module was written in part
        "import resource, signal, sys\n"
        "sys.dont_write_bytecode = True\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (6000, 6000))\n"
        "from adapters.commands.main import main\n"
        "sys.exit(main(sys.argv[1:]))"
    )
    words = [sys.executable, "-c", limited, "record", str(made), str(path), "--seconds", "30"]
    done = subprocess.run(words, capture_output=True, text=True, cwd=ROOT, timeout=60)
    assert done.returncode == 2, done.stderr
    assert f"{path} cannot be written (File too large)" in done.stderr


def on_a_disk(folder: Path, options: str, *words: str) -> subprocess.CompletedProcess[str]:
    """A command of lowhalf with a disk of its own at ``folder/disk``, kept as ``folder/kept``.

    tmpfs(5), with these options, in a mount namespace of its own.
    """
    disk, kept = folder / "disk", folder / "kept"
    disk.mkdir()
    kept.mkdir()
    mount = f"mount -t tmpfs -o {options} none {disk}"
    if subprocess.run(["unshare", "-m", "sh", "-c", mount], capture_output=True).returncode:
        pytest.skip("this user may mount nothing")
    script = f'{mount} && "$@"; code=$?; cp -r {disk}/. {kept}; exit $code'
    run = [sys.executable, "-m", "adapters.commands", *words]
    return subprocess.run(
        ["unshare", "-m", "sh", "-c", script, "sh", *run],
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=60,
    )


@pytest.mark.posix("mounts a small disk")
def test_what_a_disk_that_fills_has_is_played(made: Path) -> None:
    path = made.parent / "disk" / "a.mcap"
    done = on_a_disk(made.parent, "size=32k", "record", str(made), str(path), "--seconds", "40")
    assert done.returncode == 2, done.stderr
    assert f"{path} cannot be written (No space left on device)" in done.stderr
    found = proofs(made.parent / "kept" / "a.mcap")
    assert all(said == {number} for number, in_part, said in found if not in_part)
    (newest,) = struct.unpack(">I", (made.parent / "made.ram").read_bytes()[0x14:0x18])
    # what was not on the disk is a second; the program has ended since
    assert found[-1][0] > newest - 60 - 120
    assert len(found) > 60


@pytest.mark.posix("mounts a disk that cannot be written")
def test_a_folder_that_cannot_be_written_is_told_at_once(made: Path) -> None:
    path = made.parent / "disk" / "a.mcap"
    done = on_a_disk(made.parent, "ro", "record", str(made), str(path), "--seconds", "40")
    assert done.returncode == 2, done.stderr
    assert done.stderr.endswith(
        f"recording a.mcap: {path} cannot be written (Read-only file system)\n"
    )


@pytest.mark.posix("mounts a disk that cannot be written")
@pytest.mark.parametrize(
    ("options", "why"),
    [
        ("size=20k", "No space left on device"),
        pytest.param("ro", "Read-only file system", marks=pytest.mark.full),
    ],
)
def test_a_recording_that_ends_ends_no_other_output(made: Path, options: str, why: str) -> None:
    path = made.parent / "disk" / "a.mcap"
    made.write_text(f'{MADE}[outputs.recording]\npath = "disk/a.mcap"\n', "utf-8")
    done = on_a_disk(made.parent, options, "run", str(made), "--json", "--seconds", "5")
    assert done.returncode == 0, done.stderr
    told = [line for line in done.stderr.splitlines() if "nothing more is recorded" in line]
    assert [line.partition(path.name + ": ")[2] for line in told] == [
        f"{path} cannot be written ({why}); nothing more is recorded"
    ]
    # the rest goes on: frames at a tenth of a game's pace and more
    assert len(done.stdout.splitlines()) > 30


@pytest.mark.posix("what is open cannot be removed there")
def test_a_file_that_vanishes_while_it_is_written_is_told(made: Path) -> None:
    path = made.parent / "a.mcap"
    with Running("record", str(made), str(path), "--seconds", "30") as daemon:
        daemon.wait_for("recording to ")
        path.unlink()
        assert daemon.process.wait(20) == 2
        daemon.gather_the_rest()
    assert daemon.logged[-1].endswith(
        f"{path} is gone: it was removed or replaced while it was written"
    )


def test_two_that_record_into_one_file(made: Path) -> None:
    """The second is refused; where it is told to replace the file, the first one says so."""
    path = made.parent / "a.mcap"
    with Running("record", str(made), str(path), "--seconds", "30") as first:
        first.wait_for("build made")
        time.sleep(1.5)
        done = lowhalf("record", str(made), str(path), "--seconds", "1")
        assert (done.returncode, done.stderr) == (
            2,
            f"lowhalf: {path} is there already; --force replaces it\n",
        )
        if sys.platform == "win32":
            return  # where what is open cannot be removed
        done = lowhalf("record", str(made), str(path), "--seconds", "2", "--force")
        assert done.returncode == 0, done.stderr
        assert first.process.wait(20) == 2
        first.gather_the_rest()
    assert first.logged[-1].endswith(
        f"{path} is gone: it was removed or replaced while it was written"
    )
    found = proofs(path)
    assert len(found) > 20
    assert all(said == {number} for number, in_part, said in found if not in_part)


def test_an_empty_file_may_be_there(made: Path) -> None:
    """As mktemp makes it."""
    path = made.parent / "a.mcap"
    path.touch()
    done = lowhalf("record", str(made), str(path), "--seconds", "1.5")
    assert done.returncode == 0, done.stderr
    assert len(proofs(path)) > 20
    assert [each.name for each in made.parent.glob("*.mcap")] == ["a.mcap"]


ATTEMPTS = """
[attempts]
begins = "room % 40 == 10"
succeeds = "room % 40 == 20"
given_up = "room % 40 == 15 and room % 80 > 40"
[outputs.recording]
path = "kept/x.mcap"
clips = "attempts"
"""


def test_each_attempt_is_a_clip_from_before_it_began(made: Path) -> None:
    made.write_text(f"{MADE}{ATTEMPTS}", "utf-8")
    done = lowhalf("run", str(made), "--quiet", "--seconds", "5")
    assert done.returncode == 0, done.stderr
    listed = lowhalf("attempts", str(made), "--json")
    attempts = json.loads(listed.stdout)["attempts"]
    ended = [each for each in attempts if each["outcome"] in ("success", "given-up")]
    assert {each["outcome"] for each in ended} == {"success", "given-up"}
    for attempt in ended:
        name = f"clips/made-{attempt['attempt']:05}-{attempt['outcome']}.mcap"
        assert attempt["clip"] == name
        found = proofs(made.parent / name)
        assert all(said == {number} for number, in_part, said in found if not in_part)
        numbers = [number for number, _, _ in found]
        assert numbers[-1] == attempt["began_frame"] + attempt["frames"]
        assert numbers[0] <= attempt["began_frame"]
    # all else is in the last minutes
    assert [path.name for path in (made.parent / "kept").iterdir()] == ["made-000001.mcap"]
