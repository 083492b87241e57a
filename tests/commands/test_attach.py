"""``lowhalf attach`` on the live game, on host programs of our own, and where nothing runs."""

from __future__ import annotations

import contextlib
import json
import secrets
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from adapters.commands.attaching.bridge import Attached, bridge_text
from adapters.commands.attaching.counting import Counting, count_rate, frame_counter, frame_guard
from bridge.memory.byte_order import ByteOrder
from bridge.prepared import prepare
from schemas.compiler import load_schema
from schemas.loader import load_bridge
from tests.commands import files
from tests.commands.command import lowhalf
from tests.guest.build import build
from tests.guest.machine import GuestMachine

SCHEMA = Path(__file__).parents[2] / "schemas/games/tidewright.schema.toml"
on_linux = pytest.mark.skipif(sys.platform != "linux", reason="looks at Linux's /proc")
needs_emulator = pytest.mark.needs("qemu-system-mips", "qemu-system-mips")
needs_compiler = pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc")

# the live game


@pytest.fixture(scope="module")
def guest(tmp_path_factory: pytest.TempPathFactory) -> Iterator[GuestMachine]:
    directory = tmp_path_factory.mktemp("attached")
    with GuestMachine(build(directory)["export"], directory) as guest:
        guest.command("walk")
        yield guest


@needs_compiler
@needs_emulator
@on_linux
def test_its_shared_file_is_found_with_the_evidence(guest: GuestMachine, tmp_path: Path) -> None:
    path = tmp_path / "new.bridge.toml"
    done = lowhalf("attach", str(SCHEMA), "--process", str(guest.pid), "--write", str(path))
    assert done.returncode == 0, done.stderr
    (found,) = [line for line in done.stderr.splitlines() if line.startswith("found: ")]
    assert found.startswith(
        f"found: file {guest.ram_path} at offset 0x0: build export by "
        '"TIDE 2.0" at 0x80000400, byte order big, frame_began counts '
    )
    assert 20 <= int(found.split("counts ")[1].split()[0]) <= 70  # a 60 Hz game, on a busy host
    bridge = load_bridge(path)
    assert (bridge.file.source.kind, bridge.file.sampling.frame) == ("shared", "frame_began")
    guard = bridge.file.sampling.guard
    assert guard is not None
    assert (guard.began, guard.ended) == ("frame_began", "frame_ended")
    read = lowhalf("read", str(path), "--json")
    assert read.returncode == 0, read.stderr
    frame = json.loads(read.stdout)
    assert (frame["build"], frame["consistency"]) == ("export", "guarded")
    assert frame["readings"][0]["value"] == frame["frame"] > 0


@needs_compiler
@needs_emulator
@on_linux
def test_the_bridge_file_is_printed_where_none_is_to_be_written(
    guest: GuestMachine, tmp_path: Path
) -> None:
    done = lowhalf("attach", str(SCHEMA), "--process", str(guest.pid))
    assert done.returncode == 0, done.stderr
    path = tmp_path / "printed.bridge.toml"
    # relative to the directory in which it was printed, so the test makes it absolute
    printed = [
        f'schema = "{SCHEMA.as_posix()}"' if line.startswith("schema") else line
        for line in done.stdout.splitlines()
    ]
    path.write_text("\n".join(printed), "utf-8")
    assert set(prepare(load_bridge(path))) == {"first-print", "second-print", "export"}


@needs_compiler
@needs_emulator
@on_linux
def test_a_debugger_that_is_named_is_tried_and_the_guest_goes_on(
    guest: GuestMachine, tmp_path: Path
) -> None:
    path = tmp_path / "stub.bridge.toml"
    stub = f"127.0.0.1:{guest.gdb_port}"
    done = lowhalf(
        *("attach", str(SCHEMA), "--process", "no-such-program"),
        *("--debugger", stub, "--write", str(path)),
    )
    assert done.returncode == 0, done.stderr
    assert f'found: debugger {stub}: build export by "TIDE 2.0"' in done.stderr
    source = load_bridge(path).file.source
    assert (source.kind, getattr(source, "address", "")) == ("debugger", stub)
    now = guest.read_symbol_u32("frame_ended")
    assert guest.wait_for_frame(now + 5) >= now + 5


@needs_compiler
@needs_emulator
@on_linux
def test_a_game_that_stands_still_is_found_and_its_counters_are_only_proposed(
    guest: GuestMachine, tmp_path: Path
) -> None:
    guest.hold("carry", 20)
    path = tmp_path / "still.bridge.toml"
    try:
        done = lowhalf("attach", str(SCHEMA), "--process", str(guest.pid), "--write", str(path))
    finally:
        guest.release()
    assert done.returncode == 0, done.stderr
    assert "no counter moves: is the game paused?" in done.stderr
    assert load_bridge(path).file.sampling.guard is None
    assert '# guard = { began = "frame_began", ended = "frame_ended" }' in path.read_text()


# a host program of our own

HOST = """
import mmap, sys, time
image = bytes.fromhex(sys.stdin.readline())
memory = mmap.mmap(-1, len(image))
memory[:] = image
print("ready", flush=True)
count = 0
while len(sys.argv) > 1:
    count += 1
    memory[0x10:0x14] = count.to_bytes(4, "little")  # in a host's own words
    memory[0x18:0x1C] = count.to_bytes(4, "little")
    time.sleep(0.01)
time.sleep(600)
"""


def schema_of(directory: Path, text: str) -> Path:
    """A schema whose one build no other program of this machine knows."""
    path = directory / "own.schema.toml"
    path.write_text(
        f"""
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [ {{ name = "ram", start = 0x8000_0000, size = "1 MiB" }} ]
[symbols]
work_begin = "u32"
work_end = "u32"
hue = "u32"
[builds.print]
recognise = [ {{ at = 0x8000_0400, text = "{text}" }} ]
at = {{ work_begin = 0x8000_0010, work_end = 0x8000_0018, hue = 0x8000_0020 }}
""",
        "utf-8",
    )
    return path


@contextlib.contextmanager
def host(text: str, *, counting: bool = True, before: int = 0) -> Iterator[int]:
    """A process that holds a guest's RAM in swap32, *before* bytes into its memory."""
    text_bytes = text.encode()
    swapped = b"".join(text_bytes[n : n + 4][::-1] for n in range(0, len(text), 4))
    image = bytes(before) + bytes(0x400) + swapped
    image += bytes((1 << 20) + before + 0x1000 - len(image))
    arguments = ["count"] if counting else []
    process = subprocess.Popen(
        [sys.executable, "-c", HOST, *arguments],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    try:
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write(image.hex().encode() + b"\n")
        process.stdin.close()
        assert process.stdout.readline() == b"ready\n"
        yield process.pid
    finally:
        process.kill()
        process.wait()
        if process.stdout is not None:
            process.stdout.close()


def unique() -> str:
    return secrets.token_hex(8)


@on_linux
def test_private_memory_of_a_process_is_found_in_its_byte_order(tmp_path: Path) -> None:
    text = unique()
    path = tmp_path / "own.bridge.toml"
    with host(text) as pid:
        schema = schema_of(tmp_path, text)
        done = lowhalf("attach", str(schema), "--process", str(pid), "--write", str(path))
        assert done.returncode == 0, done.stderr
        (found,) = [line for line in done.stderr.splitlines() if line.startswith("found: ")]
        assert f"({pid}) at 0x" in found
        assert "byte order swap32, work_begin counts " in found
        source = load_bridge(path).file.source
        assert source.kind == "process"
        sampling = load_bridge(path).file.sampling
        assert sampling.guard is not None
        assert (sampling.guard.began, sampling.guard.ended) == ("work_begin", "work_end")
        # by number, whatever else is called like this Python
        written = path.read_text("utf-8")
        assert written.count("0x") == found.count("0x"), "an address would not outlive a restart"


@on_linux
def test_two_that_live_are_listed_and_asked_about(tmp_path: Path) -> None:
    text = unique()
    path = tmp_path / "own.bridge.toml"
    with host(text) as first, host(text) as second:
        schema = schema_of(tmp_path, text)
        done = lowhalf("attach", str(schema), "--write", str(path))
        assert done.returncode == 3
        assert f"({first})" in done.stderr
        assert f"({second})" in done.stderr
        assert "the counters of 2 places move: name the emulator with --process" in done.stderr
    assert not path.exists()


@on_linux
def test_a_copy_of_the_text_alone_is_no_ram(tmp_path: Path) -> None:
    text = unique()
    with host(text, counting=False, before=0x124) as pid:
        schema = schema_of(tmp_path, text)
        done = lowhalf("attach", str(schema), "--process", str(pid))
    assert (done.returncode, done.stdout) == (3, "")
    assert "copies of recognise bytes where no RAM is likely to begin, such as " in done.stderr
    assert "if the game is paused, let it run" in done.stderr


# nothing, and refusals


def test_where_nothing_runs_it_tells_what_was_tried(tmp_path: Path) -> None:
    schema = schema_of(tmp_path, unique())
    done = lowhalf("attach", str(schema), "--debugger", "127.0.0.1:1")
    assert (done.returncode, done.stdout) == (3, "")
    tried = [line for line in done.stderr.splitlines() if line.startswith("tried: ")]
    # this very program may hold a copy of the schema, and others may refuse to be read
    for what in ("shared files: ", "processes: ", "debugger 127.0.0.1:1: nothing answers there"):
        assert any(line.startswith(f"tried: {what}") for line in tried), tried
    assert done.stderr.splitlines()[-1] == (
        "lowhalf: nothing here holds the RAM of a build (print)"
    )


def test_a_schema_without_recognise_bytes_has_nothing_to_look_for(tmp_path: Path) -> None:
    schema = schema_of(tmp_path, "gone")
    text = schema.read_text("utf-8")
    schema.write_text(text.replace('recognise = [ { at = 0x8000_0400, text = "gone" } ]\n', ""))
    done = lowhalf("attach", str(schema))
    assert done.returncode == 3
    assert "no build has recognise bytes to look for" in done.stderr
    assert "debugger: none was named" in done.stderr


def test_a_file_that_is_there_is_not_replaced(tmp_path: Path) -> None:
    bridge = files.write(tmp_path)
    before = bridge.read_bytes()
    done = lowhalf("attach", str(tmp_path / "t.schema.toml"), "--write", str(bridge))
    assert (done.returncode, bridge.read_bytes()) == (2, before)
    assert done.stderr == f"lowhalf: {bridge} is there already; --force replaces it\n"


@on_linux
def test_force_replaces_the_file(tmp_path: Path) -> None:
    text = unique()
    bridge = files.write(tmp_path)
    with host(text) as pid:
        schema = schema_of(tmp_path, text)
        done = lowhalf(
            *("attach", str(schema), "--process", str(pid)), *("--write", str(bridge), "--force")
        )
    assert done.returncode == 0, done.stderr
    assert load_bridge(bridge).file.schema_path == "own.schema.toml"


def test_a_schema_that_is_not_there_is_told(tmp_path: Path) -> None:
    done = lowhalf("attach", str(tmp_path / "no.schema.toml"))
    assert done.returncode == 2
    assert "no.schema.toml" in done.stderr


# what counts


@pytest.mark.parametrize(
    ("values", "size", "rate"),
    [
        ([5, 6, 6, 8, 65], 4, 60.0),
        ([0xFFFE, 0xFFFF, 0, 58], 2, 60.0),
        ([5, 5, 5], 4, None),
        ([5, 60, 59], 4, None),
        ([5, None, 65], 4, None),
        ([5], 4, None),
        ([0, 0x7000_0000], 4, None),
        ([0, 3], 4, None),
    ],
)
def test_what_counts(values: Sequence[int | None], size: int, rate: float | None) -> None:
    assert count_rate(values, size, 1.0) == rate


def test_a_guard_is_two_names_alike_but_for_begin_and_end() -> None:
    assert frame_guard(["x", "frame_ended", "frame_began"]) == ("frame_began", "frame_ended")
    assert frame_guard(["end_work", "begin_work"]) == ("begin_work", "end_work")
    assert frame_guard(["began", "frame_ended", "suspended"]) is None
    assert frame_guard([]) is None


def test_what_is_called_a_frame_is_likelier_the_counter() -> None:
    clock, frame = Counting("clock", 1000.0), Counting("frame_now", 60.0)
    assert frame_counter([clock, frame]) == frame
    assert frame_counter([clock]) == clock
    assert frame_counter([]) is None


def test_odd_names_and_paths_are_written_so_that_they_load(tmp_path: Path) -> None:
    path = schema_of(tmp_path, "lamp lit")
    path.write_text(path.read_text("utf-8").replace('"Tidewright"', '"Tide\\nwright"'), "utf-8")
    schema = load_schema(path)
    odd = 'C:\\ram "one" ö'
    settings: dict[str, str | int] = {"kind": "shared", "path": odd, "offset": 0x1000}
    found = Attached(settings, f"file {odd}", "print", '"a"', ByteOrder.SWAP16, [])
    bridge = tmp_path / "odd.bridge.toml"
    bridge.write_text(bridge_text(schema, found, tmp_path), "utf-8")
    source = load_bridge(bridge).file.source
    assert source.model_dump(exclude_defaults=True) == settings
