"""What no block covers: free in an extent, used between the free blocks of a free list."""

from __future__ import annotations

import pytest

from bridge.heap.blocks import Heap
from bridge.heap.events import events_between
from bridge.heap.overlap import uncovered
from bridge.values.status import Status
from schemas.errors import SchemaError
from tests.bridge.made_guest import Guest, Run
from tests.bridge.made_heap import ARENA, HEAD, HELD, HeapGuest, Made, schema_text

END = ARENA + 0x400
GENERATION = 'generation = "block.reuses"\n'


@pytest.fixture(params=[True, False], ids=["whole", "sparse"])
def whole(request: pytest.FixtureRequest) -> bool:
    found: bool = request.param
    return found


def told(heap: Heap) -> list[tuple[int, int, str]]:
    return [(block.start, block.size, block.owner) for block in heap.blocks]


def run_of(guest: Guest, *, whole: bool) -> Run:
    watches = {"kind": "held.kind", "owner": "owner(held)", "size": "block(held).size"}
    run = guest.run(watches, whole=whole)
    run.frame(1)
    return run


def with_extent(low: str = f"{ARENA:#x}", high: str = f"{END:#x}") -> HeapGuest:
    line = f"extent = {{ from = '{low}', to = '{high}' }}\n"
    return HeapGuest(change=(GENERATION, GENERATION + line))


def test_a_gap_is_a_free_block_and_a_pointer_there_is_freed(whole: bool) -> None:
    guest = with_extent()
    guest.heap([Made(0x40), Made(0x40, kind=3)])
    guest.poke(guest.headers[0] + 8, "I", guest.headers[1])
    guest.aim(guest.start(1))
    run = run_of(guest, whole=whole)
    assert run["kind"].status is Status.OK
    assert run.evaluator.heap().extent == (ARENA, END)
    guest.heap([Made(0x40)])  # the second one is unlinked: nothing covers it any more
    run.frame(2)
    heap = run.evaluator.heap()
    assert told(heap) == [(ARENA + 0x10, 0x40, "gull"), (ARENA + 0x50, 0x3B0, "free")]
    assert (run["kind"].status, run["kind"].reason) == (
        Status.FREED,
        "held points into a free block (block 1, was crate)",
    )
    assert (run["owner"].value, run["size"].value) == ("free", 0x3B0)


def test_an_extent_without_a_list_is_all_free(whole: bool) -> None:
    guest = with_extent()
    guest.heap([])
    guest.aim(ARENA + 0x20)
    run = run_of(guest, whole=whole)
    assert told(run.evaluator.heap()) == [(ARENA, 0x400, "free")]
    assert run["owner"].value == "free"


def test_of_a_damaged_heap_nobody_knows_what_is_free() -> None:
    guest = with_extent()
    guest.heap([Made(0x40), Made(0x40, magic=0)])
    guest.aim(ARENA + 0x100)
    run = run_of(guest, whole=True)
    heap = run.evaluator.heap()
    assert heap.damaged is not None
    assert told(heap) == [(ARENA + 0x10, 0x40, "gull")]
    assert run["owner"].status is Status.UNMAPPED


def test_a_gap_smaller_than_the_alignment_is_no_hole() -> None:
    line = f"extent = {{ from = {ARENA:#x}, to = {ARENA + 0xB8:#x} }}\n"
    guest = HeapGuest(change=(GENERATION, GENERATION + line))
    guest.heap([Made(0x40), Made(0x40)])
    run = run_of(guest, whole=True)
    assert told(run.evaluator.heap()) == [
        (ARENA + 0x10, 0x40, "gull"),
        (ARENA + 0x60, 0x40, "gull"),
        (ARENA + 0xA0, 0x18, "free"),
    ]
    guest = HeapGuest(change=(GENERATION, GENERATION + line.replace("b8", "a8")))
    guest.heap([Made(0x40), Made(0x40)])
    assert len(run_of(guest, whole=True).evaluator.heap().blocks) == 2


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (
            f"{ARENA + 0x20:#x}",
            f"{END:#x}",
            f"the first block, with its header at 0x{ARENA:08X}: block 0, 0x40 bytes from "
            f"0x{ARENA + 0x10:08X}, lies outside 0x{ARENA + 0x20:08X} to 0x{END:08X}",
        ),
        (
            f"{ARENA:#x}",
            f"{ARENA + 0x80:#x}",
            f"after block 0 at 0x{ARENA + 0x10:08X} (gull), the block with its header at "
            f"0x{ARENA + 0x50:08X}: block 1, 0x40 bytes from 0x{ARENA + 0x60:08X}, lies outside "
            f"0x{ARENA:08X} to 0x{ARENA + 0x80:08X}",
        ),
        (
            "word",
            "word",
            "its extent ends at 0x00000000, which is not behind 0x00000000, where it begins",
        ),
    ],
)
def test_blocks_outside_are_damage(low: str, high: str, words: str, whole: bool) -> None:
    guest = with_extent(low, high)
    guest.heap([Made(0x40), Made(0x40)])
    guest.aim(ARENA + 0x10)
    assert run_of(guest, whole=whole).evaluator.heap().damaged == words


def test_the_extent_may_be_named_through_a_mirror() -> None:
    guest = with_extent(f"{ARENA + 0x2000_0000:#x}", f"{END + 0x2000_0000:#x}")
    guest.heap([Made(0x40)])
    heap = run_of(guest, whole=True).evaluator.heap()
    assert heap.damaged is None
    assert heap.extent == (ARENA, END)


def test_an_extent_that_is_written_backwards_is_refused() -> None:
    with pytest.raises(SchemaError, match=r"heap\.extent\.to: ends at 0x80010000, which is not"):
        with_extent(f"{END:#x}", f"{ARENA:#x}").run({"watch": "1"}, whole=True)


def test_what_is_uncovered_against_a_set_of_bytes() -> None:
    rows = [
        (0x110, 0x118, 0x20, True, None, None, None, None),
        (0x158, 0x158, 8, True, None, None, None, None),
        (0x900, 0x170, 0x10, True, None, None, None, None),  # its header lies elsewhere
    ]
    covered = {*range(0x110, 0x138), *range(0x158, 0x160), *range(0x170, 0x180)}
    free = {at for low, high in uncovered(rows, 8, 0x100, 0x200) for at in range(low, high)}
    assert free == set(range(0x100, 0x200)) - covered


# runs


FREE_LIST = f"""
[heap]
list = "free"
block = "BlockHeader"
first = "heap_head"
next = "block.next"
size = "block.size"
payload = "address(block)"
extent = {{ from = {ARENA:#x}, to = {END:#x} }}
"""


def free_list(*holes: tuple[int, int]) -> Guest:
    text = schema_text()
    begin, end = text.index("[heap]\n"), text.index("[builds.only]")
    guest = Guest(text[:begin] + FREE_LIST + text[end:])
    lay(guest, *holes)
    return guest


def lay(guest: Guest, *holes: tuple[int, int]) -> None:
    """Free blocks of (offset, size), in that order."""
    headers = [ARENA + at for at, _ in holes]
    guest.poke(HEAD, "I", headers[0] if headers else 0)
    for header, after, (_, size) in zip(headers, [*headers, 0][1:], holes, strict=True):
        guest.poke(header + 4, "I", size)
        guest.poke(header + 8, "I", after)


def test_the_rest_of_a_free_list_is_runs_that_nothing_tells_apart(whole: bool) -> None:
    guest = free_list((0x100, 0x80), (0x40, 0x20))
    guest.poke(HELD, "I", ARENA + 0x204)
    run = run_of(guest, whole=whole)
    before = run.evaluator.heap()
    assert [(b.start - ARENA, b.size, b.used, b.run) for b in before.blocks] == [
        (0, 0x40, True, True),
        (0x40, 0x20, False, False),
        (0x60, 0xA0, True, True),
        (0x100, 0x80, False, False),
        (0x180, 0x280, True, True),
    ]
    assert run["kind"].reason == ""
    # what lies before it is handed out: the run begins elsewhere, and that tells nothing
    lay(guest, (0x40, 0x20))
    run.frame(2)
    assert run["kind"].reason == ""
    assert events_between(2, 1, before, run.evaluator.heap()) == []
    # what it points to is taken back: that is known
    lay(guest, (0x40, 0x20), (0x200, 0x40))
    run.frame(3)
    assert run["kind"].reason.startswith("held points into a free block")
    # and handed out again: whatever is there now, it is another thing
    lay(guest, (0x40, 0x20))
    run.frame(4)
    assert (run["kind"].status, run["owner"].value) == (Status.CHANGED, "unknown")


def test_a_full_heap_has_no_free_list(whole: bool) -> None:
    guest = free_list()
    guest.poke(HELD, "I", ARENA + 4)
    heap = run_of(guest, whole=whole).evaluator.heap()
    assert heap.damaged is None
    assert [(b.start, b.size, b.used) for b in heap.blocks] == [(ARENA, 0x400, True)]


def test_free_blocks_that_overlap_are_damage() -> None:
    guest = free_list((0x40, 0x40), (0x60, 0x20))
    guest.poke(HELD, "I", ARENA + 4)
    heap = run_of(guest, whole=True).evaluator.heap()
    assert heap.damaged is not None
    assert "overlaps" in heap.damaged
    assert not any(block.used for block in heap.blocks)
