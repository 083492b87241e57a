"""Dumps and recordings by every form of path that Windows has, and by those that it refuses.

Values are held against those of the same file on Linux, byte for byte but for the time.
"""

from __future__ import annotations

import gzip
import json
import re
import shutil
import zipfile
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from tests.windows.comparing import NEEDS_WINE, ROOT, SAMPLES, bridge, guest_ram, read_on_linux
from tests.windows.rig import windows_path
from tests.windows.wine import Program, Wine

pytestmark = NEEDS_WINE
DEEP = "/".join(["a folder of a courier"] * 12)


class Commands(Program):
    """A running many_commands.py."""

    def say(self, *words: str) -> tuple[int, str, str]:
        """Run a command: its exit code and what it wrote to either stream."""
        said = len(self.lines)
        self.write(json.dumps(words))
        self.until(lambda: len(self.lines) > said, f"answer to {words}")
        code, out, err = json.loads(self.lines[said])
        return code, out, err


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("paths")


@pytest.fixture(scope="module")
def commands(wine: Wine, folder: Path) -> Iterator[Commands]:
    python = windows_path(wine.folder / "python" / "python.exe")
    script = windows_path(ROOT / "tests/windows/many_commands.py")
    with Commands(wine.folder, [python, script], folder) as running:
        yield running


def without_time(line: str) -> str:
    """A line of JSON without when it was taken."""
    line, count = re.subn(r'"time": [0-9.e+-]+, ', "", line.strip())
    assert count == 1, line
    return line


def toml(path: str) -> str:
    assert "'" not in path
    return f"'{path}'"


def dump_at(folder: Path, name: str) -> Path:
    """The sample's RAM, raw, at a place that is made."""
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(guest_ram())
    return path


def same_as_on_linux(commands: Commands, folder: Path, path: str, on_linux: str) -> None:
    """A bridge file that names a dump by *path* reads as one on Linux that names it *on_linux*."""
    there = bridge(folder, f'kind = "file"\npath = {toml(on_linux)}', "there")
    here = bridge(folder, f'kind = "file"\npath = {toml(path)}', "here")
    code, out, err = commands.say("read", here, "--json")
    assert (code, err) == (0, "")
    assert without_time(out) == without_time(read_on_linux(folder / there))


@pytest.mark.parametrize(
    "name",
    [
        pytest.param("lighthouse.bin", marks=pytest.mark.full),
        pytest.param("a folder/with spaces in it.bin", marks=pytest.mark.full),
        "Lücke é ß/灯台 🗼.bin",
        pytest.param("console.bin", marks=pytest.mark.full),
    ],
)
def test_names(commands: Commands, folder: Path, name: str) -> None:
    dump_at(folder, name)
    same_as_on_linux(commands, folder, name, name)
    same_as_on_linux(commands, folder, name.replace("/", "\\"), name)


def test_with_a_drive(commands: Commands, folder: Path) -> None:
    """Z: is this machine's root; the folder that the program runs in is on it."""
    path = dump_at(folder, "driven/ram.bin")
    full = windows_path(path)
    assert full.startswith("Z:\\")
    for form in (full, full.replace("\\", "/"), full[2:], full.lower()[:2] + full[2:]):
        same_as_on_linux(commands, folder, form, str(path))


def test_another_drive(wine: Wine, commands: Commands, folder: Path) -> None:
    path = wine.folder / "prefix/drive_c/tide dumps/ram.bin"
    dump_at(path.parent, path.name)
    try:
        same_as_on_linux(commands, folder, "C:\\tide dumps\\ram.bin", str(path))
        same_as_on_linux(commands, folder, "\\\\?\\C:\\tide dumps\\ram.bin", str(path))
    finally:
        shutil.rmtree(path.parent)
    for drive in "CZ":
        made = bridge(folder, f"kind = \"file\"\npath = '{drive}:ram.bin'", "drive")
        code, _, err = commands.say("read", made, "--json")
        assert (code, err) == (
            3,
            f"lowhalf: file ram.bin: the path cannot be used ({drive}:ram.bin is relative to "
            f"whatever folder is open on drive {drive}: and not to the bridge file: write {drive}:"
            "\\ and the folders, or leave the drive out)\n",
        )


def test_more_than_260_characters(commands: Commands, folder: Path) -> None:
    """The dump's path, and then that of bridge file and dump."""
    dump_at(folder, f"{DEEP}/ram.bin")
    assert len(windows_path(folder / DEEP / "ram.bin")) > 300
    same_as_on_linux(commands, folder, f"{DEEP}/ram.bin", f"{DEEP}/ram.bin")
    made = bridge(folder / DEEP, 'kind = "file"\npath = "./x/../ram.bin"')
    (folder / DEEP / "x").mkdir()
    code, out, err = commands.say("read", windows_path(folder / DEEP / made), "--json")
    assert (code, err) == (0, "")
    assert without_time(out) == without_time(read_on_linux(folder / DEEP / made))


@pytest.mark.parametrize(
    ("name", "said"),
    [
        *(
            (name, f"{name} names a device on Windows: call the file otherwise")
            for name in ("nul", "con", "aux.bin", "COM1", "lpt9.bin.gz", "prn")
        ),
        ("ram.bin.", '"ram.bin." ends with a dot or a space, which Windows leaves out: rename it'),
        ("ram.bin ", '"ram.bin " ends with a dot or a space, which Windows leaves out: rename it'),
        ("ram?.bin", "'ram?.bin' holds ?, which no name on Windows can"),
        ("\\\\.\\pipe\\tide", "\\\\.\\pipe\\tide names a device on Windows: name a file"),
    ],
)
@pytest.mark.parametrize(
    "kind",
    [
        "file",
        *(pytest.param(kind, marks=pytest.mark.full) for kind in ("recording", "folder", "shared")),
    ],
)
def test_names_that_are_no_files(
    commands: Commands, folder: Path, kind: str, name: str, said: str
) -> None:
    """A console would be waited for, and what lies beside be read in place of the other."""
    dump_at(folder, "ram.bin")
    made = bridge(folder, f'kind = "{kind}"\npath = {toml(name)}', "refused")
    code, out, err = commands.say("read", made, "--json")
    assert (code, out) == (3, "")
    assert err.startswith(f"lowhalf: {kind} ")
    assert said in err
    assert err.count("\n") == 1


def test_a_dump_on_the_command_line(commands: Commands, folder: Path) -> None:
    path = dump_at(folder, "named/ram.bin")
    made = bridge(folder, 'kind = "push"', "named")
    there = bridge(folder, f'kind = "file"\npath = "{path}"', "there")
    wanted = without_time(read_on_linux(folder / there))
    for form in ("named\\ram.bin", windows_path(path)):
        code, out, err = commands.say("read", made, "--dump", form, "--json")
        assert (code, err) == (0, "")
        assert without_time(out) == wanted
    for words in (["--dump", "nul"], ["--dump", "con"]):
        code, _, err = commands.say("read", made, *words)
        assert code == 3
        assert "names a device on Windows" in err
    for name in ("con", "nul.toml"):
        code, _, err = commands.say("read", name)
        assert (code, err) == (
            2,
            f"lowhalf: {name}: cannot be read: {name} names a device on Windows: call the file "
            "otherwise\n",
        )


HOLDING = """
import ctypes, sys
open_file = ctypes.WinDLL("kernel32").CreateFileW
open_file.restype = ctypes.c_void_p
for line in sys.stdin:
    name, sharing = line.strip().split("|")
    print("held", open_file(name, 0xC0000000, int(sharing), None, 3, 0, None), flush=True)
"""
"""For GENERIC_READ | GENERIC_WRITE, with FILE_SHARE_… of either, and OPEN_EXISTING."""


@pytest.mark.full
def test_a_file_that_another_program_has_open(wine: Wine, commands: Commands, folder: Path) -> None:
    """For itself alone, which is told; for writing, and for others to read, which harms nobody."""
    python = windows_path(wine.folder / "python" / "python.exe")
    with Program(wine.folder, [python, "-c", HOLDING], folder) as holder:
        for name, sharing in (("held.bin", 0), ("written.bin", 3)):
            dump_at(folder, name)
            holder.write(f"{name}|{sharing}")
            holder.until(partial(_holds, holder, 1 + (sharing > 0)), "word of it")
        same_as_on_linux(commands, folder, "written.bin", "written.bin")
        for kind in ("file", "recording", "shared"):
            made = bridge(folder, f'kind = "{kind}"\npath = "held.bin"', kind)
            assert commands.say("read", made) == (
                3,
                "",
                f"lowhalf: {kind} held.bin: held.bin is held by a program that lets no other read "
                "it\n",
            )
        code, _, err = commands.say("read", bridge(folder, 'kind = "push"'), "--dump", "held.bin")
        assert code == 3
        assert "held.bin is held by a program that lets no other read it" in err


def _holds(holder: Program, count: int) -> bool:
    return len(holder.lines) == count


@pytest.mark.parametrize("form", ["gz", "zip", pytest.param("zst", marks=pytest.mark.full)])
def test_packed(commands: Commands, folder: Path, form: str) -> None:
    path = folder / f"packed {form}.bin.{form}"
    if form == "zip":
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("dumps/ram.bin", guest_ram())
    elif form == "gz":
        path.write_bytes(gzip.compress(guest_ram()))
    else:
        import zstandard

        path.write_bytes(zstandard.compress(guest_ram()))
    same_as_on_linux(commands, folder, path.name, path.name)


@pytest.mark.full
def test_every_sample(commands: Commands) -> None:
    """The samples as they are shipped: compressed, of three builds, one with swapped words."""
    samples = sorted(SAMPLES.glob("*.bridge.toml"))
    samples = [path for path in samples if "demo" not in path.name]
    assert len(samples) > 10
    for path in samples:
        code, out, err = commands.say("read", windows_path(path), "--json")
        assert (code, err) == (0, "")
        assert without_time(out) == without_time(read_on_linux(path)), path


@pytest.mark.parametrize(
    "name", ["demo.mcap", pytest.param(f"Lücke/{DEEP}/demo 灯.mcap", marks=pytest.mark.full)]
)
def test_a_recording(commands: Commands, folder: Path, name: str) -> None:
    """Its first frame, from a path with a drive and without."""
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    shutil.copy(SAMPLES / "demo.mcap", path)
    text = (SAMPLES / "demo.bridge.toml").read_text("utf-8")
    schema = (ROOT / "schemas/games/tidewright.schema.toml").as_posix()
    text = text.replace("../schemas/games/tidewright.schema.toml", schema)
    assert 'path = "demo.mcap"' in text
    wanted: list[str] = []
    for form in (name, windows_path(path)):
        made = folder / "played.bridge.toml"
        shutil.copy(SAMPLES / "demo.layout.toml", folder)
        made.write_text(text.replace('path = "demo.mcap"', f"path = {toml(form)}"), "utf-8")
        if not wanted:
            wanted.append(without_time(read_on_linux(made, 1)))
        code, out, err = commands.say("read", made.name, "--json")
        assert (code, err) == (1, "")
        assert without_time(out) == wanted[0]
