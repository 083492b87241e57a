"""What a query costs: ``python -m tests.benchmarks.query``.

A recording of 16 MiB of filled RAM in which twenty actors change in every frame; asked for are 50
fields at fixed addresses, and 45 behind one and two pointers.  Each is a ratio within one run: all
frames at once against the engine frame by frame, and against one watch at a time; and how long it
takes to find the first frame where an expression holds.
"""

from __future__ import annotations

import argparse
import random
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from adapters.commands.console.worker_processes import cores
from adapters.exports.csv_rows import CsvRows
from adapters.recordings.header import About
from adapters.recordings.recorder import Recorder
from adapters.sessions.recorded_query import QuerySettings, RecordedQuery
from bridge.memory.address_map import LINE_SIZE, Region, Span
from bridge.ports.source import Consistency
from bridge.querying.asked import ColumnAsked
from tests.benchmarks.many_dumps import MEASURED

__all__ = ["FIELDS", "POINTERS", "Cost", "cost", "first", "record"]

BASE, SIZE = 0x8000_0000, 16 << 20
ACTORS = 20
_FIRST = 0x8000_4000
_TABLE = 0x8000_1000
SCHEMA = f"""
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [{{ name = "ram", start = 0x8000_0000, size = "16 MiB" }}]
[structs.Actor]
size = 0x100
fields.held = {{ at = 0x10, type = "Actor*" }}
fields.count = {{ at = 0x20, type = "u32" }}
fields.x = {{ at = 0x24, type = "f32" }}
fields.facing = {{ at = 0x80, type = "u16" }}
[symbols]
actors = "Actor[{ACTORS}]"
table = "Actor*[{ACTORS}]"
[builds.only]
at.actors = 0x{_FIRST:08X}
at.table = 0x{_TABLE:08X}
"""
BRIDGE = 'schema = "made.schema.toml"\n[source]\nkind = "file"\npath = "ram.bin"\n'


def _columns(texts: list[str]) -> tuple[ColumnAsked, ...]:
    return tuple(ColumnAsked(text, text) for text in texts)


FIELDS = _columns(
    [f"actors[{n % ACTORS}].{('count', 'x', 'facing')[n // ACTORS]}" for n in range(50)]
)
POINTERS = _columns(
    [
        f"table[{n % ACTORS}].{'held.' if n % 2 else ''}{('count', 'x', 'facing')[n // ACTORS]}"
        for n in range(45)
    ]
)


def record(path: Path, frames: int) -> None:
    """Write the recording."""
    chance = random.Random(5)
    image = bytearray(chance.randbytes(SIZE))
    for n in range(ACTORS):
        at = _FIRST - BASE + n * LINE_SIZE
        struct.pack_into(">I", image, _TABLE - BASE + 4 * n, _FIRST + n * LINE_SIZE)
        struct.pack_into(">I", image, at + 0x10, _FIRST + (n * 7 % ACTORS) * LINE_SIZE)
    about = About(SCHEMA, BRIDGE, "only", "benchmark", [Region("ram", BASE, SIZE)])
    first, size = _FIRST - BASE, ACTORS * LINE_SIZE
    with Recorder(path, about) as recorder:
        for number in range(frames):
            for n in range(ACTORS):
                at = first + n * LINE_SIZE
                struct.pack_into(">If", image, at + 0x20, number, 29.5 + 0.01 * number * (n % 3))
                struct.pack_into(">H", image, at + 0x80, number * 91 * n & 0xFFFF)
            begin, end = (first, first + size) if number else (0, SIZE)
            parts = [(Span(BASE + begin, end - begin), bytes(image[begin:end]))]
            recorder.frame(number, 1.7e9 + number / 60, Consistency.GUARDED, parts)


@dataclass(frozen=True)
class Cost:
    """Seconds of processor time a frame: all at once, with CSV made of it, frame by frame, and one
    watch at a time."""

    at_once: float
    csv: float
    engine: float
    one_by_one: float


def cost(path: Path, columns: tuple[ColumnAsked, ...], *, alone: int = 5) -> Cost:
    """What a query for *columns* costs; of single watches *alone* are asked for, for all."""
    settings = QuerySettings(columns=columns, statuses=False)
    one = [
        _per_frame(path, replace(settings, columns=(column,), at_once=False))
        for column in columns[:alone]
    ]
    return Cost(
        _per_frame(path, settings),
        _per_frame(path, settings, csv=True),
        _per_frame(path, replace(settings, at_once=False)),
        sum(one) / len(one) * len(columns),
    )


@dataclass(frozen=True)
class Found:
    """Seconds that the command took, and those of the processor of all its processes."""

    seconds: float
    processor: float


def first(path: Path, frames: int) -> Found:
    """``lowhalf query --first`` for an expression that holds in the last of so many frames."""
    asked = ["--watch", "x=actors[3].x", "--first", f"actors[3].count == {frames - 1}"]
    command = [sys.executable, "-c", MEASURED, "query", str(path), *asked, "--csv", "-"]
    began = time.monotonic()
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    took = time.monotonic() - began
    last = done.stdout.splitlines()[-1]
    if last.split(",")[0] != str(frames - 1):
        raise AssertionError(f"expected frame {frames - 1}, found {last}")
    return Found(took, float(done.stderr.split()[-3]))


def _per_frame(path: Path, settings: QuerySettings, *, csv: bool = False) -> float:
    query = RecordedQuery(path, settings)
    lines = CsvRows([column.name for column in query.columns])

    def run() -> int:
        return sum(len(rows) + (len(lines.lines(rows)) if csv else 0) * 0 for rows in query.rows())

    frames: list[int] = []
    spent = _spent(lambda: frames.append(run()))
    return spent / frames[0]


def _spent(work: Callable[[], object]) -> float:
    began = time.process_time()
    work()
    return time.process_time() - began


def _report(words: argparse.Namespace) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "made.mcap"
        record(path, words.frames)
        for name, columns in (("50 fixed fields", FIELDS), ("45 behind pointers", POINTERS)):
            found = cost(path, columns)
            print(
                f"{name}: {1 / found.at_once:,.0f} frames/s of processor time, with CSV "
                f"{1 / found.csv:,.0f}; {found.engine / found.at_once:.1f} times the engine frame "
                f"by frame ({1 / found.engine:,.0f}), {found.one_by_one / found.at_once:.0f} times "
                "one watch at a time"
            )
        record(path, words.first)
        sought = first(path, words.first)
        print(
            f"the first frame where an expression holds, the last of {words.first / 3600:g} "
            f"minutes: {sought.seconds:.2f} s on {cores()} cores, {sought.processor:.2f} s of "
            f"processor time, {words.first / sought.processor:,.0f} frames/s"
        )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else "")
    parser.add_argument("--frames", type=int, default=3600)
    parser.add_argument("--first", type=int, default=36_000, help="frames to seek the first in")
    _report(parser.parse_args())
