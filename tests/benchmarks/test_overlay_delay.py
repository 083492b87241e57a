"""The short form of the overlay's benchmark: a guest, a daemon, a browser."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.benchmarks.overlay_delay import Delays, measure, table

pytestmark = [
    pytest.mark.skipif(sys.platform == "win32", reason="the guest writes with pwrite"),
    pytest.mark.needs("chromium", "chromium"),
]


async def test_the_page_shows_the_guests_value(tmp_path: Path) -> None:
    found = await measure(tmp_path, 4.0)
    print(table(found))
    assert found.unknown == 0  # every text is a value that the guest wrote
    assert len(found.delays) > 30
    assert found.delays[0] > 0
    # within a frame of the game and one of the screen
    assert found.delay(0.5) < 2 / 60
    assert found.heap_after < found.heap_before * 1.1 + 100_000
    assert found.nodes_after <= found.nodes_before + 10


def test_the_table() -> None:
    delays = tuple(n / 1e4 for n in range(1, 101))
    found = Delays(2.0, 120, delays, 0, 1000, 1100, 50, 51)
    assert table(found) == (
        "2.0 s at 60 Hz: 100 values shown, 50.0 a second; p50 5.1, p99 10.0, longest 10.0 ms; "
        "script heap 1000 to 1100 bytes, nodes 50 to 51"
    )
