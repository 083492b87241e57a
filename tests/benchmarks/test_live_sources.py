"""The short form of the live sources' benchmark: what is counted, never what is timed."""

from __future__ import annotations

import dataclasses
import math
import sys
from pathlib import Path

import pytest

from tests.benchmarks import live_sources
from tests.benchmarks.live_sources import Row

pytestmark = [
    pytest.mark.skipif(sys.platform != "linux", reason="reads processes on Linux only"),
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm"),
    pytest.mark.needs("qemu-system-mips", "qemu-system-mips"),
]


@pytest.mark.parametrize("seconds", [0.6, pytest.param(2.0, marks=pytest.mark.full)])
@pytest.mark.parametrize("source", live_sources.SOURCES)
def test_a_source_in_its_steady_state(
    elf: Path, tmp_path: Path, source: str, seconds: float
) -> None:
    (row,) = live_sources.measure(elf, tmp_path, [source], [16], seconds)
    print(live_sources.table([row]))
    assert (row.source, row.lines) == (source, 16)
    assert row.frames >= 10 * seconds
    # a reading for a frame, and the moment in which the game ended it, where the poller was not
    # held up by a busy machine
    assert row.frames / 2 <= len(row.latencies) <= row.frames + 1
    assert all(math.isfinite(each) for each in row.latencies)
    assert list(row.latencies) == sorted(row.latencies)
    assert row.seconds >= seconds
    assert row.cpu > 0
    assert row.guest_rate > 0
    assert row.bare_rate > 0
    assert row.gap > 0
    assert (row.taken > 0) == source.startswith("debugger")
    # the chain of three pointers is in the watches, and all that is needed comes at once
    assert row.fetched_lines == 16
    if row.source in ("push", "debugger-exact"):
        assert row.torn == 0
    if source == "debugger":
        # it looks at the clock and not at the game: a frame may be sampled and seen to be old
        assert row.batches >= row.frames
    else:
        assert row.batches == row.frames + row.torn


def test_the_table_shows_each_row() -> None:
    row = Row(
        *("shared", 16, 2.0, 100, 1, 2, 102, 16),
        latencies=tuple(n / 1e5 for n in range(1, 101)),
        cpu=0.04,
        taken=0.0,
        guest_rate=57.0,
        bare_rate=60.0,
        gap=2e-6,
    )
    debugger = dataclasses.replace(row, source="debugger", taken=0.08, latencies=())
    head, *lines = live_sources.table([row, debugger]).splitlines()
    assert head.split()[:5] == ["source", "lines", "frames", "skipped", "torn"]
    assert [line.split() for line in lines] == [
        [
            *("shared", "16", "100", "1", "2", "1.00"),
            *("0.51", "1.00", "4.0", "0.0", "5.0", "0.002"),
        ],
        [
            *("debugger", "16", "100", "1", "2", "1.00"),
            *("nan", "nan", "4.0", "8.0", "5.0", "0.002"),
        ],
    ]
