"""A process of its own looks at memory in a mapping, and its end costs nothing but time.

That a mapping of a file that is cut short ends who touches it is mmap(2)'s word (SIGBUS).
"""

from __future__ import annotations

import os
import random
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

from adapters.outputs.recording.capture import Capture, Looked, WholeCapture
from adapters.outputs.recording.capture_apart import CaptureApart, can_be_apart
from adapters.outputs.recording.looked import looked_at
from adapters.recordings.changed_lines import Parts
from adapters.sources.shared import _FileReader
from bridge.memory.address_map import MemoryMap, Region, Span
from bridge.memory.byte_order import ByteOrder, reorder
from bridge.memory.counter import Counter
from bridge.ports.memory_observer import FrameCounters
from schemas.errors import SourceLost

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no process of its own there")

BASE, SIZE, OFFSET = 0x8000_0000, 0x12_0100, 0x1234 * 8
REGION = Region("ram", BASE, SIZE)
SPANS = [Span(BASE, 0x8_0000), Span(BASE + 0x9_0000, SIZE - 0x9_0000)]
"""A piece between them is left out."""
GUARD = (
    Counter("began", BASE + 0x10, 4, big_endian=True),
    Counter("ended", BASE + 0x14, 4, big_endian=True),
)
COUNTERS = FrameCounters("made", GUARD[0], GUARD)


@pytest.fixture
def ram(tmp_path: Path) -> Path:
    path = tmp_path / "ram.bin"
    path.write_bytes(bytes(OFFSET) + random.Random(1).randbytes(SIZE))
    write(path, 0x10, struct.pack(">II", 7, 7))
    return path


def write(path: Path, at: int, data: bytes) -> None:
    with path.open("r+b", buffering=0) as file:
        file.seek(OFFSET + at)
        file.write(data)


def reader(path: Path) -> _FileReader:
    return _FileReader(os.open(path, os.O_RDONLY), OFFSET, Span(BASE, SIZE), "made")


def asked(order: ByteOrder = ByteOrder.BIG) -> Looked:
    return looked_at(MemoryMap([REGION]), SPANS, COUNTERS, order)


@pytest.fixture
def capture(ram: Path) -> Iterator[CaptureApart]:
    capture = CaptureApart(reader(ram), asked())
    yield capture
    capture.close()
    assert capture.process is None


def plain(parts: Parts | None) -> list[tuple[Span, bytes]]:
    assert parts is not None
    return [(span, bytes(data)) for span, data in parts]


def everything(ram: Path) -> list[tuple[Span, bytes]]:
    image = ram.read_bytes()[OFFSET:]
    return [(span, image[span.address - BASE : span.end - BASE]) for span in SPANS]


@pytest.mark.parametrize("order", ByteOrder)
def test_it_sees_what_is_seen_in_this_process(ram: Path, order: ByteOrder) -> None:
    assert can_be_apart(reader(ram))
    write(ram, 0x10, reorder(struct.pack(">II", 7, 7), order))
    both: list[Capture] = [
        CaptureApart(reader(ram), asked(order)),
        WholeCapture(reader(ram), asked(order)),
    ]
    chance = random.Random(2)
    for number in range(7, 12):
        write(ram, 0x10, reorder(struct.pack(">II", number, number), order))
        for _ in range(chance.randrange(40)):
            write(ram, chance.randrange(0x100, SIZE), chance.randbytes(1))
        for each in both:
            each.look()
            assert each.saw(number)
            assert not each.saw(number + 1)
        apart, here = (plain(each.take()) for each in both)
        assert apart == here
        assert not both[0].saw(number)
        for each in both:
            each.owe([Span(BASE + 0x7_FF00, 0x1_0200)])
    assert isinstance(both[0], CaptureApart)
    assert both[0].process is not None
    for each in both:
        each.close()


def test_a_frame_that_is_not_whole_is_told(ram: Path, capture: CaptureApart) -> None:
    write(ram, 0x10, struct.pack(">II", 8, 7))
    capture.look()
    assert not capture.saw(8)
    write(ram, 0x10, struct.pack(">II", 8, 8))
    capture.look()
    assert capture.saw(8)
    assert plain(capture.take()) == everything(ram)


def test_a_file_that_is_cut_short_ends_the_process_alone(ram: Path, capture: CaptureApart) -> None:
    capture.look()
    assert plain(capture.take()) == everything(ram)
    assert capture.process is not None
    looking = psutil.Process(capture.process)
    image = ram.read_bytes()
    os.truncate(ram, OFFSET + 0x1000)
    with pytest.raises(SourceLost, match="shrank"):
        capture.look()
    assert not looking.is_running()
    assert not capture.saw(7)
    ram.write_bytes(image)
    # it is looked at here from now on, and nothing is known of what was before
    capture.look()
    assert capture.saw(7)
    assert capture.process is None
    assert plain(capture.take()) == everything(ram)


def test_a_file_that_is_too_short_from_the_start(ram: Path, capture: CaptureApart) -> None:
    os.truncate(ram, OFFSET + 0x1000)
    with pytest.raises(SourceLost, match="shrank"):
        capture.look()


@pytest.mark.parametrize("little", [True, False])
def test_a_process_that_ends_between_looking_and_taking(
    ram: Path, capture: CaptureApart, little: bool
) -> None:
    capture.look()
    capture.take()
    # what is little has been sent by then
    changed = random.Random(9).randbytes(0x400 if little else 0x8_0000)
    write(ram, 0x9_0000, changed)
    capture.look()
    assert capture.process is not None
    psutil.Process(capture.process).kill()
    assert capture.saw(7)
    if little:
        assert plain(capture.take()) == [(Span(BASE + 0x9_0000, 0x400), changed)]
    assert capture.take() is None
    capture.owe([Span(BASE, 4)])
    capture.look()
    assert plain(capture.take()) == everything(ram)


def test_what_changes_while_it_is_looked_at_is_not_lost(ram: Path, capture: CaptureApart) -> None:
    known = bytearray(SIZE)
    done = threading.Event()

    def play() -> None:
        chance = random.Random(3)
        while not done.is_set():
            write(ram, 0x100 * chance.randrange(1, SIZE >> 8), chance.randbytes(0x100))

    playing = threading.Thread(target=play)
    playing.start()
    try:
        for _ in range(40):
            capture.look()
            for span, data in plain(capture.take()):
                known[span.address - BASE : span.end - BASE] = data
    finally:
        done.set()
        playing.join()
    capture.look()
    for span, data in plain(capture.take()):
        known[span.address - BASE : span.end - BASE] = data
    assert [
        (span, bytes(known[span.address - BASE : span.end - BASE])) for span in SPANS
    ] == everything(ram)


def test_it_ends_with_its_parent(ram: Path) -> None:
    code = (
        "import sys, time\n"
        "from pathlib import Path\n"
        "from tests.adapters.test_capture_apart import CaptureApart, asked, reader\n"
        "capture = CaptureApart(reader(Path(sys.argv[1])), asked())\n"
        "capture.look()\n"
        "print(capture.process, flush=True)\n"
        "time.sleep(60)\n"
    )
    parent = subprocess.Popen(
        [sys.executable, "-c", code, str(ram)],
        stdout=subprocess.PIPE,
        cwd=Path(__file__).parents[2],
    )
    assert parent.stdout is not None
    number = int(parent.stdout.readline())
    assert psutil.pid_exists(number)
    parent.kill()
    parent.communicate()
    ended = psutil.STATUS_ZOMBIE, psutil.STATUS_DEAD
    for _ in range(3000):
        if not psutil.pid_exists(number) or psutil.Process(number).status() in ended:
            return
        time.sleep(0.01)
    raise AssertionError(f"process {number} runs still")


def test_the_process_loads_little() -> None:
    """It is started while a game runs, which goes on meanwhile."""
    code = (
        "import sys\n"
        "import adapters.outputs.recording.capture_apart\n"
        "print(*{'numpy', 'pydantic', 'asyncio', 'mcap'} & set(sys.modules))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parents[2],
    )
    assert done.stdout.split() == ["numpy"]
