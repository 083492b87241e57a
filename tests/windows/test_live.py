"""A host for Windows read by lowhalf for Windows, both under Wine.

What lowhalf says is held against lowhalf on Linux with the same bytes in a dump, and against the
counters that the host itself prints (tide_host.c).
"""

from __future__ import annotations

import json
import struct
from functools import partial
from pathlib import Path

import pytest

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
from tests.windows.wine import BEGAN, ENDED, Host, Lowhalf, Program, Wine

GUARDED, READ_WRITE, NOACCESS = 0x104, 0x04, 0x01
COMMIT, RESERVE = 0x1000, 0x2000

pytestmark = NEEDS_WINE
MAPPING = ("Tidewright RAM", "0x10040")
SHARED = f'kind = "shared"\nmapping = "{MAPPING[0]}"\noffset = {MAPPING[1]}'
SAMPLING = """
[sampling]
frame = "frame_began"
guard = { began = "frame_began", ended = "frame_ended" }
"""
PROCESS = 'kind = "process"\nname = "tidehost"'


@pytest.fixture
def image(tmp_path: Path) -> Path:
    """The sample's RAM, in guest order."""
    path = tmp_path / "ram.bin"
    path.write_bytes(guest_ram())
    return path


def paused_frame(host: Host, lowhalf: Lowhalf) -> tuple[int, str]:
    """The counter that a host prints once it pauses, and lowhalf's line of that frame."""
    lowhalf.until(lowhalf.good, "a frame")
    began, ended = host.say("p")
    assert began == ended
    return began, lowhalf.until_frame(began)


@pytest.mark.parametrize(
    ("source", "mapping", "order"),
    [
        (PROCESS, (), ByteOrder.SWAP32),
        pytest.param(PROCESS, (), ByteOrder.BIG, marks=pytest.mark.full),
        pytest.param(PROCESS, (), ByteOrder.SWAP16, marks=pytest.mark.full),
        pytest.param(PROCESS, (), ByteOrder.HALFSWAP, marks=pytest.mark.full),
        pytest.param(PROCESS, MAPPING, ByteOrder.SWAP32, marks=pytest.mark.full),
        (SHARED, MAPPING, ByteOrder.SWAP32),
        pytest.param(SHARED, MAPPING, ByteOrder.HALFSWAP, marks=pytest.mark.full),
    ],
)
def test_values_are_those_of_linux_and_frames_the_hosts(
    wine: Wine,
    tmp_path: Path,
    image: Path,
    source: str,
    mapping: tuple[str, ...],
    order: ByteOrder,
) -> None:
    path = bridge(tmp_path, source)
    with (
        wine.host(image, *mapping, order=order) as host,
        wine.lowhalf(tmp_path, "run", path, "--json") as lowhalf,
    ):
        frame, line = paused_frame(host, lowhalf)
        assert without_origin(line) == on_linux(tmp_path, image, frame, source)
        # a paused game's frames do not go on; a game that goes on has its frames seen
        assert host.say("q") == (frame, frame)
        host.say("g")
        lowhalf.until(lambda: (lowhalf.good() or {"frame": 0})["frame"] > frame, "more frames")


@pytest.mark.parametrize(
    ("source", "mapping"), [(PROCESS, ()), (SHARED, MAPPING)], ids=["process", "shared"]
)
@pytest.mark.parametrize("times", [3, pytest.param(20, marks=pytest.mark.full)])
def test_it_is_found_again_after_each_restart(
    wine: Wine, tmp_path: Path, image: Path, source: str, mapping: tuple[str, ...], times: int
) -> None:
    path = bridge(tmp_path, source)
    seen: set[int] = set()
    with wine.lowhalf(tmp_path, "run", path, "--json") as lowhalf:
        for turn in range(1, times + 1):
            # each has frames of its own, so that none of one before is taken for its
            image.write_bytes(in_frame(guest_ram(), turn << 20))
            with wine.host(image, *mapping) as host:
                lowhalf.until(partial(_of_turn, lowhalf, turn), f"frame of start {turn}")
                frame, line = paused_frame(host, lowhalf)
                seen.add(frame >> 20)
                assert without_origin(line) == on_linux(tmp_path, image, frame, source)
                lowhalf.sees_killed(host)
            lowhalf.until(lambda: _status(lowhalf) == "offline", "word of its end")
    assert seen == set(range(1, times + 1))


def _of_turn(lowhalf: Lowhalf, turn: int) -> bool:
    good = lowhalf.good()
    return good is not None and good["frame"] >> 20 == turn


def _status(lowhalf: Lowhalf) -> str:
    last = lowhalf.last()
    return str(last["readings"][0]["status"]) if last else ""


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


def test_ram_that_moves_is_searched_for_again(wine: Wine, tmp_path: Path, image: Path) -> None:
    path = bridge(tmp_path, PROCESS)
    with wine.host(image) as host, wine.lowhalf(tmp_path, "run", path, "--json") as lowhalf:
        lowhalf.until(lowhalf.good, "a frame")
        moved, _ = host.say("m")
        assert moved != host.live
        at, _ = host.say("q")
        lowhalf.until(lambda: (lowhalf.good() or {"frame": 0})["frame"] > at + 100, "its frames")
        frame, line = paused_frame(host, lowhalf)
        assert without_origin(line) == on_linux(tmp_path, image, frame, PROCESS)


def test_a_program_that_lowhalf_starts(wine: Wine, tmp_path: Path, image: Path) -> None:
    path = bridge(tmp_path, 'kind = "process"')
    words = wine.host_words(image, name="tidechild")
    with wine.lowhalf(tmp_path, "run", path, "--json", "--", *words) as lowhalf:
        good = lowhalf.until(lowhalf.good, "a frame")
        assert good["source"] == "process started here"
        lowhalf.until(lambda: lowhalf.last()["frame"] > good["frame"] + 100, "more frames")


def _reason(lowhalf: Lowhalf) -> str:
    last = lowhalf.last()
    return str(last["readings"][0]["reason"]) if last else ""


@pytest.mark.parametrize(
    ("source", "said"),
    [
        (PROCESS, "no process is named tidehost: is the emulator running?"),
        (SHARED, "there is no file mapping Tidewright RAM: is the emulator running?"),
    ],
    ids=["process", "shared"],
)
def test_what_is_not_there_is_waited_for(
    wine: Wine, tmp_path: Path, image: Path, source: str, said: str
) -> None:
    path = bridge(tmp_path, source)
    mapping = MAPPING if source == SHARED else ()
    with wine.lowhalf(tmp_path, "run", path, "--json") as lowhalf:
        lowhalf.until(lambda: _reason(lowhalf).endswith(said), "word of it")
        with wine.host(image, *mapping) as host:
            lowhalf.until(lowhalf.good, "a frame")
            lowhalf.sees_killed(host)


def test_a_file_that_another_program_writes_to(wine: Wine, tmp_path: Path, image: Path) -> None:
    """It holds the file open for writing as it goes on, and may remove it though lowhalf reads."""
    path = bridge(tmp_path, 'kind = "shared"\npath = "ram.bin"')
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
    python = windows_path(wine.folder / "python" / "python.exe")
    with Program(wine.folder, [python, "-c", writing], tmp_path) as writer:
        writer.until(lambda: "held" in writer.lines, "word")
        with wine.lowhalf(tmp_path, "run", path, "--json") as lowhalf:
            first = lowhalf.until(lowhalf.good, "a frame")
            lowhalf.until(lambda: lowhalf.last()["frame"] > first["frame"] + 20, "more frames")
            writer.write("remove")
            writer.until(lambda: "removed" in writer.lines, "removal")


def test_a_file_that_its_program_keeps_for_itself(wine: Wine, tmp_path: Path, image: Path) -> None:
    """FILE_SHARE_… of none (0): nobody else may open it."""
    path = bridge(tmp_path, 'kind = "shared"\npath = "ram.bin"')
    holding = """
import ctypes, sys
open_file = ctypes.WinDLL("kernel32").CreateFileW
open_file.restype = ctypes.c_void_p
print("held", open_file("ram.bin", 0xC0000000, 0, None, 3, 0, None), flush=True)
sys.stdin.read()
"""
    python = windows_path(wine.folder / "python" / "python.exe")
    with wine.lowhalf(tmp_path, "run", path, "--json") as lowhalf:
        with Program(wine.folder, [python, "-c", holding], tmp_path) as holder:
            holder.until(lambda: holder.lines, "word")
            said = "is held by a program that lets no other read it"
            lowhalf.until(lambda: _reason(lowhalf).endswith(said), "word of it")
        lowhalf.until(lowhalf.good, "a frame")


def test_attach_finds_it(wine: Wine, tmp_path: Path, image: Path) -> None:
    schema = windows_path(ROOT / "schemas/games/tidewright.schema.toml")
    with wine.host(image), wine.lowhalf(tmp_path, "attach", schema) as lowhalf:
        assert lowhalf.join() == 0, lowhalf.errors
        text = "\n".join(lowhalf.lines)
    assert 'kind = "process"' in text
    assert 'name = "tidehost.exe"' in text
