"""The heap of the running demo game against what the game itself says of it, frame after frame.

Source of every expected value: the game's own C code, which walks its heap at the end of each frame
and writes count, free bytes and checksum into its RAM, and notes the frame in which it hands out
again what a released actor in hand was at (``tests/guest/heap.c``).  ``tests.benchmarks.live_heap``
is the long form.  The game is stepped, so that no frame is missed, however busy the host is; the
full size follows it as it plays.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.evaluation.evaluator import Evaluator
from bridge.expressions.compiling import check
from bridge.heap.blocks import Heap
from bridge.memory.image import Image
from bridge.prepared import memory_map
from schemas.compiler import load_schema
from tests.benchmarks import live_heap
from tests.guest.machine import GuestMachine

pytestmark = [
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm"),
    pytest.mark.needs("qemu-system-mips", "qemu-system-mips"),
]


stepped_or_live = pytest.mark.parametrize(
    "stepping", [True, pytest.param(False, marks=pytest.mark.full)], ids=["stepped", "live"]
)


@pytest.fixture(scope="module", params=["first-print", "export"])
def machine(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory, elves: dict[str, Path]
) -> Iterator[GuestMachine]:
    directory = tmp_path_factory.mktemp("heap")
    with GuestMachine(elves[request.param], directory) as running:
        yield running
        assert running.read_symbol_u32("fault") == 0


@stepped_or_live
def test_the_walk_agrees_with_the_games_own(
    machine: GuestMachine, tmp_path: Path, stepping: bool
) -> None:
    """A walk through all rooms: a room's blocks are released, and others handed out."""
    follow = live_heap.follow(machine, tmp_path, "walk", 235, stepping=stepping, longest=60)
    found = asyncio.run(follow)
    assert found.wrong == []
    assert found.frames == 235
    assert len(found.shapes) >= 4
    assert found.frees > 0
    assert found.reuses > 0
    assert found.statuses == {"ok": 235}


@stepped_or_live
def test_a_stale_hold_is_told_from_the_very_frame_of_the_reuse(
    machine: GuestMachine, tmp_path: Path, stepping: bool
) -> None:
    """Live, a frame that a busy host makes late is left out: a few laps may be needed."""
    for _ in range(1 if stepping else 5):
        follow = live_heap.follow(machine, tmp_path, "stale hold", 200, stepping=stepping)
        found = asyncio.run(follow)
        # in no frame anything but freed before, and changed from then on
        assert found.wrong == []
        assert len(found.noted) == 1
        assert found.statuses["freed"] > 0
        assert found.statuses["changed"] > 0
        assert found.turned[0] >= found.noted[0]
        if found.turned == found.noted:
            return
    raise AssertionError(f"the frame of the reuse was never among those taken: {found}")


class Held:
    """What lowhalf says of the courier's hand, of a game that is held still."""

    def __init__(self, machine: GuestMachine) -> None:
        schema = load_schema(live_heap.SCHEMA)
        layout = schema.builds[machine.elf.stem]
        self.machine, self.memory = machine, memory_map(schema)
        self.program = check(layout, {"held": "courier.held.kind"})
        self.evaluator = Evaluator(self.program, layout, self.memory, whole=True)
        self.number = 0

    def told(self) -> tuple[str, str]:
        """Status and sentence of one more frame."""
        self.number += 1
        parts = [self.machine.read(span.address, span.length) for span in self.memory.whole()]
        assert self.evaluator.evaluate(Image.of(self.memory, parts), self.number) == set()
        self.evaluator.commit()
        slot = self.program.watches["held"]
        fault, caution = self.evaluator.faults[slot], self.evaluator.cautions.get(slot)
        found = fault or caution
        return ("ok", "") if found is None else (str(found.status), found.reason)


def test_a_block_that_leaves_the_list_of_the_game_and_one_that_comes_there_later(
    machine: GuestMachine,
) -> None:
    """The game's own list, whose head is moved by hand behind the block that is held, and back.

    Then the game itself puts the lantern down and picks it up again, which writes the pointer.
    """
    machine.hold("carry", 100)
    game = Held(machine)
    assert game.told() == ("ok", "")
    head = machine.symbols["heap_head"]
    first = block = machine.read_u32(head)
    for _ in range(3):
        block = machine.read_u32(block + 8)
    machine._write_u32(head, block)
    aimed = "courier.held was aimed at lantern (block 2), which left the heap; "
    assert game.told() == ("freed", f"{aimed}none is there now")
    machine._write_u32(head, first)
    later = ("changed", f"{aimed}block 2 (lantern) came there later")
    assert game.told() == game.told() == later
    machine.hold("carry", 250)
    assert game.told() == ("null", "courier.held is null")
    machine.hold("carry", 100)
    assert game.told() == ("ok", "")


def test_a_size_that_reaches_into_the_games_next_block_is_damage(machine: GuestMachine) -> None:
    machine.hold("carry", 100)
    schema = load_schema(live_heap.SCHEMA)
    layout, memory = schema.builds[machine.elf.stem], memory_map(schema)
    evaluator = Evaluator(check(layout, {"count": "len(blocks())"}), layout, memory, whole=True)

    def walked() -> Heap:
        parts = [machine.read(span.address, span.length) for span in memory.whole()]
        evaluator.evaluate(Image.of(memory, parts), 1)
        return evaluator.heap()

    sound = walked()
    assert sound.damaged is None
    assert len(sound.blocks) == machine.read_symbol_u32("heap_count")
    first, second = sound.blocks[:2]
    machine._write_u32(first.header + 4, first.size + 16)
    damaged = walked().damaged
    machine._write_u32(first.header + 4, first.size)
    assert damaged == (
        f"after block 0 at 0x{first.start:08X} (crate), the block with its header at "
        f"0x{second.header:08X}: block 1, 0x{second.size:X} bytes from 0x{second.start:08X}, "
        f"overlaps block 0, 0x{first.size + 16:X} bytes from 0x{first.start:08X}: 16 bytes from "
        f"0x{second.header:08X} would be both's; is size in [heap] too large?"
    )
