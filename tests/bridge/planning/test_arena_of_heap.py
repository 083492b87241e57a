"""Heaps as arenas, and every sentence about one that its allocator's rules could not have left."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.heap.blocks import Age, Block, FurtherBlock, Heap
from bridge.planning.actions import Action, Alloc, Free, Hold, Which
from bridge.planning.ages import ages_of, unknown_ages
from bridge.planning.arena import HOLE, WALL, Cell
from bridge.planning.arena_of_heap import MAX_CELLS, arena_of_heap, contradictions
from bridge.planning.model import GameModel
from bridge.planning.policy import Fit, HoleOrder, Merge, Policy
from schemas.errors import PlanningError

POLICY = Policy(header=0x10, alignment=0x10, least_rest=0x20)
GAME = GameModel("first-print", POLICY, {"crate": 0x30, "gull": 0x1C})
LEARN = ": planning stops; lowhalf learn finds what the game does"


def heap(*blocks: tuple[int, int, str], **more: object) -> Heap:
    """A heap of (header, payload's size, owner)."""
    made = [
        Block(header + 0x10, size, owner != "free", index, owner, header)
        for index, (header, size, owner) in enumerate(blocks)
    ]
    return replace(Heap(made, header_size=0x10), **more)  # type: ignore[arg-type]


SOUND = heap((0x1000, 0x30, "crate"), (0x1040, 0x40, "free"), (0x1090, 0x1C, "gull"))


def test_blocks_and_what_lies_between_them() -> None:
    # the gull's 0x1C bytes take 0x20 by the alignment; the arena goes on for 0x40 behind it
    arena = arena_of_heap(SOUND, GAME, (0xFF0, 0x1100), held=0x10A0)
    assert arena.cells == (
        Cell(0xFF0, 0x10, WALL),
        Cell(0x1000, 0x40, "crate"),
        Cell(0x1040, 0x50, HOLE),
        Cell(0x1090, 0x30, "gull"),
        Cell(0x10C0, 0x40, WALL),
    )
    assert (arena.held, arena.rover) == (0x1090, None)
    assert arena_of_heap(SOUND, GAME).high == 0x10C0


def test_what_no_block_covers_in_an_extent_is_a_hole_without_a_header() -> None:
    bare = [Block(0xFF4, 0xC, False, 0, "free", 0xFF4), *SOUND.blocks]
    within = replace(SOUND, blocks=bare, extent=(0xFF4, 0x10C0))
    cells = arena_of_heap(within, GAME).cells
    assert cells[0] == Cell(0xFF4, 0xC, HOLE)
    assert [cell.start for cell in cells] == [0xFF4, 0x1000, 0x1040, 0x1090]
    touching = replace(
        SOUND, blocks=[*SOUND.blocks[:2], Block(0x1090, 8, False, 2, "free", 0x1090)]
    )
    assert list(contradictions(touching, GAME)) == ["free blocks 1 and 2 touch, but merge is both"]


def test_heaps_whose_blocks_are_not_known_are_refused() -> None:
    named = replace(SOUND, blocks=[Block(0x1010, 8, True, 0, "free", 0x1000)])
    with pytest.raises(PlanningError, match=r"^block 0 at 0x00001010 is used by what is called fr"):
        arena_of_heap(named, GAME)
    moving = replace(SOUND, blocks=[FurtherBlock(0x1010, 8, True, 0, "gull", 0x1000, handle=0x900)])
    with pytest.raises(PlanningError, match=r"^the heap's blocks are known by handles, since they"):
        arena_of_heap(moving, GAME)
    run = FurtherBlock(0x1000, 0x70, True, 0, "used", 0x1000, run=True)
    hole = Block(0x1080, 0x30, False, 1, "free", 0x1070)
    runs = replace(SOUND, blocks=[run, hole])
    call = Action("call_gull", 1, effects=(Alloc("gull"),))
    assert [c.kind for c in arena_of_heap(runs, GAME, None, [call]).cells] == ["used", HOLE]
    with pytest.raises(
        PlanningError, match=r"so that what break_crate releases is not known; rest"
    ):
        arena_of_heap(runs, GAME, None, [call, BREAK])


def test_what_is_held_must_be_a_block_that_is_used() -> None:
    for held in (None, 0, 0x1050, 0x1018, 0x2000):
        assert arena_of_heap(SOUND, GAME, held=held).held is None


WRONG = [
    (
        heap((0x1000, 0x20, "free"), (0x1030, 0x20, "free"), (0x1060, 0x20, "gull")),
        "free blocks 0 and 1 touch, but merge is both",
    ),
    (
        heap((0x1000, 0x20, "gull"), (0x1030, 0x20, "crate")),
        "block 1 at 0x00001040, a crate, has 0x20 bytes, but its kind asks for 0x30",
    ),
    (
        heap((0x1000, 0x50, "crate"), (0x1060, 0x20, "gull")),
        "block 0 at 0x00001010, a crate, has 0x20 bytes more than its kind takes, but least_rest "
        "is 0x20: they would be a hole",
    ),
    (
        heap((0x1000, 0x28, "crate"), (0x1038, 0x20, "gull")),
        "block 0 at 0x00001010, a crate, takes 0x40 bytes with header 0x10 and alignment 16, but "
        "the next one lies 0x38 bytes behind",
    ),
    (
        heap((0x1000, 0x30, "crate"), (0x1048, 0x30, "crate")),
        "between blocks 0 and 1 lie 0x8 bytes, too few for any block: is size in [heap] or "
        "alignment 16 too small?",
    ),
    (
        heap((0x1040, 0x30, "crate"), (0x1000, 0x20, "gull")),
        "block 1 at 0x00001010, a gull, comes behind block 0 and lies before it, but planning "
        'needs blocks by address: order = "address" in [heap] sorts them',
    ),
    (
        heap((0x1000, 0x30, "crate"), (0x1040, 0, "free")),
        "block 1 at 0x00001050, free, has 0x10 bytes with its header, but least_rest is 0x20 and "
        "no kind takes as few",
    ),
    (
        heap((0x0FE0, 0x20, "gull")),
        "block 0 at 0x00000FF0, a gull, lies outside the arena, which is from 0x00000FF0 to "
        "0x00001100",
    ),
    (
        heap((0x10F0, 0x20, "gull")),
        "block 0 at 0x00001100, a gull, lies outside the arena, which is from 0x00000FF0 to "
        "0x00001100",
    ),
]


@pytest.mark.parametrize(("wrong", "words"), WRONG)
def test_a_heap_that_the_rules_could_not_have_left(wrong: Heap, words: str) -> None:
    with pytest.raises(PlanningError) as caught:
        arena_of_heap(wrong, GAME, (0xFF0, 0x1100))
    assert str(caught.value) == words + LEARN


def test_a_payload_that_does_not_begin_behind_the_header() -> None:
    game = replace(GAME, policy=replace(POLICY, header=0x18))
    assert next(contradictions(SOUND, game)) == (
        "block 0 at 0x00001010, a crate, begins 0x10 bytes behind its header, but header is 0x18"
    )


def test_what_the_rules_allow() -> None:
    touching = WRONG[0][0]
    for merge in (Merge.NEXT, Merge.PREVIOUS, Merge.WHEN_FULL, Merge.NEVER):
        game = replace(GAME, policy=replace(POLICY, merge=merge))
        assert len(arena_of_heap(touching, game).cells) == 3
    # 0x10 more than a crate takes: the rest of a hole that was too little
    assert arena_of_heap(heap((0x1000, 0x40, "crate")), GAME).high == 0x1050
    # a kind without a size, and one that the schema has no name for, are as large as they are
    assert [c.kind for c in arena_of_heap(heap((0x1000, 8, "buoy"), (0x1020, 99, "7")), GAME).cells]


def test_damaged_heaps_and_empty_ones_are_refused() -> None:
    for more, words in (
        ({"damaged": "it breaks off"}, "the heap is damaged: it breaks off; planning needs all"),
        ({"damaged": "line 3", "awaited": True}, "the heap is not all there: line 3; planning"),
    ):
        with pytest.raises(PlanningError, match=rf"^{words}"):
            arena_of_heap(replace(SOUND, **more), GAME)
    with pytest.raises(PlanningError, match=r"^the heap has no block: heap_head is null; planning"):
        arena_of_heap(Heap((), empty="heap_head is null"), GAME)


def test_a_heap_of_too_many_blocks_is_refused() -> None:
    many = heap(*((0x10000 + 0x30 * n, 0x20, "gull") for n in range(MAX_CELLS + 1)))
    with pytest.raises(PlanningError, match=r"^the heap has 4097 blocks, the most that planning "):
        arena_of_heap(many, GAME)


def test_the_rover() -> None:
    game = replace(GAME, policy=replace(POLICY, fit=Fit.NEXT))
    for address, stands in ((0, 0x1000), (0x1040, 0x1040), (0x1068, 0x1040), (0x10C0, 0x10C0)):
        assert arena_of_heap(SOUND, game, rover=address).rover == stands
    with pytest.raises(PlanningError, match=r"^fit is next, and where it goes on is not known"):
        arena_of_heap(SOUND, game)
    with pytest.raises(PlanningError, match=r"^the rover is 0x000010C8, outside the arena from"):
        arena_of_heap(SOUND, game, rover=0x10C8)


def test_of_recent_holes_the_order_must_be_known() -> None:
    game = replace(GAME, policy=replace(POLICY, order=HoleOrder.RECENT))
    assert len(arena_of_heap(SOUND, game).cells) == 3
    two = heap((0x1000, 0x20, "free"), (0x1030, 0x20, "gull"), (0x1060, 0x20, "free"))
    with pytest.raises(PlanningError, match=r"^order is recent, and which of the 2 free blocks is"):
        arena_of_heap(two, game)
    arena = arena_of_heap(two, game, newest_holes=[0x1010, 0x1070])
    assert [cell.age for cell in arena.cells if not cell.used] == [1, 0]


BREAK = Action("break_crate", 1, effects=(Free(("crate",), Which.OLDEST),))
BOTH = Action("both", 1, effects=(Alloc("gull"), Hold(("gull", "crate"), Which.NEWEST)))
EVERY = Action("every", 1, effects=(Free(("gull", "buoy"), Which.ALL, order=Which.NEWEST),))
THREE = heap((0x1000, 0x30, "crate"), (0x1040, 0x30, "crate"), (0x1080, 0x20, "gull"))


def aged(ages: dict[int, Age], **more: object) -> Heap:
    return replace(THREE, ages=ages, **more)  # type: ignore[arg-type]


def test_ages_count_from_the_oldest() -> None:
    known = aged({0x1010: Age(3), 0x1050: Age(9), 0x1090: Age(0)})
    assert ages_of(known, POLICY, [BREAK, BOTH]) == {0x1010: 1, 0x1050: 0, 0x1090: 2}
    assert ages_of(known, POLICY, [BREAK]) == {0x1010: 1, 0x1050: 0}
    assert unknown_ages(known, POLICY, [BREAK, BOTH, EVERY]) == {}
    cells = arena_of_heap(known, GAME, None, [BREAK]).cells
    assert [cell.age for cell in cells] == [1, 0, None]


@pytest.mark.parametrize(
    ("unknown", "why"),
    [
        (aged({}), "[heap] tells no age; add age or newest_first to it"),
        (aged({}, ageless="the list is broken"), "the list is broken"),
        (aged({0x1010: Age(3)}), "the crate at 0x00001050 has no age"),
        (
            aged({0x1010: Age(3), 0x1050: Age(3)}),
            "those at 0x00001010 and 0x00001050 have the same age",
        ),
        (
            aged({0x1010: Age(3), 0x1050: Age(2, 1)}),
            "those at 0x00001010 and 0x00001050 are in different lists of newest_first",
        ),
    ],
)
def test_ages_that_are_not_known_are_the_same(unknown: Heap, why: str) -> None:
    assert ages_of(unknown, POLICY, [BREAK])[0x1010] == ages_of(unknown, POLICY, [BREAK])[0x1050]
    assert unknown_ages(unknown, POLICY, [BREAK]) == {
        "break_crate": f"which crate is the oldest is not known: {why}"
    }
    # the gull is alone, and in what order all are released does not matter where both are joined
    assert unknown_ages(unknown, POLICY, [EVERY]) == {}


def test_the_order_of_all_matters_where_one_neighbour_alone_is_joined() -> None:
    crates = Action("crates", 1, effects=(Free(("crate",), Which.ALL, order=Which.OLDEST),))
    assert unknown_ages(THREE, POLICY, [crates]) == {}
    found = unknown_ages(THREE, replace(POLICY, merge=Merge.NEXT), [crates])
    assert found["crates"].startswith("which crate is the oldest is not known: [heap] tells no age")
