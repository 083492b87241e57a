"""What lowhalf says under Wine, held against what it says on Linux of the same bytes."""

from __future__ import annotations

import contextlib
import gzip
import io
import json
import struct
import sys
from pathlib import Path

import pytest

from adapters.commands.main import main
from tests.windows.wine import BEGAN, ENDED

__all__ = [
    "NEEDS_WINE",
    "ROOT",
    "SAMPLES",
    "bridge",
    "guest_ram",
    "in_frame",
    "on_linux",
    "read_on_linux",
    "without_origin",
]

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_dumps"

NEEDS_WINE = [
    pytest.mark.skipif(sys.platform != "linux", reason="Wine is for other systems than Windows"),
    pytest.mark.needs("wine", "wine"),
    pytest.mark.needs("gcc-mingw-w64-x86-64-win32", "x86_64-w64-mingw32-gcc"),
]


def guest_ram() -> bytes:
    """The sample's RAM, in guest order."""
    return gzip.decompress((SAMPLES / "first-print-carry.bin.gz").read_bytes())


def in_frame(ram: bytes, frame: int) -> bytes:
    """The RAM with the game's two counters at that frame."""
    data = bytearray(ram)
    struct.pack_into(">I", data, BEGAN, frame)
    struct.pack_into(">I", data, ENDED, frame)
    return bytes(data)


def bridge(folder: Path, source: str, name: str = "live") -> str:
    """A bridge file with the sample's watches and another source; its name."""
    text = (SAMPLES / "first-print-carry.bridge.toml").read_text("utf-8")
    text = text.replace('kind = "file"\npath = "first-print-carry.bin.gz"', source)
    schema = (ROOT / "schemas/games/tidewright.schema.toml").as_posix()
    text = text.replace("../schemas/games/tidewright.schema.toml", schema)
    (folder / f"{name}.bridge.toml").write_text(text, "utf-8")
    return f"{name}.bridge.toml"


def on_linux(folder: Path, image: Path, frame: int, source: str) -> str:
    """What lowhalf on Linux says of a dump with the RAM as it is in that frame."""
    (folder / "paused.bin").write_bytes(in_frame(image.read_bytes(), frame))
    path = bridge(folder, 'kind = "file"\npath = "paused.bin"', "paused")
    return without_origin(read_on_linux(folder / path))


def read_on_linux(path: Path, code: int = 0) -> str:
    """The line of JSON that ``lowhalf read`` on Linux prints of a bridge file, and its exit code.

    That is 1 where a watch has no value, as in a recording's first frame.
    """
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        assert main(["read", str(path), "--json"]) == code
    return said.getvalue().strip()


def without_origin(line: str) -> str:
    """A line of JSON but for when and from where the frame was taken.

    Keys stay in their order, and numbers as they are written; only spaces between them differ.
    """
    frame = json.loads(line)
    for key in ("time", "source", "consistency"):
        del frame[key]
    return json.dumps(frame)
