"""The heap of the running demo game against what the game itself says of it, frame after frame.

Source of every expected value: the game's own C code, which walks its heap at the end of each frame
and writes count, free bytes and checksum into its RAM, and notes the frame in which it hands out
again what a released actor in hand was at (``tests/guest/heap.c``).  ``tests.benchmarks.live_heap``
is the long form.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.benchmarks import live_heap
from tests.guest import build as guest_build
from tests.guest.machine import GuestMachine

pytestmark = [
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm"),
    pytest.mark.needs("qemu-system-mips", "qemu-system-mips"),
]


@pytest.fixture(scope="module", params=["first-print", "export"])
def machine(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[GuestMachine]:
    directory = tmp_path_factory.mktemp("heap")
    elf = guest_build.build(directory)[request.param]
    with GuestMachine(elf, directory) as running:
        yield running
        assert running.read_symbol_u32("fault") == 0


def test_the_walk_agrees_with_the_games_own(machine: GuestMachine, tmp_path: Path) -> None:
    """A walk through all rooms: a room's blocks are released, and others handed out."""
    found = asyncio.run(live_heap.follow(machine, tmp_path, "walk", 235, longest=40))
    assert found.wrong == []
    assert found.frames == 235
    assert len(found.shapes) >= 4
    assert found.frees > 0
    assert found.reuses > 0
    assert found.statuses == {"ok": 235}


def test_a_stale_hold_is_told_from_the_very_frame_of_the_reuse(
    machine: GuestMachine, tmp_path: Path
) -> None:
    """A frame that a busy host makes late is left out, so that a few laps may be needed."""
    for _ in range(5):
        found = asyncio.run(live_heap.follow(machine, tmp_path, "stale hold", 200, longest=40))
        # in no frame anything but freed before, and changed from then on
        assert found.wrong == []
        assert len(found.noted) == 1
        assert found.statuses["freed"] > 0
        assert found.statuses["changed"] > 0
        assert found.turned[0] >= found.noted[0]
        if found.turned == found.noted:
            return
    raise AssertionError(f"the frame of the reuse was never among those taken: {found}")
