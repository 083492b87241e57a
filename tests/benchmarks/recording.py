"""What recording costs: ``python -m tests.benchmarks.recording``.

A look at 16 MiB of filled RAM against one memcmp of it by C, and the size of a minute of three
loads against ``zstd -3`` of the changed lines themselves, each as a ratio within one run; and
seeking in an hour of it for 50 watches, in processor time and against reading a frame's group.
What all of a recording costs while a game runs, ``recording_live`` tells.
"""

from __future__ import annotations

import ctypes
import os
import random
import struct
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import zstandard

from adapters.outputs.recording.capture import Looked, WholeCapture, without
from adapters.outputs.recording.capture_apart import MappedFile
from adapters.recordings.header import About
from adapters.recordings.reader import open_recording
from adapters.recordings.recorder import Parts, Recorder
from bridge.memory.address_map import LINE_SIZE, Region, Span
from bridge.memory.byte_order import ByteOrder
from bridge.ports.bulk_reader import BulkReader
from bridge.ports.source import Consistency

__all__ = ["LOADS", "look_cost", "minute", "seek_times"]

BASE, SIZE = 0x8000_0000, 16 << 20
REGION = Region("ram", BASE, SIZE)
ABOUT = About("", "", "made", "benchmark", [REGION])
ACTORS, FRAMEBUFFER = 20, 320 * 240 * 2


class _File(BulkReader):
    def __init__(self, path: Path) -> None:
        self.spans = [Span(BASE, SIZE)]
        self._file = path.open("rb", buffering=0)

    def read_into(self, address: int, into: memoryview) -> None:
        assert os.preadv(self._file.fileno(), [into], address - BASE) == len(into)

    def close(self) -> None:
        self._file.close()


@dataclass(frozen=True)
class Cost:
    """Seconds of processor time: one look at what is copied by calls, one at what is mapped, as the
    process looks that a recording starts, and one memcmp of the same."""

    copied: float
    mapped: float
    memcmp: float


def look_cost(frames: int = 40) -> Cost:
    """A look at each frame of a game that changes the lines of some actors."""
    chance = random.Random(3)
    memcmp = ctypes.CDLL(None).memcmp
    memcmp.argtypes = [ctypes.c_void_p, ctypes.c_void_p, ctypes.c_size_t]
    copies: list[float] = []
    maps: list[float] = []
    compares: list[float] = []
    shared = Path("/dev/shm")
    folder = tempfile.TemporaryDirectory(dir=shared if shared.is_dir() else None)
    with folder as name:
        path = Path(name) / "ram.bin"
        image = chance.randbytes(SIZE)
        path.write_bytes(image)
        one, other = ctypes.create_string_buffer(image), ctypes.create_string_buffer(image)
        whole = Span(BASE, SIZE)
        with path.open("rb") as file:
            mapped = MappedFile(file.fileno(), 0, whole)
        captures = [
            WholeCapture(reader, Looked((whole,), ByteOrder.BIG))
            for reader in (_File(path), mapped)
        ]
        for capture in captures:
            capture.look()
            capture.take()
        with path.open("r+b", buffering=0) as game:
            for number in range(frames):
                for line in range(ACTORS):
                    game.seek(0x1_0000 * line)
                    game.write(struct.pack(">I", number))
                for capture, spent in zip(captures, (copies, maps), strict=True):
                    spent.append(_spent(capture.look))
                    assert sum(span.length for span, _ in capture.take()) == ACTORS * LINE_SIZE
                compares.append(_spent(lambda: memcmp(one, other, SIZE)))
        for capture in captures:
            capture.close()
    return Cost(min(copies), min(maps), min(compares))


def actors(frames: int) -> Iterator[Parts]:
    """Twenty lines a frame, in which some words count, turn and move."""
    chance = random.Random(5)
    still = [bytearray(chance.randbytes(LINE_SIZE)) for _ in range(ACTORS)]
    for number in range(frames):
        for index, line in enumerate(still):
            struct.pack_into(">If", line, 0x20, number, 29.5 + 0.01 * number * (index % 3))
            struct.pack_into(">H", line, 0x80, number * 91 * index & 0xFFFF)
        yield [(Span(BASE + 0x4000 * i, LINE_SIZE), bytes(line)) for i, line in enumerate(still)]


def framebuffer(frames: int) -> Iterator[Parts]:
    """The same, and a picture of 16 bits a point that scrolls by a row every frame."""
    chance = random.Random(6)
    tiles = [bytes([chance.randrange(256)]) * 16 for _ in range(64)]
    picture = bytearray(b"".join(chance.choice(tiles) for _ in range(FRAMEBUFFER // 16)))
    for lines in actors(frames):
        row = b"".join(chance.choice(tiles) for _ in range(640 // 16))
        picture = picture[640:] + row
        yield [*lines, (Span(BASE + 0x10_0000, FRAMEBUFFER), bytes(picture))]


def excluded(frames: int) -> Iterator[Parts]:
    """The same, and the picture is left out of the recording."""
    picture = [Span(BASE + 0x10_0000, FRAMEBUFFER)]
    for parts in framebuffer(frames):
        yield [(span, data) for span, data in parts if without([span], picture)]


LOADS: dict[str, Callable[[int], Iterator[Parts]]] = {
    "actors": actors,
    "with a picture": framebuffer,
    "the picture excluded": excluded,
}


@dataclass(frozen=True)
class Size:
    """Bytes of a minute: what the file has grown by, and the changed lines packed by themselves."""

    recorded: int
    packed: int


def minute(load: str, seconds: int = 60) -> Size:
    """How large a minute of a load is."""
    changed: list[bytes] = []
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "a.mcap"
        whole = random.Random(7).randbytes(SIZE)
        with Recorder(path, ABOUT) as recorder:
            recorder.frame(0, 1e9, Consistency.GUARDED, [(Span(BASE, SIZE), whole)])
            recorder.flush()
            before = recorder.size
            for number, parts in enumerate(LOADS[load](60 * seconds), 1):
                recorder.frame(number, 1e9 + number / 60, Consistency.GUARDED, parts)
                changed += [bytes(data) for _, data in parts]
        grown = path.stat().st_size - before
    return Size(grown, len(zstandard.ZstdCompressor(3).compress(b"".join(changed))))


def seek_times(minutes: int = 60, seeks: int = 100) -> tuple[list[float], list[float]]:
    """Processor seconds to have 50 watches' bytes at random frames, in rising order; and to read
    the frames of one group, of a second."""
    chance = random.Random(8)
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "a.mcap"
        with Recorder(path, ABOUT) as recorder:
            whole = random.Random(7).randbytes(SIZE)
            recorder.frame(0, 1e9, Consistency.GUARDED, [(Span(BASE, SIZE), whole)])
            for number, parts in enumerate(actors(minutes * 3600), 1):
                recorder.frame(number, 1e9 + number / 60, Consistency.GUARDED, parts)
        recording = open_recording(path)
        # most watches look at actors, some elsewhere
        watched = [Span(BASE + 0x4000 * (i % 20) + 0x20, 4) for i in range(40)]
        watched += [Span(BASE + chance.randrange(0, SIZE - 4, 4), 4) for _ in range(10)]
        groups = [chance.randrange(len(recording.groups)) for _ in range(seeks)]

        def seek(group: int) -> None:
            memory = recording.memory_before(group)
            frames = recording.frames(group)
            for frame in frames[: chance.randrange(1, len(frames) + 1)]:
                memory.apply(frame)
            assert all(memory.read(span) is not None for span in watched)

        seeking, reading = [], []
        for group in groups:
            seeking.append(_spent(lambda: seek(group)))  # noqa: B023 - called at once
            reading.append(_spent(lambda: recording.frames(group)))  # noqa: B023
    return sorted(seeking), sorted(reading)


def _spent(work: Callable[[], object]) -> float:
    began = time.thread_time()
    work()
    return time.thread_time() - began


def main() -> int:
    cost = look_cost()
    for words, look in (("mapped", cost.mapped), ("copied by calls", cost.copied)):
        print(f"a look, {words}: {look * 1e3:.2f} ms, {look / cost.memcmp:.1f} times one memcmp")
    for load in LOADS:
        size = minute(load)
        ratio = size.recorded / size.packed
        print(f"{load}: {size.recorded / 1e6:.2f} MB a minute, {ratio:.2f} times the lines packed")
    seeking, reading = seek_times()
    print(
        f"seek in an hour: median {seeking[50] * 1e3:.0f} ms, 99th percentile "
        f"{seeking[98] * 1e3:.0f} ms; {seeking[98] / reading[50]:.0f} times reading one second"
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
