"""A host for Windows read by lowhalf for Windows, both under Wine.

What lowhalf says is held against lowhalf on Linux with the same bytes in a dump, and against the
counters that the host itself prints (tide_host.c).
"""

from __future__ import annotations

import contextlib
import json
import struct
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import pytest

from adapters.recordings.reader import open_recording
from bridge.memory.address_map import Span
from bridge.memory.byte_order import ByteOrder
from tests.windows.comparing import (
    NEEDS_WINE,
    ROOT,
    bridge,
    guest_ram,
    in_frame,
    on_linux,
    without_origin,
)
from tests.windows.rig import windows_path
from tests.windows.wine import BEGAN, ENDED, HOST, WORKER, Host, Lowhalf, Program, Wine

GUARDED, READ_WRITE, NOACCESS = 0x104, 0x04, 0x01
COMMIT, RESERVE = 0x1000, 0x2000

pytestmark = NEEDS_WINE
MAPPING = (f"Tidewright RAM{WORKER}", "0x10040")
SHARED = f'kind = "shared"\nmapping = "{MAPPING[0]}"\noffset = {MAPPING[1]}'
FILE = 'kind = "shared"\npath = "ram.bin"'
SAMPLING = """
[sampling]
frame = "frame_began"
guard = { began = "frame_began", ended = "frame_ended" }
"""
PROCESS = f'kind = "process"\nname = "{HOST}"'
NOT_THERE = {
    PROCESS: f"no process is named {HOST}: is the emulator running?",
    SHARED: f"there is no file mapping {MAPPING[0]}: is the emulator running?",
    FILE: "ram.bin is not there: is the emulator running?",
}
BOTH = pytest.mark.parametrize(
    ("source", "mapping"), [(PROCESS, ()), (SHARED, MAPPING)], ids=["process", "shared"]
)


@pytest.fixture
def image(tmp_path: Path) -> Path:
    """The sample's RAM, in guest order."""
    path = tmp_path / "ram.bin"
    path.write_bytes(guest_ram())
    return path


@dataclass
class Watching:
    """A lowhalf that goes on through the tests of this module, since it starts slowly there."""

    lowhalf: Lowhalf
    folder: Path
    source: str

    def until_gone(self) -> None:
        """It says that nothing is there, as each test begins and ends."""
        said = NOT_THERE[self.source]
        self.lowhalf.until(lambda: reason(self.lowhalf).endswith(said), "word that nothing is")

    def until_ended(self, host: Host) -> None:
        """Kill the host; lowhalf tells of that."""
        self.lowhalf.sees_killed(host)
        self.lowhalf.until(lambda: status(self.lowhalf) == "offline", "word of its end")


@pytest.fixture(scope="module")
def watching(
    wine: Wine, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Callable[[str], Watching]]:
    """Gives the lowhalf that has a source, and does not see its host yet."""
    running: dict[str, Watching] = {}
    with contextlib.ExitStack() as stack:

        def given(source: str) -> Watching:
            if source not in running:
                folder = tmp_path_factory.mktemp("watching")
                words = ("run", bridge(folder, source), "--json")
                lowhalf = stack.enter_context(wine.lowhalf(folder, *words))
                running[source] = Watching(lowhalf, folder, source)
            running[source].until_gone()
            return running[source]

        yield given


def status(lowhalf: Lowhalf) -> str:
    last = lowhalf.last()
    return str(last["readings"][0]["status"]) if last else ""


def reason(lowhalf: Lowhalf) -> str:
    last = lowhalf.last()
    return str(last["readings"][0]["reason"]) if last else ""


def paused_frame(host: Host, lowhalf: Lowhalf) -> tuple[int, str]:
    """The counter that a host prints once it pauses, and lowhalf's line of that frame."""
    lowhalf.until(lowhalf.good, "a frame")
    began, ended = host.say("p")
    assert began == ended
    return began, lowhalf.until_frame(began)


@pytest.mark.parametrize(
    ("source", "mapping", "order"),
    [
        pytest.param(PROCESS, (), ByteOrder.SWAP32, id="process"),
        pytest.param(PROCESS, (), ByteOrder.BIG, marks=pytest.mark.full, id="big"),
        pytest.param(PROCESS, (), ByteOrder.SWAP16, marks=pytest.mark.full, id="swap16"),
        pytest.param(PROCESS, (), ByteOrder.HALFSWAP, marks=pytest.mark.full, id="halfswap"),
        pytest.param(PROCESS, MAPPING, ByteOrder.SWAP32, marks=pytest.mark.full, id="a view"),
        pytest.param(SHARED, MAPPING, ByteOrder.SWAP32, id="shared"),
        pytest.param(
            SHARED, MAPPING, ByteOrder.HALFSWAP, marks=pytest.mark.full, id="shared halfswap"
        ),
    ],
)
def test_values_are_those_of_linux_and_frames_the_hosts(
    wine: Wine,
    watching: Callable[[str], Watching],
    tmp_path: Path,
    image: Path,
    source: str,
    mapping: tuple[str, ...],
    order: ByteOrder,
) -> None:
    here = watching(source)
    with wine.host(image, *mapping, order=order) as host:
        frame, line = paused_frame(host, here.lowhalf)
        assert without_origin(line) == on_linux(tmp_path, image, frame, source)
        # a paused game's frames do not go on; a game that goes on has its frames seen
        assert host.say("q") == (frame, frame)
        host.say("g")
        here.lowhalf.until(
            lambda: (here.lowhalf.good() or {"frame": 0})["frame"] > frame, "more frames"
        )
        here.until_ended(host)
    here.until_gone()


@pytest.mark.full
@BOTH
def test_all_of_its_memory_is_recorded(
    wine: Wine, tmp_path: Path, image: Path, source: str, mapping: tuple[str, ...]
) -> None:
    """Calls take long under Wine: of frames that go on few are whole, but where the host pauses."""
    words = ("record", bridge(tmp_path, source), "all.mcap")
    with wine.host(image, *mapping) as host:
        with wine.lowhalf(tmp_path, *words) as lowhalf:
            lowhalf.until(lambda: any("build " in line for line in lowhalf.errors), "a build")
            for _ in range(10):
                time.sleep(0.3)
                host.say("p")
                time.sleep(0.3)
                host.say("g")
            assert lowhalf.interrupt() == 0, lowhalf.errors
        ram = image.read_bytes()
    recording = open_recording(tmp_path / "all.mcap")
    assert recording.complete
    memory, found = recording.memory_before(0), []
    for group in range(len(recording.groups)):
        for frame in recording.frames(group):
            memory.apply(frame)
            if not frame.in_part:
                found.append(frame.number)
                whole = memory.read(Span(0x8000_0000, len(ram)))
                assert whole == in_frame(ram, frame.number), frame.number
    assert len(found) > 5


@pytest.mark.full
@BOTH
@pytest.mark.parametrize("times", [2, pytest.param(20, marks=pytest.mark.full)])
def test_it_is_found_again_after_each_restart(
    wine: Wine,
    watching: Callable[[str], Watching],
    tmp_path: Path,
    image: Path,
    source: str,
    mapping: tuple[str, ...],
    times: int,
) -> None:
    here = watching(source)
    for turn in range(1, times + 1):
        # each has frames of its own, so that none of one before is taken for its
        image.write_bytes(in_frame(guest_ram(), turn << 20))
        with wine.host(image, *mapping) as host:
            here.lowhalf.until(partial(_of_turn, here.lowhalf, turn), f"frame of start {turn}")
            frame, line = paused_frame(host, here.lowhalf)
            assert frame >> 20 == turn
            assert without_origin(line) == on_linux(tmp_path, image, frame, source)
            here.until_ended(host)


def _of_turn(lowhalf: Lowhalf, turn: int) -> bool:
    good = lowhalf.good()
    return good is not None and good["frame"] >> 20 == turn


@pytest.mark.full
@pytest.mark.parametrize(
    ("letter", "protection"),
    [
        ("u", (GUARDED, COMMIT)),
        pytest.param("n", (NOACCESS, COMMIT), marks=pytest.mark.full),
        pytest.param("d", None, marks=pytest.mark.full),
    ],
    ids=["guard", "no access", "given back"],
)
def test_a_page_that_may_not_be_read_is_missing_alone_and_stays_as_it_is(
    wine: Wine, tmp_path: Path, image: Path, letter: str, protection: tuple[int, int] | None
) -> None:
    """The middle page of the RAM; a guard would be gone once anybody had read there."""
    path = bridge(tmp_path, PROCESS)
    words = {"before": 0x801F_FFFC, "in_it": 0x8020_0800, "after": 0x8020_1000}
    schema = (ROOT / "schemas/games/tidewright.schema.toml").read_text("utf-8")
    symbols = "".join(f'word_{name} = "u32"\n' for name in words)
    places = "".join(f"word_{name} = {at}\n" for name, at in words.items())
    schema = schema.replace("[symbols]\n", f"[symbols]\n{symbols}").replace(
        ".at]\n", f".at]\n{places}"
    )
    (tmp_path / "pages.schema.toml").write_text(schema, "utf-8")
    watches = "".join(f'[[watches]]\nname = "{name}"\nexpr = "word_{name}"\n' for name in words)
    (tmp_path / path).write_text(
        f'schema = "pages.schema.toml"\n[source]\n{PROCESS}\n{SAMPLING}{watches}', "utf-8"
    )
    with wine.host(image) as host:
        was = host.say(letter)
        assert protection in (was, None)
        with wine.lowhalf(tmp_path, "run", path, "--json") as lowhalf:
            frame, line = paused_frame(host, lowhalf)
        found = {r["watch"]: (r["status"], r["value"]) for r in json.loads(line)["readings"]}
        data = image.read_bytes()
        (before,) = struct.unpack_from(">I", data, 0x1F_FFFC)
        (after,) = struct.unpack_from(">I", data, 0x20_1000)
        assert found == {
            "before": ("ok", before),
            "in_it": ("unmapped", None),
            "after": ("ok", after),
        }
        assert host.say("k") == was
        assert host.say("q") == (frame, frame)


@pytest.mark.full
def test_ram_that_moves_is_searched_for_again(
    wine: Wine, watching: Callable[[str], Watching], tmp_path: Path, image: Path
) -> None:
    here = watching(PROCESS)
    with wine.host(image) as host:
        here.lowhalf.until(here.lowhalf.good, "a frame")
        moved, _ = host.say("m")
        assert moved != host.live
        at, _ = host.say("q")
        here.lowhalf.until(
            lambda: (here.lowhalf.good() or {"frame": 0})["frame"] > at + 100, "its frames"
        )
        frame, line = paused_frame(host, here.lowhalf)
        assert without_origin(line) == on_linux(tmp_path, image, frame, PROCESS)
        here.until_ended(host)


@pytest.mark.full
def test_a_program_that_ends_with_the_number_of_those_that_run(
    wine: Wine, watching: Callable[[str], Watching], image: Path
) -> None:
    """STILL_ACTIVE, 259, is what GetExitCodeProcess says of a program that runs."""
    here = watching(PROCESS)
    with wine.host(image) as host:
        here.lowhalf.until(here.lowhalf.good, "a frame")
        with here.lowhalf.held_still(host):
            host.write("e")
            host.join()
        here.lowhalf.until(lambda: status(here.lowhalf) == "offline", "word of its end")
        assert here.lowhalf.errors[-1].endswith(f"process {host.pid} has ended")


def test_a_process_that_lets_nobody_read_it(wine: Wine, tmp_path: Path, image: Path) -> None:
    """Its access control list grants nobody anything, and so OpenProcess is refused."""
    with wine.host(image) as host:
        assert host.say("l") == (1, 0)
        with wine.lowhalf(tmp_path, "run", bridge(tmp_path, PROCESS), "--json") as lowhalf:
            assert lowhalf.join() == 3
    assert lowhalf.errors == [
        f"lowhalf: process {HOST}: process {host.pid} ({HOST}.exe) may not be read: Windows denies "
        "it; run lowhalf and the emulator as the same user, and not as administrator unless the "
        "emulator is; where the emulator protects itself, use push, shared or debugger"
    ]


@pytest.mark.full
def test_a_program_that_lowhalf_starts(wine: Wine, tmp_path: Path, image: Path) -> None:
    path = bridge(tmp_path, 'kind = "process"')
    words = wine.host_words(image, name="tidechild")
    with wine.lowhalf(tmp_path, "run", path, "--json", "--", *words) as lowhalf:
        good = lowhalf.until(lowhalf.good, "a frame")
        assert good["source"] == "process started here"
        lowhalf.until(lambda: lowhalf.last()["frame"] > good["frame"] + 100, "more frames")


def test_a_file_that_another_program_writes_to(
    wine: Wine, watching: Callable[[str], Watching]
) -> None:
    """It holds the file open for writing as it goes on, and may remove it though lowhalf reads."""
    here = watching(FILE)
    (here.folder / "ram.bin").write_bytes(guest_ram())
    frames = [(">I", offset) for offset in (BEGAN, ENDED)]
    writing = f"""
import os, struct, sys, threading, time
asked = threading.Event()
threading.Thread(target=lambda: (sys.stdin.readline(), asked.set()), daemon=True).start()
file = open("ram.bin", "r+b", buffering=0)
print("held", flush=True)
for frame in range(1000, 1 << 30):
    for form, offset in {frames!r}:
        file.seek(offset)
        file.write(struct.pack(form, frame))
    if asked.wait(0.01):
        break
file.close()
os.remove("ram.bin")
print("removed", flush=True)
sys.stdin.read()
"""
    with Program(wine.folder, [wine.python, "-c", writing], here.folder) as writer:
        writer.until(lambda: "held" in writer.lines, "word")
        first = here.lowhalf.until(here.lowhalf.good, "a frame")
        here.lowhalf.until(lambda: here.lowhalf.last()["frame"] > first["frame"] + 20, "more")
        writer.write("remove")
        writer.until(lambda: "removed" in writer.lines, "removal")
    # Wine 8.0 leaves a removed file where it is once somebody else has it open
    (here.folder / "ram.bin").unlink(missing_ok=True)
    here.until_gone()


@pytest.mark.full
def test_a_file_that_its_program_keeps_for_itself(
    wine: Wine, watching: Callable[[str], Watching]
) -> None:
    """FILE_SHARE_… of none (0): nobody else may open it."""
    here = watching(FILE)
    holding = """
import ctypes, os, sys
open_file = ctypes.WinDLL("kernel32").CreateFileW
open_file.restype = ctypes.c_void_p
print("held", open_file("new.bin", 0xC0000000, 0, None, 3, 0, None), flush=True)
sys.stdin.read()
"""
    path = here.folder / "ram.bin"
    (here.folder / "new.bin").write_bytes(guest_ram())
    with Program(wine.folder, [wine.python, "-c", holding], here.folder) as holder:
        holder.until(lambda: holder.lines, "word")
        (here.folder / "new.bin").rename(path)
        said = "is held by a program that lets no other read it"
        here.lowhalf.until(lambda: reason(here.lowhalf).endswith(said), "word of it")
    here.lowhalf.until(here.lowhalf.good, "a frame")
    path.unlink()
    here.until_gone()


def test_attach_finds_it(wine: Wine, tmp_path: Path, image: Path) -> None:
    schema = windows_path(ROOT / "schemas/games/tidewright.schema.toml")
    words = ("attach", schema, "--process", HOST)
    with wine.host(image), wine.lowhalf(tmp_path, *words) as lowhalf:
        assert lowhalf.join() == 0, lowhalf.errors
        text = "\n".join(lowhalf.lines)
    assert 'kind = "process"' in text
    assert f'name = "{HOST}.exe"' in text
