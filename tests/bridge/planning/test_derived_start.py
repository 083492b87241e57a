"""Another build's heap worked out from one's, and what cannot be worked out."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.planning.arena import HOLE, WALL, Arena, Cell
from bridge.planning.derived_start import NotDerivable, derive
from bridge.planning.model import GameModel, Start
from bridge.planning.policy import End, Policy
from tests.bridge.planning.made_plan import BOUNDS, EXPORT, FIRST_PRINT, POLICY, start

LOW = 0x8020_0000
# strides of first-print and export, by their schema's sizes: a header of 0x10 and 16 to align
LANTERN, BUOY, MIST = (0x1D0, 0x1D0), (0x1C0, 0x1D0), (0x240, 0x250)


def laid(game: GameModel, *cells: tuple[int, str]) -> Start:
    """Cells of these strides and kinds from the arena's low end; the rest is a hole."""
    low, high = BOUNDS[game.build]
    made: list[Cell] = []
    for stride, kind in cells:
        made.append(Cell(made[-1].end if made else low, stride, kind))
    return Start(game, Arena((*made, Cell(made[-1].end, high - made[-1].end, HOLE))))


def strides(arena: Arena) -> list[tuple[int, str]]:
    return [(cell.stride, cell.kind) for cell in arena.cells]


def test_blocks_have_the_other_builds_sizes_and_the_last_hole_what_is_left() -> None:
    found = derive(start(FIRST_PRINT, "buoy", "lantern", "buoy"), EXPORT, BOUNDS["export"])
    assert found.start == start(EXPORT, "buoy", "lantern", "buoy")
    assert found.assumed == ()
    cells = found.of.arena.cells
    assert [found.carried(cell.start + 0x10) for cell in cells] == [
        cell.start + 0x10 for cell in found.start.arena.cells
    ]
    # 0x20 bytes into the second buoy's payload, which begins 0x10 later there
    assert found.carried(cells[2].start + 0x30) == 0x8024_0000 + BUOY[1] + LANTERN[1] + 0x30


def test_a_hole_that_was_one_sum_of_blocks_alone_has_their_sizes_there() -> None:
    # 0x380 is two buoys and nothing else: all other strides are more than 0x1C0
    first = laid(FIRST_PRINT, (2 * BUOY[0], HOLE), (LANTERN[0], "lantern"))
    found = derive(first, EXPORT, BOUNDS["export"])
    assert strides(found.start.arena)[:2] == [(2 * BUOY[1], HOLE), (LANTERN[1], "lantern")]
    # it may as well be what was left of a longer one, so that is told
    assert found.assumed == (
        "the free block at 0x80200010 is taken for whole blocks that were released, so that it has "
        "0x3A0 bytes with its header on export: a dump of that tells for sure",
    )
    # where the second of the two was
    assert found.carried(LOW + BUOY[0] + 0x10) == 0x8024_0000 + BUOY[1] + 0x10


def test_what_was_in_the_last_hole_is_carried_where_it_was_one_sum_of_blocks_alone() -> None:
    found = derive(start(FIRST_PRINT, "lantern"), EXPORT, BOUNDS["export"])
    hole = found.of.arena.cells[1].start + 0x10
    there = found.start.arena.cells[1].start + 0x10
    assert found.carried(hole) == there
    assert found.carried(hole + BUOY[0]) == there + BUOY[1]
    with pytest.raises(NotDerivable) as fault:
        found.carried(hole + 0x44)
    assert str(fault.value) == (
        "0x80200224 lies 0x44 bytes into a free block, and what was there on export cannot be told"
    )
    with pytest.raises(NotDerivable, match="0x80210000 is outside the heap of first-print"):
        found.carried(0x8021_0000)


def test_a_hole_that_may_have_been_blocks_of_several_sizes_is_told() -> None:
    # outside reference: all sums of up to nine strides, counted here one by one
    pairs = [LANTERN, (0x1E0, 0x1E0), BUOY, MIST]
    sums = {(0, 0)}
    for _ in range(9):
        sums |= {(a + x, b + y) for a, b in sums for x, y in pairs if a + x < 0x1000}
    others: dict[int, set[int]] = {}
    for own, there in sums:
        others.setdefault(own, set()).add(there)
    told = 0
    for length in range(0x100, 0x1000, 0x10):
        first = laid(FIRST_PRINT, (length, HOLE), (LANTERN[0], "lantern"))
        possible = others.get(length, set())
        if len(possible) == 1:
            (found,) = possible
            derived = derive(first, EXPORT, BOUNDS["export"]).start.arena
            assert derived.cells[0].stride == found
            continue
        with pytest.raises(NotDerivable) as fault:
            derive(first, EXPORT, BOUNDS["export"])
        what = (
            "may have been blocks of several sizes"
            if possible
            else "is no sum of the sizes of blocks"
        )
        assert str(fault.value) == (
            f"the free block at 0x80200010 of 0x{length:X} bytes {what}, so its size on export "
            "cannot be told"
        )
        told += bool(possible)
    assert told


def test_where_all_sizes_are_alike_every_hole_and_address_is_carried() -> None:
    other = GameModel("second-print", POLICY, FIRST_PRINT.sizes)
    first = laid(FIRST_PRINT, (0x20, HOLE), (LANTERN[0], "lantern"))
    found = derive(first, other, (0x8021_8000, 0x8022_8000))
    assert strides(found.start.arena) == strides(first.arena)
    assert found.assumed == ()
    assert found.carried(LOW + 0x1234) == 0x8021_8000 + 0x1234


def test_a_block_that_got_a_whole_hole_gets_it_there_where_as_little_is_left() -> None:
    # a buoy where a lantern was: 0x10 bytes are too few for a hole
    first = laid(FIRST_PRINT, (LANTERN[0], "buoy"), (LANTERN[0], "lantern"))
    found = derive(first, EXPORT, BOUNDS["export"])
    assert strides(found.start.arena)[:2] == [(BUOY[1], "buoy"), (LANTERN[1], "lantern")]
    # 0x1E0 was a crate's or a gull's: there as well 0x20 more than the buoy, which is a hole
    wide = replace(POLICY, least_rest=0x30)
    first = laid(replace(FIRST_PRINT, policy=wide), (0x1E0, "buoy"))
    with pytest.raises(NotDerivable) as fault:
        derive(first, replace(EXPORT, policy=replace(POLICY, least_rest=0x10)), BOUNDS["export"])
    assert str(fault.value) == (
        "the buoy at 0x80200010 has 0x1E0 bytes where its kind takes 0x1C0; on export it would "
        "not have got as many"
    )


def test_what_is_held_and_the_rover_are_carried() -> None:
    first = start(FIRST_PRINT, "buoy", "lantern")
    lantern, hole = first.arena.cells[1].start, first.arena.cells[2].start
    first = replace(first, arena=replace(first.arena, held=lantern, rover=hole))
    found = derive(first, EXPORT, BOUNDS["export"]).start.arena
    assert (found.held, found.rover) == (found.cells[1].start, found.cells[2].start)
    first = replace(first, arena=replace(first.arena, rover=hole + 0x10))
    with pytest.raises(NotDerivable, match=r"the rover stands at 0x[0-9A-F]{8}, inside a block"):
        derive(first, EXPORT, BOUNDS["export"])


def test_blocks_carved_from_the_high_end_leave_the_first_hole_over() -> None:
    policy = replace(POLICY, tried_from=End.HIGH, carved_from=End.HIGH)
    mine, other = replace(FIRST_PRINT, policy=policy), replace(EXPORT, policy=policy)
    high = LOW + 0x1_0000
    buoy = Cell(high - BUOY[0], BUOY[0], "buoy")
    first = Start(mine, Arena((Cell(LOW, buoy.start - LOW, HOLE), buoy)))
    found = derive(first, other, BOUNDS["export"])
    assert strides(found.start.arena) == [(0x1_0000 - BUOY[1], HOLE), (BUOY[1], "buoy")]
    # a lantern right before the buoy, counted from the hole's end
    assert found.carried(buoy.start - LANTERN[0] + 0x10) == (
        0x8025_0000 - BUOY[1] - LANTERN[1] + 0x10
    )


def test_kinds_without_a_size_and_an_arena_that_is_too_small_are_told() -> None:
    first = laid(FIRST_PRINT, (LANTERN[0], "lamp"), (0x40, WALL))
    with pytest.raises(NotDerivable) as fault:
        derive(first, EXPORT, BOUNDS["export"])
    assert str(fault.value) == (
        "the block at 0x80200010 is a lamp, whose size on first-print is not known"
    )
    first = laid(FIRST_PRINT, (LANTERN[0], "lantern"), (0x40, WALL))
    with pytest.raises(NotDerivable) as fault:
        derive(first, EXPORT, (0x8024_0000, 0x8024_0210))
    assert str(fault.value) == (
        "the blocks of first-print take 0x210 bytes on export, whose arena has 0x210"
    )


def test_a_block_smaller_there_does_not_hold_every_address() -> None:
    small = GameModel("small", Policy(header=0x10, alignment=16), {"lantern": 0x40})
    first = laid(FIRST_PRINT, (LANTERN[0], "lantern"))
    found = derive(first, small, (0x100, 0x1000))
    assert found.carried(LOW + 0x50) == 0x150
    with pytest.raises(NotDerivable) as fault:
        found.carried(LOW + 0x80)
    assert str(fault.value) == (
        "0x80200080 is 0x70 bytes into a lantern, which is smaller on small"
    )
