"""Recordings whose lengths and checksums are right and that claim what nobody has room or time for.

Outside source: the operating system's own count of the most memory that a process had (VmHWM, see
proc(5)).
"""

from __future__ import annotations

import json
import struct
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from adapters.recordings.reader import open_recording
from bridge.memory.address_map import Span
from schemas.errors import SourceUnusable
from tests.outside import fuzz_recordings as made
from tests.outside.fuzz_recordings import BASE, CHANNEL, CHUNK, INDEX, MESSAGE, SIZE, Record

HEAD = struct.Struct("<BBHIIIQ")
"""Of recorded memory, as the table in frame_message has it."""


class Crafted:
    """A recording that is taken apart; ``file`` puts it together again."""

    def __init__(self, good: bytes) -> None:
        # without the indexes of messages all is looked at when it is opened
        self.records = [record for record in made.of_file(good) if record.opcode != INDEX]
        self.topics: dict[str, int] = {}
        for record in self.inside():
            if record.opcode == CHANNEL:
                number, _, length = struct.unpack_from("<HHI", record.content)
                self.topics[record.content[8 : 8 + length].decode()] = number

    def inside(self) -> list[Record]:
        return [each for record in self.records for each in record.inside or []]

    def message(self, topic: str, number: int = 0) -> Record:
        """A channel's message, to be changed in place."""
        found = [
            each
            for each in self.inside()
            if each.opcode == MESSAGE
            and struct.unpack_from("<H", each.content)[0] == self.topics[topic]
        ]
        return found[number]

    def say(self, topic: str, number: int, data: bytes) -> None:
        """Another message in place of that one."""
        message = self.message(topic, number)
        message.content = message.content[:22] + data

    def file(self, size: int | None = None) -> bytes:
        return made.file_of(
            [made.packed(r, size=size if r.inside is not None else None) for r in self.records]
        )


@pytest.fixture
def crafted(tmp_path: Path) -> Crafted:
    return Crafted(made.write(tmp_path))


def refused(path: Path, data: bytes) -> str:
    """Why a file is refused, behind what all say, when it is opened or when its memory is read."""
    path.write_bytes(data)
    with pytest.raises(SourceUnusable) as caught:
        open_recording(path).memory_before(0).read(Span(BASE, SIZE))
    assert path.name in str(caught.value)
    return caught.value.detail.removeprefix(f"{path} is not a usable recording: ")


def test_it_is_sound_when_nothing_is_changed(tmp_path: Path, crafted: Crafted) -> None:
    (tmp_path / "bad.mcap").write_bytes(crafted.file())
    assert made.read(tmp_path / "bad.mcap") == "read all"


def test_a_chunk_that_claims_to_unpack_to_100_gb(tmp_path: Path, crafted: Crafted) -> None:
    why = refused(tmp_path / "bad.mcap", crafted.file(size=100 << 30))
    # a record's head, the times of its messages, and then this size
    at = crafted.file(size=100 << 30).index(struct.pack("<Q", 100 << 30)) - 25
    assert why == (
        f"the part at byte {at} is damaged: it unpacks to 107374182400 bytes, "
        "more than the 268435456 allowed"
    )


@pytest.mark.parametrize(
    ("regions", "why"),
    [
        (
            [("ram", BASE, 1 << 40)],
            "regions of 1099511627776 bytes, more than the 4294967296 of a recording",
        ),
        (
            [(f"r{n}", n << 32, 1 << 32) for n in range(3)],
            "regions of 12884901888 bytes, more than the 4294967296 of a recording",
        ),
        ([("ram", BASE, 0)], "region ram: expected bytes inside 64 bits of addresses"),
        ([("ram", 1 << 63, 1 << 63 | 1)], "region ram: expected bytes inside 64 bits of addresses"),
        ([("ram", BASE, SIZE), ("pad", BASE + 8, 8)], "region pad overlaps another"),
    ],
)
def test_regions_that_cannot_be(
    tmp_path: Path, crafted: Crafted, regions: list[tuple[str, int, int]], why: str
) -> None:
    about: dict[str, Any] = json.loads(crafted.message("lowhalf/bridge").content[22:])
    about["regions"] = [dict(zip(("name", "start", "size"), r, strict=True)) for r in regions]
    crafted.say("lowhalf/bridge", 0, json.dumps(about).encode())
    assert refused(tmp_path / "bad.mcap", crafted.file()).endswith(f"is damaged: {why}")


def test_a_key_image_whose_bytes_are_elsewhere(tmp_path: Path, crafted: Crafted) -> None:
    head = HEAD.pack(1, 1, 0, 1, 0, 0, 100) + struct.pack("<QI", BASE - 1, SIZE)
    crafted.say("lowhalf/ram/key", 0, head + bytes(SIZE))
    path = tmp_path / "bad.mcap"
    why = refused(path, made.with_indexes(crafted.records))
    assert why.endswith("is damaged: 0x7FFFFFFF is outside its part of the key image")


def test_an_index_that_names_a_chunk_twice_is_not_believed(tmp_path: Path) -> None:
    """MCAP specification, Chunk Index: each refers to a chunk of its own."""
    good = made.write(tmp_path)
    places = [at for at in range(len(good) - 9) if good[at] == 0x08]
    chunk_index = next(
        at for at in places if struct.unpack_from("<Q", good, at + 1)[0] < 300
        and good[at + 9 : at + 25] != bytes(16) and b"zstd" in good[at : at + 300]
    )  # fmt: skip
    (length,) = struct.unpack_from("<Q", good, chunk_index + 1)
    first = good[chunk_index : chunk_index + 9 + length]
    second = chunk_index + len(first)
    assert len(first) == 9 + struct.unpack_from("<Q", good, second + 1)[0]
    changed = good[:second] + first + good[second + len(first) :]
    (tmp_path / "bad.mcap").write_bytes(changed)
    assert made.read(tmp_path / "bad.mcap") == "read all"


OPENER = """
import pathlib, sys
from tests.outside.fuzz_recordings import LOOKS
print(LOOKS[sys.argv[1]](pathlib.Path(sys.argv[2])))
status = pathlib.Path("/proc/self/status").read_text()
print(status.partition("VmHWM:")[2].split()[0])
"""


def messages(crafted: Crafted) -> None:
    """A second of more messages than a chunk may hold, each as short as can be."""
    last = next(r for r in reversed(crafted.records) if r.opcode == CHUNK)
    small = HEAD.pack(2, 1, 0, 0, 0, 0, 7)
    message = Record(MESSAGE, crafted.message("lowhalf/ram").content[:22] + small)
    last.inside = [message] * ((1 << 20) + 1)


def spans(crafted: Crafted) -> None:
    """A frame of more spans than a second may have, each of no byte."""
    count = (1 << 22) + 1
    head = HEAD.pack(2, 1, 0, count, 0, 0, 7)
    crafted.say("lowhalf/ram", 60, head + struct.pack("<QI", BASE, 0) * count)


@pytest.mark.posix("the most memory of a process is told by /proc")
@pytest.mark.parametrize("bomb", [spans, pytest.param(messages, marks=pytest.mark.full)])
@pytest.mark.parametrize(
    "look", ["reader", *(pytest.param(look, marks=pytest.mark.full) for look in made.LOOKS)]
)
def test_what_is_small_in_the_file_takes_little_memory(
    tmp_path: Path, crafted: Crafted, bomb: Callable[[Crafted], None], look: str
) -> None:
    bomb(crafted)
    path = tmp_path / "bad.mcap"
    path.write_bytes(crafted.file())
    assert path.stat().st_size < 100_000
    done = subprocess.run(
        [sys.executable, "-c", OPENER, look, str(path)],
        capture_output=True,
        text=True,
        timeout=120,
        check=True,
    )
    came, most = done.stdout.split("\n")[:2]
    # verify fails what it cannot read, read asks for a frame before it
    assert came in ("refused", "exit 3", "exit 1", "exit 0" if look == "read" else "")
    # of which 56 MiB are the program itself
    assert int(most) < 400 << 10
