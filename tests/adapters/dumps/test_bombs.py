"""Dumps that are made to take all of a machine's memory, each opened in a process of its own.

Outside source: the operating system's own count of the most memory that a process had (VmHWM, see
proc(5); getrusage would count the memory of the process that started it as well), held against that
of one that opens a small dump.
"""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import struct
import subprocess
import sys
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import zstandard

pytestmark = pytest.mark.posix("opens each dump in a fork, whose memory /proc tells")

MIB = 1 << 20
MAX_SIZE = 8 * MIB
BOMB = 96 * MIB
TOGETHER = f"expected at most {MAX_SIZE} bytes once unpacked, found more: a damaged or hostile "
TOO_MUCH = f"file big: {TOGETHER}archive, or max_size is too small"

OPENER = """
import asyncio, os, pathlib, sys
from adapters.sources.dumps.file import FileDump
from bridge.memory.address_map import MemoryMap, Region
from schemas.errors import SourceError
from schemas.source_settings import FileSource

async def main(path):
    dump = FileDump(FileSource(kind="file", path=path.name, max_size=int(sys.argv[1])), path.parent)
    try:
        await dump.open(MemoryMap([Region("ram", 0x8000_0000, 0x10_0000)]))
        print(len(dump.notes), max(map(len, dump.notes), default=0))
    except SourceError as error:
        print(error)
    status = pathlib.Path("/proc/self/status").read_text()
    print(status.partition("VmHWM:")[2].split()[0], flush=True)

for line in sys.stdin:
    if not os.fork():
        asyncio.run(main(pathlib.Path(line.rstrip())))
        os._exit(0)
    os.wait()
"""
"""Each dump is opened by a copy of this process, which has everything imported."""
Opened = Callable[[Path], tuple[str, int]]


@pytest.fixture(scope="module")
def opened() -> Iterator[Opened]:
    """What is said of a dump, and the most memory that this took, in bytes."""
    with subprocess.Popen(
        [sys.executable, "-c", OPENER, str(MAX_SIZE)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as opener:
        assert opener.stdin is not None
        assert opener.stdout is not None
        pipe, answers = opener.stdin, opener.stdout

        def open_one(path: Path) -> tuple[str, int]:
            pipe.write(f"{path}\n")
            pipe.flush()
            return answers.readline().rstrip("\n"), int(answers.readline()) * 1024

        yield open_one
        assert opener.communicate() == ("", "")


@pytest.fixture(scope="module")
def at_rest(tmp_path_factory: pytest.TempPathFactory, opened: Opened) -> int:
    """What opening a small dump takes."""
    path = tmp_path_factory.mktemp("rest") / "small"
    path.write_bytes(gzip.compress(bytes(4096)))
    said, most = opened(path)
    assert said.startswith("1 ")
    return most


def zipped(method: int, data: bytes) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", method) as archive:
        archive.writestr("ram.bin", data)
    return stream.getvalue()


def repacked(method: int, packed: bytes, size: int) -> bytes:
    """An archive whose only file is packed already, and said to be of *size* bytes."""
    name = b"ram.bin"
    head = struct.pack("<5H3I2H", 20, 0, method, 0, 0, 0, len(packed), size, len(name), 0)
    body = b"PK\3\4" + head + name + packed
    entry = b"PK\1\2" + struct.pack("<H", 20) + head + struct.pack("<3H2I", 0, 0, 0, 0, 0) + name
    return body + entry + b"PK\5\6" + struct.pack("<4H2IH", 0, 0, 1, 1, len(entry), len(body), 0)


def text_of_blanks() -> bytes:
    return b":048000000102030472\n" + b"\n" * (MAX_SIZE - 1000) + b":00000001FF\n"


def far_records() -> bytes:
    """Each byte at an address of its own: a run for each."""
    lines = []
    for number in range(200_000):
        record = b"\1" + struct.pack(">H", number * 2 & 0xFFFF) + b"\0\7"
        lines.append(b":" + (record + bytes([-sum(record) & 0xFF])).hex().upper().encode())
    return b"\n".join([*lines, b":00000001FF"])


def many_segments() -> bytes:
    """An ELF core of 200,000 segments of one byte."""
    count = 200_000
    head = b"\x7fELF\1\2\1" + bytes(9)
    head += struct.pack(">HHIIIIIHHHHHH", 4, 8, 1, 0, 92, 52, 0, 52, 32, 0xFFFF, 40, 1, 0)
    section = struct.pack(">10I", 0, 0, 0, 0, 0, 0, 0, count, 0, 0)
    entry = struct.pack(">8I", 1, 0, 0, 0, 1, 1, 0, 0)
    return head + section + entry * count


BOMBS: dict[str, Callable[[], bytes]] = {
    "gzip": lambda: gzip.compress(bytes(BOMB)),
    "xz": lambda: lzma.compress(bytes(BOMB), preset=0),
    "zstd": lambda: zstandard.compress(bytes(BOMB)),
    "zip, deflate": lambda: zipped(zipfile.ZIP_DEFLATED, bytes(BOMB)),
    "zip, bzip2": lambda: zipped(zipfile.ZIP_BZIP2, bytes(BOMB)),
    "zip, LZMA": lambda: zipped(zipfile.ZIP_LZMA, bytes(BOMB)),
    "zip, bzip2, one that lies of its size": lambda: repacked(
        zipfile.ZIP_BZIP2, bz2.compress(bytes(BOMB)), 100
    ),
    "zip in gzip": lambda: gzip.compress(zipped(zipfile.ZIP_BZIP2, bytes(BOMB))),
    "gzip in zip": lambda: zipped(zipfile.ZIP_LZMA, gzip.compress(bytes(BOMB))),
    "gzip in gzip, half of it each": lambda: gzip.compress(
        gzip.compress(bytes(MAX_SIZE * 3 // 4)) + bytes(MAX_SIZE * 3 // 4)
    ),
    "records far from each other": lambda: gzip.compress(far_records()),
    "segments": lambda: gzip.compress(many_segments()),
}


@pytest.mark.parametrize("bomb", list(BOMBS))
def test_a_dump_takes_little_more_than_its_limit(
    bomb: str, tmp_path: Path, at_rest: int, opened: Opened
) -> None:
    path = tmp_path / "big"
    path.write_bytes(BOMBS[bomb]())
    said, most = opened(path)
    if bomb == "segments":
        said = said.replace("ELF: expected segments of at most", "expected at most")
        said = said.replace("bytes together", "bytes once unpacked").replace("file,", "archive,")
        assert said.startswith("file big: expected at most 8388608 bytes once unpacked")
    else:
        assert said == TOO_MUCH
    assert most - at_rest < MAX_SIZE + 64 * MIB


def test_blank_lines_cost_nothing(tmp_path: Path, at_rest: int, opened: Opened) -> None:
    path = tmp_path / "big"
    path.write_bytes(gzip.compress(text_of_blanks()))
    said, most = opened(path)
    assert said == (
        "file big: Intel HEX: expected bytes inside ram (0x80000000 to 0x80100000), found 1 "
        "segments from 0x00008000 on, all outside: is this a dump of another machine?"
    )
    assert most - at_rest < MAX_SIZE + 64 * MIB


def test_segments_outside_every_region_are_told_of_once(tmp_path: Path, opened: Opened) -> None:
    lines = []
    for number in range(30_000):
        record = b"\1" + struct.pack(">H", number * 2 & 0xFFFF) + b"\0\7"
        lines.append(b":" + (record + bytes([-sum(record) & 0xFF])).hex().encode())
    inside = b":020000048000 7A\n:0100000007F8".replace(b" ", b"")
    path = tmp_path / "big"
    path.write_bytes(b"\n".join([*lines, inside, b":00000001FF"]))
    said, _ = opened(path)
    count, longest = map(int, said.split())
    # one for what is outside, one for what is missing of the region
    assert count == 2
    assert longest < 120


def test_a_long_directory_is_refused_before_it_is_read(
    tmp_path: Path, at_rest: int, opened: Opened
) -> None:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        for number in range(20_000):
            archive.writestr(f"ram {number}", b"")
    path = tmp_path / "big"
    path.write_bytes(stream.getvalue())
    said, most = opened(path)
    start = int.from_bytes(stream.getvalue()[-10:-6], "little")
    assert said == (
        f"file big: zip: expected a directory of at most 1048576 bytes, found {start}: take the "
        "dump out of the archive"
    )
    assert most - at_rest < 16 * MIB
