"""Layouts with wildcards: matching against Python's ``re``, alignment against a plain table."""

from __future__ import annotations

import re
import time
from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.heap.laid import Laid
from bridge.heap.shape import Layout, Sort, compare, first_difference, layout_of
from bridge.heap.shape_words import first_words, taken, taken_words
from bridge.heap.wildcards import Wildcards
from bridge.planning.arena import HOLE, WALL, Arena, Cell
from bridge.planning.laid_out import LayoutPattern
from bridge.planning.policy import Policy
from schemas.layout_file import MAX_BLOCKS, Wildcard
from tests.bridge.test_heap_layout import Row, heap

ANY = Laid("any", None, None, wildcard=Wildcard.ANY)
RUN = Laid("any*", None, None, wildcard=Wildcard.RUN)
REST = Laid("the rest", None, None, wildcard=Wildcard.REST)
OWNERS, SIZES = ("gull", "crate", "free"), (0x1D0, 0x230)
LETTERS = {(owner, size): chr(97 + n) for n, (owner, size) in enumerate(
    (owner, size) for owner in OWNERS for size in SIZES)}  # fmt: skip

ROWS = st.lists(st.tuples(st.sampled_from(OWNERS), st.sampled_from(SIZES)), max_size=9)
SINGLE = st.builds(
    lambda owner, size, wild, sized: Laid(
        "any" if wild else owner,
        size if sized else None,
        None if wild else owner != "free",
        wildcard=Wildcard.ANY if wild else None,
    ),
    st.sampled_from(OWNERS), st.sampled_from(SIZES), st.booleans(), st.booleans(),
)  # fmt: skip
LAYOUTS = st.builds(
    lambda blocks, rest: [*blocks, REST] if rest else blocks,
    st.lists(st.one_of(SINGLE, SINGLE, st.just(RUN)), max_size=7),
    st.booleans(),
).filter(bool)


def expression(layout: Sequence[Laid]) -> str:
    """A layout as a regular expression over a letter a block; each position is a group."""
    parts = []
    for one in layout:
        if one.run:
            parts.append("(.*?)")
            continue
        fitting = "".join(
            letter
            for (owner, size), letter in LETTERS.items()
            if (one.wildcard is not None or one.owner == owner) and one.size in (None, size)
        )
        parts.append(f"([{fitting}])")
    return "".join(parts)


def text(rows: Sequence[Row]) -> str:
    return "".join(LETTERS[row] for row in rows)


# outside reference: Python's re, whose lazy repetition takes as little as will do, from the left
@settings(deadline=None, max_examples=200)
@given(LAYOUTS, ROWS)
def test_what_each_wildcard_takes_is_what_a_regular_expression_takes(
    layout: list[Laid], rows: list[Row]
) -> None:
    match = re.fullmatch(expression(layout), text(rows))
    blocks = heap(*rows).blocks
    seen = [(b.owner, b.size, b.used, b.start) for b in blocks]
    got = Wildcards(layout).taken(seen)
    assert (got is None) == (match is None)
    assert (first_difference(Layout(tuple(layout)), blocks) is None) == (match is not None)
    if match is None or got is None:
        return
    took: dict[int, list[int]] = {n: [] for n in range(len(layout))}
    for position, block in got:
        if block is not None:
            took[position].append(block)
    assert took == {n: list(range(*match.span(n + 1))) for n in range(len(layout))}


@settings(deadline=None, max_examples=100)
@given(LAYOUTS, ROWS)
def test_the_first_difference_is_where_no_block_more_can_begin_a_match(
    layout: list[Laid], rows: list[Row]
) -> None:
    # outside reference: re again; a beginning may go on where the layout's own beginning matches it
    def viable(count: int) -> bool:
        starts = (expression(layout[:n]) for n in range(len(layout) + 1))
        return any(re.fullmatch(start, text(rows[:count])) for start in starts)

    difference = first_difference(Layout(tuple(layout)), heap(*rows).blocks)
    if difference is None:
        return
    assert viable(difference)
    assert difference == len(rows) or not viable(difference + 1)


def cheapest(layout: Sequence[Laid], rows: Sequence[Row]) -> int:
    """The least cost, cell by cell: a run is a row in which further blocks cost nothing."""
    above: list[int] = list(range(len(rows) + 1))
    for one in layout:
        if one.run:
            now = [above[0]]
            for column in range(1, len(above)):
                now.append(min(above[column], now[-1]))
        else:
            now = [above[0] + 1]
            for column, (owner, size) in enumerate(rows, 1):
                owned = one.wildcard is not None or one.owner == owner
                sized = one.size in (None, size)
                pair = 0 if owned and sized else 1 if owned or sized else 2
                now.append(min(above[column - 1] + pair, above[column] + 1, now[-1] + 1))
        above = now
    return above[-1]


@settings(deadline=None, max_examples=150)
@given(LAYOUTS, ROWS)
def test_no_alignment_is_cheaper(layout: list[Laid], rows: list[Row]) -> None:
    found = compare(Layout(tuple(layout)), layout_of(heap(*rows)))
    assert [line.found for line in found.lines if line.found is not None] == list(range(len(rows)))
    places = [line.expected for line in found.lines if line.expected is not None]
    assert sorted(set(places)) == list(range(len(layout)))
    assert places == sorted(places)
    assert all(places.count(n) == 1 for n, one in enumerate(layout) if not one.run)
    cost = sum(line.sort is not Sort.SAME for line in found.lines)
    plain = all(one.wildcard is None and one.size is not None for one in layout)
    assert plain or cost == cheapest(layout, rows)
    assert (found.first is None) == (first_difference(found.expected, heap(*rows).blocks) is None)


CRATE, GULL, FREE = ("crate", 0x1D0), ("gull", 0x1D0), ("free", 0x230)
A_CRATE, A_GULL = Laid("crate", 0x1D0, True), Laid("gull", 0x1D0, True)


@pytest.mark.parametrize(
    ("layout", "rows", "sentence", "took"),
    [
        (
            [A_CRATE, RUN, A_GULL, REST],
            [CRATE, CRATE, FREE, GULL, FREE],
            "matches: 5 blocks",
            ["1 any* took blocks 1 to 2 (crate, free)", "3 the rest took block 4 (free)"],
        ),
        (
            [A_CRATE, Laid("any", 0x1D0, None, wildcard=Wildcard.ANY), Laid("free", None, False)],
            [CRATE, GULL, FREE],
            "matches: 3 blocks",
            [
                "1 any block, 0x1D0 bytes took block 1 (gull, 0x1D0 bytes)",
                "2 free, any size took block 2 (free, 0x230 bytes)",
            ],
        ),
        (
            [A_CRATE, RUN, REST],
            [CRATE],
            "matches: 1 block",
            ["1 any* took none", "2 the rest took none"],
        ),
        (
            [RUN, A_GULL, A_CRATE],
            [CRATE] * 6 + [GULL],
            "after block 6 (gull): expected crate, 0x1D0 bytes; found the end of the heap",
            ["0 any* took blocks 0 to 5 (crate, crate, crate, crate, …)"],
        ),
        (
            [A_CRATE, ANY],
            [CRATE],
            "after block 0 (crate): expected any block, any size; found the end of the heap",
            ["1 any block, any size took none"],
        ),
        (
            [A_CRATE, Laid("any", 0x230, True, wildcard=Wildcard.ANY)],
            [CRATE, FREE],
            "after block 0 (crate): expected any block, 0x230 bytes, in use; "
            "found free, 0x230 bytes",
            ["1 any block, 0x230 bytes, in use took none"],
        ),
        (
            [RUN, Laid("crate", 0x1D0, True, at=0x1E0), REST],
            [CRATE, GULL, CRATE],
            "at the first block: expected crate, 0x1D0 bytes, at +0x1E0; "
            "found it at +0x0 (0x1E0 further back)",
            ["0 any* took none", "2 the rest took blocks 1 to 2 (gull, crate)"],
        ),
    ],
)
def test_it_is_told_what_took_what(
    layout: list[Laid], rows: list[Row], sentence: str, took: list[str]
) -> None:
    found = compare(Layout(tuple(layout)), layout_of(heap(*rows)))
    assert first_words(found) == sentence
    assert [taken_words(found, each) for each in taken(found)] == took


def test_a_place_that_is_given_decides_which_block_a_run_ends_at() -> None:
    layout = Layout((RUN, Laid("crate", 0x1D0, True, at=0x3C0), REST))
    found = compare(layout, layout_of(heap(CRATE, GULL, CRATE)))
    assert first_words(found) == "matches: 3 blocks"
    assert [each.blocks for each in taken(found)] == [(0, 1), ()]
    assert first_words(compare(layout, layout_of(heap(CRATE, GULL, CRATE)), ignore_sizes=True)) == (
        "matches: 3 blocks"
    )


def test_the_largest_heaps_take_bounded_time() -> None:
    # every second position a run, all blocks alike but the last: what backtracking would never end
    layout = [RUN, Laid("crate", None, True)] * (MAX_BLOCKS // 2 - 1) + [RUN, A_GULL]
    blocks = [("crate", 0x1D0, True, n * 0x1E0) for n in range(MAX_BLOCKS)]
    began = time.process_time()
    assert Wildcards(layout).first_difference(blocks) == MAX_BLOCKS
    assert Wildcards(layout).taken(blocks) is None
    assert time.process_time() - began < 4


def cells(*rows: tuple[str, int]) -> Arena:
    made, start = [], 0x8020_0000
    for kind, stride in rows:
        made.append(Cell(start, stride, kind))
        start += stride
    return Arena(tuple(made))


def test_a_plans_goal_is_a_layout_of_payloads_without_walls() -> None:
    policy = Policy(header=0x10, alignment=16)
    arena = cells(("crate", 0x1E0), (WALL, 0x20), (HOLE, 0x240), ("gull", 0x1E0))
    at = Laid("gull", 0x1D0, True, at=0x1E0 + 0x20 + 0x240)
    assert LayoutPattern([A_CRATE, Laid("free", 0x230, False), at]).matches(arena, policy)
    assert LayoutPattern([A_CRATE, RUN, at]).matches(arena, policy)
    assert not LayoutPattern([A_CRATE, at, REST]).matches(arena, policy)
    assert not LayoutPattern([A_CRATE, Laid("free", 0x240, False), at]).matches(arena, policy)
    assert LayoutPattern([A_CRATE, Laid("free", 0x240, False), at], True).matches(arena, policy)
