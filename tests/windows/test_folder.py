"""Dumps that land in a folder under Wine, whole, half-written and held by another program.

What lands is written by the other CPython there, or by Linux, of whose files Wine is told as well.
"""

from __future__ import annotations

import gzip
import json
import zipfile
from pathlib import Path

import pytest

from schemas.system_words import HELD_BY_ANOTHER
from tests.windows.comparing import (
    NEEDS_WINE,
    bridge,
    guest_ram,
    in_frame,
    on_linux,
    without_origin,
)
from tests.windows.rig import windows_path
from tests.windows.wine import Lowhalf, Program, Wine

pytestmark = NEEDS_WINE
FOLDER = 'kind = "folder"\npath = "dumps"\npattern = "*.bin*"\nsettle = 0.2'
WRITER = """
import ctypes, os, sys
from ctypes import c_void_p, c_uint32, c_wchar_p
kernel32 = ctypes.WinDLL("kernel32", use_last_error=True)
kernel32.CreateFileW.restype = c_void_p
kernel32.CreateFileW.argtypes = [
    c_wchar_p, c_uint32, c_uint32, c_void_p, c_uint32, c_uint32, c_void_p
]
kernel32.WriteFile.argtypes = [c_void_p, ctypes.c_char_p, c_uint32, c_void_p, c_void_p]
kernel32.CloseHandle.argtypes = [c_void_p]
CREATE_ALWAYS, GENERIC_WRITE = 2, 0x40000000
print("ready", flush=True)
for line in sys.stdin:
    name, sharing, source = line.strip().split("|")
    data = open(source, "rb").read()
    handle = kernel32.CreateFileW(name, GENERIC_WRITE, int(sharing), None, CREATE_ALWAYS, 0, None)
    done = c_uint32()
    kernel32.WriteFile(handle, data[:1000000], 1000000, ctypes.byref(done), None)
    print("half", flush=True)
    sys.stdin.readline()
    kernel32.WriteFile(handle, data[1000000:], len(data) - 1000000, ctypes.byref(done), None)
    print("written", flush=True)
    sys.stdin.readline()
    kernel32.CloseHandle(handle)
    print("closed", flush=True)
"""


@pytest.fixture
def dumps(tmp_path: Path) -> Path:
    folder = tmp_path / "dumps"
    folder.mkdir()
    (folder / "first.bin").write_bytes(in_frame(guest_ram(), 1000))
    (tmp_path / "ram.bin").write_bytes(guest_ram())
    return folder


def matches(lowhalf: Lowhalf, folder: Path, frame: int) -> None:
    """The dump in which the game counts *frame* is shown, with the values of Linux."""
    line = lowhalf.until_frame(frame)
    assert without_origin(line) == on_linux(folder, folder / "ram.bin", frame, FOLDER)


def test_each_that_lands(wine: Wine, tmp_path: Path, dumps: Path) -> None:
    """Raw and packed, renamed into place, and with a name that is not ASCII."""
    with wine.lowhalf(tmp_path, "run", bridge(tmp_path, FOLDER), "--json") as lowhalf:
        matches(lowhalf, tmp_path, 1000)
        (dumps / "zwei é 灯.bin").write_bytes(in_frame(guest_ram(), 2000))
        matches(lowhalf, tmp_path, 2000)
        (dumps / "packed.bin.gz").write_bytes(gzip.compress(in_frame(guest_ram(), 3000)))
        matches(lowhalf, tmp_path, 3000)
        with zipfile.ZipFile(tmp_path / "packed.zip", "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("ram.bin", in_frame(guest_ram(), 4000))
        (tmp_path / "packed.zip").rename(dumps / "packed.bin.zip")
        matches(lowhalf, tmp_path, 4000)
        # written anew under the same name, as a program that always writes one file does
        (dumps / "first.bin").write_bytes(in_frame(guest_ram(), 5000))
        matches(lowhalf, tmp_path, 5000)


@pytest.mark.parametrize(
    "sharing", [pytest.param(3, id="shared"), pytest.param(0, id="for itself alone")]
)
@pytest.mark.full
def test_one_that_is_half_written(wine: Wine, tmp_path: Path, dumps: Path, sharing: int) -> None:
    """FILE_SHARE_READ and WRITE (3), or neither (0): then it is taken when it is closed."""
    (tmp_path / "next.bin").write_bytes(in_frame(guest_ram(), 2000))
    python = windows_path(wine.folder / "python" / "python.exe")
    path = bridge(tmp_path, FOLDER.replace("settle = 0.2", "settle = 1"))
    with (
        wine.lowhalf(tmp_path, "run", path, "--json") as lowhalf,
        Program(wine.folder, [python, "-c", WRITER], tmp_path) as writer,
    ):
        matches(lowhalf, tmp_path, 1000)
        writer.until(lambda: "ready" in writer.lines, "word")
        writer.write(f"dumps/next.bin|{sharing}|next.bin")
        writer.until(lambda: "half" in writer.lines, "half of it")
        writer.write("go on")
        writer.until(lambda: "written" in writer.lines, "the rest of it")
        if sharing == 0:
            held = "next.bin: is held by a program that lets no other read it: it is waited for"
            lowhalf.until(
                lambda: any(held in line for line in lowhalf.errors), "word that it is held"
            )
            assert (lowhalf.good() or {})["frame"] == 1000
        writer.write("close")
        matches(lowhalf, tmp_path, 2000)
        assert not any("is passed over" in line for line in lowhalf.errors), lowhalf.errors


@pytest.mark.full
def test_what_is_being_read_may_be_moved_and_removed(
    wine: Wine, tmp_path: Path, dumps: Path
) -> None:
    """While lowhalf reads a dump others keep every right to it, which Python's own open takes away.

    Outside source: CreateFileW's FILE_SHARE_DELETE, without which a removal is refused with
    ERROR_SHARING_VIOLATION.
    """
    script = """
import json, os
from pathlib import Path
from adapters.file_opening import open_stream
there, away = Path("dumps/first.bin"), Path("dumps/moved.bin")
with open_stream(there) as stream:
    head = stream.read(16)
    there.rename(away)
    os.rename("ram.bin", there)
    os.remove(away)
    with open_stream(there) as newer:
        rest, whole = len(stream.read()), len(newer.read())
with there.open("rb") as stream:
    try:
        os.remove(there)
        refused = 0
    except PermissionError as fault:
        refused = fault.winerror
print(json.dumps([head.hex(), rest, whole, away.exists(), refused]))
"""
    python = windows_path(wine.folder / "python" / "python.exe")
    with Program(wine.folder, [python, "-c", script], tmp_path) as program:
        assert program.join() == 0, program.errors
        size = len(guest_ram())
        head = in_frame(guest_ram(), 1000)[:16].hex()
        assert json.loads(program.lines[0]) == [head, size - 16, size, False, HELD_BY_ANOTHER]
