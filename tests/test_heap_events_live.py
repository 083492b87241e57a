"""Heap events of the game on QEMU, as a page gets them that is slow, against the guest's own bytes.

The guest's list is read by hand from its RAM, by the header that tests/guest/tidewright.h defines
and gcc compiled; the machine is halted by QEMU's monitor.
"""

from __future__ import annotations

import asyncio
import json
import struct
from pathlib import Path
from typing import Any

import aiohttp
import pytest

from tests.commands.command import Running
from tests.guest.machine import GuestMachine

pytestmark = [
    pytest.mark.needs("qemu-system-mips", "qemu-system-mips"),
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc"),
]
SCHEMA = Path(__file__).parents[1] / "schemas" / "games" / "tidewright.schema.toml"
HEADER = struct.Struct(">HBBIII")
KINDS = {2: "lantern", 3: "crate", 4: "gull", 5: "buoy", 6: "mist_puff"}

Blocks = dict[int, tuple[str, int]]
"""The kind and the size of each block in use, by the address of its payload."""


def by_hand(machine: GuestMachine) -> Blocks:
    header, found = machine.read_symbol_u32("heap_head"), {}
    while header:
        magic, used, _, size, following, _ = HEADER.unpack(machine.read(header, HEADER.size))
        assert magic == 0x7B10
        if used:
            (kind,) = struct.unpack(">H", machine.read(header + HEADER.size, 2))
            found[header + HEADER.size] = (KINDS[kind], size)
        header = following
    return found


def of_snapshot(heap: dict[str, Any]) -> Blocks:
    owners = heap["owners"]
    return {start: (owners[owner], size) for start, size, used, owner in heap["blocks"] if used}


async def test_a_slow_page_knows_of_each_event_what_the_guest_did(
    elf: Path, tmp_path: Path
) -> None:
    """No watch asks for the heap.  From the first heap that the page gets, the events lead to the
    one that is there at the end; none is told twice, and none between is lost."""
    with GuestMachine(elf, tmp_path) as machine:
        path = tmp_path / "live.bridge.toml"
        path.write_text(
            f"schema = {json.dumps(str(SCHEMA))}\n"
            f'[source]\nkind = "shared"\npath = {json.dumps(str(machine.ram_path))}\n'
            '[sampling]\nframe = "frame_began"\n'
            'guard = { began = "frame_began", ended = "frame_ended" }\n'
            '[[watches]]\nname = "x"\nexpr = "courier.position.x"\n'
            '[outputs.overlay]\nlisten = "127.0.0.1:0"\n',
            "utf-8",
        )
        with Running("run", "--quiet", str(path)) as daemon:
            url = daemon.url()
            await asyncio.to_thread(daemon.wait_for, "build first-print")
            async with (
                aiohttp.ClientSession() as http,
                http.ws_connect(f"{url}live?parts=heap") as page,
            ):
                first: tuple[int, Blocks] | None = None
                events: dict[int, list[Any]] = {}
                halted, at_end = 0, Blocks()
                machine.command("stale hold")
                while True:
                    message = await page.receive_json(timeout=10)
                    heap, told = message["heap"], message["heap_events"]
                    if heap and told and told["told"]:
                        first = first or (heap["frame"], of_snapshot(heap))
                        for row in told["told"]:
                            if row[0]:
                                assert events.setdefault(row[0], row) == row
                        if halted and message["frame"] == heap["frame"] == halted:
                            break
                    if not halted and len(events) >= 8:
                        halted = await asyncio.to_thread(machine.stop_between_frames)
                        at_end = by_hand(machine)
                    await asyncio.sleep(0.2)
                    await page.send_str("ack")
    assert first is not None
    frame, blocks = first
    assert sorted(events) == list(range(1, max(events) + 1))
    states = {frozenset(blocks.items())}
    for _, when, event, words, _, start, size in (events[number] for number in sorted(events)):
        if when <= frame:
            continue
        if event == "released":
            assert blocks.pop(start)[1] == size
        else:
            assert (start in blocks) == (event == "reused")
            blocks[start] = (words.split(" ", 1)[0], size)
        states.add(frozenset(blocks.items()))
    assert len(states) > 4
    assert blocks == at_end
