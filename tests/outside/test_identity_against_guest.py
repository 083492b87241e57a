"""An object that goes while another one of its kind comes to its place, between two looks.

Source of every expected value: the running demo game, whose every object has a number of its own
(``id``, drawn anew in tests/guest/actors.c), and whose allocator forgets a header that it merges
into a free block, so that the count in it starts anew.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from bridge.evaluation.evaluator import Evaluator
from bridge.expressions.compiling import check
from bridge.heap.blocks import Heap
from bridge.heap.events import HeapEvents
from bridge.memory.image import Image
from bridge.prepared import memory_map
from schemas.compiler import load_schema
from tests.benchmarks.live_heap import SCHEMA
from tests.guest.played.guest import PlayedGuest, Standing

pytestmark = [
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm"),
    pytest.mark.needs("qemu-system-mips", "qemu-system-mips"),
]

IDENTITY = 'identity   = "owner.id"\n'


@pytest.fixture(scope="module")
def guest(
    tmp_path_factory: pytest.TempPathFactory, played_elf: Callable[[str, str | None], Path]
) -> Iterator[PlayedGuest]:
    directory = tmp_path_factory.mktemp("identity")
    with PlayedGuest(played_elf("first-print", None), directory) as running:
        yield running
        assert running.read_symbol_u32("fault") == 0


class Looked:
    """What lowhalf says of a game with and without ``identity`` in its schema."""

    def __init__(self, guest: PlayedGuest, directory: Path, *, identity: bool) -> None:
        text = SCHEMA.read_text("utf-8")
        assert IDENTITY in text
        path = directory / "identity.schema.toml"
        path.write_text(text if identity else text.replace(IDENTITY, ""), "utf-8")
        schema = load_schema(path)
        layout = schema.builds[guest.elf.stem]
        self.guest, self.memory = guest, memory_map(schema)
        self.program = check(layout, {"held": "courier.held.kind"})
        self.evaluator = Evaluator(self.program, layout, self.memory, whole=True)
        self.events = HeapEvents()
        self.number = 0

    def look(self) -> tuple[str, list[tuple[str, int]]]:
        """The status of what is in hand, and what became of blocks since the last look."""
        self.number += 1
        parts = [self.guest.read(span.address, span.length) for span in self.memory.whole()]
        self.evaluator.evaluate(Image.of(self.memory, parts), self.number)
        self.evaluator.commit()
        slot = self.program.watches["held"]
        found = self.evaluator.faults[slot] or self.evaluator.cautions.get(slot)
        status = "ok" if found is None else str(found.status)
        return status, self._events(self.evaluator.heap())

    def _events(self, heap: Heap) -> list[tuple[str, int]]:
        told = self.events.take(self.number, heap)
        return [(str(each.happened), each.block.start) for each in told]


@pytest.mark.parametrize("identity", [True, False])
def test_a_gull_that_another_one_relieves_in_one_frame(
    guest: PlayedGuest, tmp_path: Path, identity: bool
) -> None:
    """Between the crates and the gull is a hole as large as a crate: there the crate drops."""
    guest.begin()
    for action in ("gallery_door", "call_gull", "break_crate", "drop_crate", "break_crate"):
        assert guest.perform(action) is Standing.DONE
    game = Looked(guest, tmp_path, identity=identity)
    game.look()
    before = guest.heap().blocks
    assert [block.owner for block in before] == ["crate", "free", "gull", "free"]
    gull = before[2]
    number = guest.read_u32(gull.start + 0x14)
    frame = guest.read_symbol_u32("frame_ended")
    assert guest.perform("relieve_watch") is Standing.DONE
    assert guest.read_symbol_u32("frame_ended") == frame + 1
    after = guest.heap().blocks[2]
    # another gull at the same place, of the same generation
    assert guest.read_u32(gull.start + 0x14) != number
    assert (after.start, after.owner) == (gull.start, "gull")
    assert after.generation == gull.generation
    _, events = game.look()
    expected = [("allocated", before[1].start)]
    assert events == ([*expected, ("reused", gull.start)] if identity else expected)


@pytest.mark.parametrize("identity", [True, False])
def test_a_lantern_in_whose_place_another_stands_after_frames_not_seen(
    guest: PlayedGuest, tmp_path: Path, identity: bool
) -> None:
    guest.begin()
    assert guest.perform("take_lantern") is Standing.DONE
    game = Looked(guest, tmp_path, identity=identity)
    assert game.look()[0] == "ok"
    before = guest.heap().blocks[2]
    for action in ("gallery_door", "lantern_door"):
        assert guest.perform(action) is Standing.DONE
    after = guest.heap().blocks[2]
    assert (after.start, after.owner) == (before.start, before.owner) == (before.start, "lantern")
    assert after.generation == before.generation
    assert game.look()[0] == ("changed" if identity else "ok")
