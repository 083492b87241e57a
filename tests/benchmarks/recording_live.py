"""What recording a running game costs: ``python -m tests.benchmarks.recording_live``.

A made game in a process of its own fills all of its RAM, and changes the lines of twenty actors in
every sixtieth of a second; with ``--load picture`` a picture of 16 bits a point scrolls, too, and
with ``--load excluded`` that is left out of the recording.  The daemon runs in this process with
the recording and without, in turn.  Told are processor time a frame, of each thread and of what
the recording started, also as a ratio to one memcmp of the RAM in the same run; how many frames
were kept only in part; and by how much the event loop was late.

Lateness is told as it was, and less the time in which the system gave the processor to others
while the loop or a thread of the recording was ready to run (Linux's schedstat): on a machine that
does other work, the rest is what the recording itself is to blame for.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import ctypes
import io
import logging
import mmap
import multiprocessing
import random
import struct
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import psutil

from adapters.outputs.catalogue import make_outputs
from adapters.outputs.recording.output import RecordingOutput
from adapters.outputs.surroundings import OutputSurroundings
from adapters.sessions.setup import sampling_setup
from adapters.sources.catalogue import make_source
from bridge.daemon import Daemon
from bridge.memory.address_map import LINE_SIZE
from bridge.prepared import prepare
from bridge.questions.question import Questions
from schemas.loader import load_bridge

__all__ = ["LOADS", "Run", "game", "measure"]

BASE = 0x8000_0000
RAM = (None, "whole")
LOADS = ("actors", "picture", "excluded")
RATE = 60
ACTORS = 20
PICTURE_AT, PICTURE_ROW = 0x10_0000, 640
PICTURE = 240 * PICTURE_ROW
WATCHES = 50
WARM_UP = 2.5
BEAT = 0.001

SCHEMA = """
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [{{ name = "ram", start = 0x8000_0000, size = {size} }}]
[symbols]
began = "u32"
ended = "u32"
[builds.only]
recognise = [{{ at = 0x8000_0400, text = "TIDE 1.0" }}]
at.began = 0x8000_0010
at.ended = 0x8000_0014
"""
BRIDGE = """
schema = "game.schema.toml"
[source]
kind = "shared"
path = "ram.bin"
[sampling]
rate = 60
frame = "began"
guard = { began = "began", ended = "ended" }
"""


@dataclass
class Run:
    """Seconds and counts of one run, after its warm-up.

    ``threads`` are processor seconds by thread, ``children`` those of processes that were started;
    ``late`` is how late each beat of the loop was, and ``own`` the same without what others' work
    cost; both are in rising order.
    """

    frames: int = 0
    whole: int = 0
    in_part: int = 0
    threads: dict[str, float] = field(default_factory=dict)
    children: float = 0.0
    late: list[float] = field(default_factory=list)
    own: list[float] = field(default_factory=list)

    @property
    def a_frame(self) -> float:
        """Seconds of processor time a frame."""
        return (sum(self.threads.values()) + self.children) / max(1, self.frames)


def game(path: Path, size: int, load: str) -> None:
    """Write frames into the RAM for ever, in time."""
    chance = random.Random(4)
    actors = [0x1_0000 + index * (size - 0x2_0000) // ACTORS & ~0xFF for index in range(ACTORS)]
    with path.open("r+b") as file, mmap.mmap(file.fileno(), size) as ram:
        due = time.monotonic()
        number = 0
        while True:
            number += 1
            struct.pack_into(">I", ram, 0x10, number)
            for index, at in enumerate(actors):
                struct.pack_into(">If", ram, at + 0x20, number, 29.5 + 0.01 * number * (index % 3))
                struct.pack_into(">H", ram, at + 0x80, number * 91 * index & 0xFFFF)
            if load != "actors":
                ram.move(PICTURE_AT, PICTURE_AT + PICTURE_ROW, PICTURE - PICTURE_ROW)
                row = chance.randbytes(8) * (PICTURE_ROW // 8)
                ram[PICTURE_AT + PICTURE - PICTURE_ROW : PICTURE_AT + PICTURE] = row
            struct.pack_into(">I", ram, 0x14, number)
            due += 1 / RATE
            time.sleep(max(0.0, due - time.monotonic()))


@contextlib.contextmanager
def running(load: str, size: int) -> Iterator[Path]:
    """The folder of a game that runs."""
    shared = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=shared if shared.is_dir() else None) as name:
        folder = Path(name)
        ram = bytearray(random.Random(3).randbytes(size))
        ram[0x400:0x408] = b"TIDE 1.0"
        (folder / "ram.bin").write_bytes(ram)
        (folder / "game.schema.toml").write_text(SCHEMA.format(size=size), "utf-8")
        playing = multiprocessing.get_context("spawn").Process(
            target=game, args=(folder / "ram.bin", size, load), daemon=True
        )
        playing.start()
        try:
            yield folder
        finally:
            playing.terminate()
            playing.join()


def measure(
    folder: Path, load: str, seconds: float, ram: str | None, *, beats: bool = False
) -> Run:
    """So many seconds of the daemon; *ram* as in the recording's settings, None without one.

    With *beats* the loop's lateness is measured, which costs processor time itself.
    """
    text = BRIDGE
    for number in range(WATCHES):
        at = BASE + 0x1_0000 + LINE_SIZE * number
        text += f'[[watches]]\nname = "w{number}"\nexpr = \'at({at}, "u32")\'\n'
    if ram is not None:
        text += f'[outputs.recording]\nram = "{ram}"\n'
        if load == "excluded":
            text += f"exclude = [{{ start = {BASE + PICTURE_AT}, size = {PICTURE} }}]\n"
    path = folder / "game.bridge.toml"
    path.write_text(text, "utf-8")
    return asyncio.run(_run(path, seconds, beats=beats))


async def _run(path: Path, seconds: float, *, beats: bool) -> Run:
    bridge = load_bridge(path)
    ready = prepare(bridge)
    setup = sampling_setup(bridge, ready)
    questions = Questions(setup.clock)
    log = logging.getLogger("benchmark")
    around = OutputSurroundings(bridge, ready, questions, log, io.StringIO())
    outputs = make_outputs(around, "nothing")
    source = make_source(bridge.file.source, path.parent, ready)
    daemon = Daemon(source, outputs, setup, log=log, questions=questions)
    running = asyncio.create_task(daemon.run())
    await asyncio.sleep(WARM_UP)
    before = _state(daemon)
    run = Run()
    if beats:
        await _beat(time.monotonic() + seconds, run)
    else:
        await asyncio.sleep(seconds)
    after = _state(daemon)
    running.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await running
    run.late.sort()
    run.own.sort()
    run.frames, run.whole, run.in_part = (
        getattr(after, name) - getattr(before, name) for name in ("frames", "whole", "in_part")
    )
    run.threads = {name: spent - before.threads[name] for name, spent in after.threads.items()}
    run.children = after.children - before.children
    return run


def _state(daemon: Daemon) -> Run:
    assert daemon.last is not None
    assert daemon.last.stats is not None
    threads: dict[str, float] = {}
    for thread in threading.enumerate():
        if thread.ident is not None:
            clock = time.pthread_getcpuclockid(thread.ident)
            name = thread.name if "lowhalf" in thread.name else "loop"
            threads[name] = threads.get(name, 0.0) + time.clock_gettime(clock)
    state = Run(frames=daemon.last.stats.frames, threads=threads)
    for child in psutil.Process().children():
        # the game is none of the recording's
        if "spawn_main" not in " ".join(child.cmdline()):
            times = child.cpu_times()
            state.children += times.user + times.system
    for output in daemon.outputs:
        if isinstance(output, RecordingOutput) and output._worker is not None:
            state.whole, state.in_part = output._worker.whole, output._worker.in_part
    return state


async def _beat(until: float, run: Run) -> None:
    waited = _waited()
    while (began := time.perf_counter()) and time.monotonic() < until:
        await asyncio.sleep(BEAT)
        late = time.perf_counter() - began - BEAT
        before, waited = waited, _waited()
        run.late.append(late)
        run.own.append(max(0.0, late - (waited - before)))


def _waited() -> float:
    """Seconds that this process' threads were ready to run while others ran."""
    told = 0
    for thread in Path("/proc/self/task").iterdir():
        told += int((thread / "schedstat").read_text().split()[1])
    return told / 1e9


def memcmp_a_frame(size: int, seconds: float) -> float:
    """Processor seconds of one memcmp by C of so many bytes, done once in a frame's time."""
    memcmp = ctypes.CDLL(None).memcmp
    memcmp.argtypes = [ctypes.c_void_p, ctypes.c_void_p, ctypes.c_size_t]
    image = random.Random(3).randbytes(size)
    one, other = ctypes.create_string_buffer(image), ctypes.create_string_buffer(image)
    spent, frames = 0.0, int(seconds * RATE)
    for _ in range(frames):
        time.sleep(1 / RATE)
        began = time.thread_time()
        memcmp(one, other, size)
        spent += time.thread_time() - began
    return spent / frames


def main() -> int:
    parser = argparse.ArgumentParser(description="what recording a running game costs")
    parser.add_argument("--seconds", type=float, default=8.0, help="for each run")
    parser.add_argument("--runs", type=int, default=2, help="of which the best count")
    parser.add_argument("--load", choices=LOADS, default="actors")
    parser.add_argument("--mib", type=int, default=16)
    words = parser.parse_args()
    size = words.mib << 20
    print(f"{words.mib} MiB, {words.load}, {RATE} frames a second; ms of processor time a frame")
    ratios = []
    with running(words.load, size) as folder:
        for _ in range(words.runs):
            memcmp = memcmp_a_frame(size, words.seconds / 4)
            bare, recorded = (measure(folder, words.load, words.seconds, r) for r in RAM)
            again = memcmp_a_frame(size, words.seconds / 4)
            memcmp, cost = (memcmp + again) / 2, recorded.a_frame - bare.a_frame
            ratios.append(cost / memcmp)
            parts = {**recorded.threads, "looking": recorded.children}
            told = ", ".join(f"{n} {s / recorded.frames * 1e3:.2f}" for n, s in parts.items())
            print(
                f"one memcmp {memcmp * 1e3:.2f}; without recording {bare.a_frame * 1e3:.2f}; "
                f"with it {recorded.a_frame * 1e3:.2f} ({told}): {cost * 1e3:.2f} for recording, "
                f"{cost / memcmp:.1f} times one memcmp, {cost * RATE * 100:.0f} % of a core; "
                f"{recorded.in_part} of {recorded.whole + recorded.in_part} frames in part"
            )
        print("loop late by ms: 50, 99, 99.9 % and longest; without what others' work cost")
        for ram in RAM:
            for _ in range(words.runs):
                run = measure(folder, words.load, words.seconds, ram, beats=True)
                name = "with recording" if ram else "without"
                print(f"{name}: {_percentiles(run.late)}; {_percentiles(run.own)}")
    print(f"at best {min(ratios):.1f} times one memcmp a frame")
    return 0


def _percentiles(late: list[float]) -> str:
    at = [late[int(share * (len(late) - 1))] * 1e3 for share in (0.5, 0.99, 0.999, 1.0)]
    return ", ".join(f"{each:.2f}" for each in at)


if __name__ == "__main__":
    raise SystemExit(main())
