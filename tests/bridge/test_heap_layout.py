"""Two heaps' shapes compared: what counts as a difference, and its words to the letter."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.heap.blocks import Block, Heap
from bridge.heap.shape import Laid, Layout, Sort, compare, first_difference, layout_of, match_value
from bridge.heap.shape_words import first_words

BASE, HEADER = 0x8020_0010, 0x10
Row = tuple[str, int]
GULL, CRATE, MIST, FREE = ("gull", 0x1D0), ("crate", 0x1D0), ("mist_puff", 0x230), ("free", 0x230)
LANTERN = ("lantern", 0x1C0)


def heap(*rows: Row, base: int = BASE, gaps: dict[int, int] | None = None) -> Heap:
    """A heap of blocks one behind the other; *gaps* are bytes left out before a block."""
    blocks, start = [], base
    for index, (owner, size) in enumerate(rows):
        start += (gaps or {}).get(index, 0)
        blocks.append(Block(start, size, owner != "free", index, owner, start - HEADER))
        start += size + HEADER
    return Heap(blocks)


def words(expected: Heap, found: Heap, *, ignore_sizes: bool = False) -> str:
    return first_words(compare(layout_of(expected), layout_of(found), ignore_sizes=ignore_sizes))


@pytest.mark.parametrize(
    ("expected", "found", "sentence"),
    [
        ([GULL, MIST], [GULL, MIST], "matches: 2 blocks"),
        ([GULL], [GULL], "matches: 1 block"),
        (
            [GULL, MIST, CRATE],
            [GULL, FREE, CRATE],
            "after block 0 (gull): expected mist puff, 0x230 bytes; found free, 0x230 bytes",
        ),
        (
            [MIST],
            [FREE],
            "at the first block: expected mist puff, 0x230 bytes; found free, 0x230 bytes",
        ),
        (
            [MIST, GULL, LANTERN],
            [MIST, ("gull", 0x1E0), LANTERN],
            "after block 0 (mist puff): expected gull, 0x1D0 bytes; "
            "found gull, 0x1E0 bytes (0x10 more)",
        ),
        (
            [MIST, GULL],
            [MIST, ("gull", 0x1C0)],
            "after block 0 (mist puff): expected gull, 0x1D0 bytes; "
            "found gull, 0x1C0 bytes (0x10 less)",
        ),
        (
            [GULL, MIST],
            [GULL],
            "after block 0 (gull): expected mist puff, 0x230 bytes; found the end of the heap",
        ),
        (
            [GULL],
            [GULL, MIST],
            "after block 0 (gull): expected the end of the heap; found mist puff, 0x230 bytes",
        ),
        ([GULL], [], "at the first block: expected gull, 0x1D0 bytes; found the end of the heap"),
        (
            [GULL, LANTERN, MIST],
            [GULL, MIST],
            "after block 0 (gull): expected lantern, 0x1C0 bytes; "
            "found mist puff, 0x230 bytes (lantern is missing)",
        ),
        (
            [GULL, MIST],
            [GULL, LANTERN, MIST],
            "after block 0 (gull): expected mist puff, 0x230 bytes; "
            "found lantern, 0x1C0 bytes (lantern is extra)",
        ),
        (
            [GULL, LANTERN, MIST],
            [GULL, ("buoy", 0x1B0), MIST],
            "after block 0 (gull): expected lantern, 0x1C0 bytes; found buoy, 0x1B0 bytes",
        ),
        (
            [MIST, GULL, CRATE, LANTERN],
            [MIST, CRATE, GULL, LANTERN],
            "after block 0 (mist puff): expected gull, 0x1D0 bytes, and then crate, 0x1D0 bytes; "
            "found them in the other order",
        ),
        (
            [LANTERN, MIST],
            [MIST, LANTERN],
            "at the first block: expected lantern, 0x1C0 bytes, and then mist puff, 0x230 bytes; "
            "found them in the other order",
        ),
    ],
)
def test_the_first_difference_in_words(
    expected: list[Row], found: list[Row], sentence: str
) -> None:
    assert words(heap(*expected), heap(*found)) == sentence


def test_use_is_told_where_the_owner_does_not_say_it() -> None:
    expected = Layout((Laid("gull", 16, True),))
    found = Layout((Laid("gull", 16, False),))
    assert first_words(compare(expected, found)) == (
        "at the first block: expected gull, 0x10 bytes; found gull, 0x10 bytes, not in use"
    )


def test_a_heap_elsewhere_has_the_same_shape() -> None:
    assert words(heap(GULL, MIST), heap(GULL, MIST, base=0x8030_0000)) == "matches: 2 blocks"
    assert layout_of(heap(GULL, MIST)).blocks[1] == Laid("mist_puff", 0x230, True, 0x1E0)


def test_a_block_that_nothing_before_it_moved_is_a_difference() -> None:
    moved = heap(GULL, MIST, CRATE, gaps={1: 0x20})
    found = compare(layout_of(heap(GULL, MIST, CRATE)), layout_of(moved))
    # only the first one moved of itself; what comes behind it is where it must be
    assert [line.sort for line in found.lines] == [Sort.SAME, Sort.MOVED, Sort.SAME]
    assert first_words(found) == (
        "after block 0 (gull): expected mist puff, 0x230 bytes, at +0x1E0; "
        "found it at +0x200 (0x20 further on)"
    )
    back = compare(layout_of(moved), layout_of(heap(GULL, MIST, CRATE)))
    assert first_words(back).endswith("at +0x200; found it at +0x1E0 (0x20 further back)")


def test_a_block_that_something_before_it_moved_is_the_same() -> None:
    found = compare(
        layout_of(heap(GULL, MIST, CRATE, LANTERN)),
        layout_of(heap(GULL, ("mist_puff", 0x240), CRATE, LANTERN)),
    )
    assert [line.sort for line in found.lines] == [Sort.SAME, Sort.DIFFERS, Sort.SAME, Sort.SAME]


def test_a_place_that_is_left_out_does_not_matter() -> None:
    expected = Layout((Laid("gull", 0x1D0, True), Laid("mist_puff", 0x230, True)))
    moved = heap(GULL, MIST, gaps={1: 0x20})
    assert compare(expected, layout_of(moved)).first is None
    assert first_difference(expected, moved.blocks) is None


def test_sizes_may_be_ignored() -> None:
    longer = [(owner, size + 8 * (owner != "free")) for owner, size in (GULL, MIST, FREE)]
    assert words(heap(GULL, MIST, FREE), heap(*longer), ignore_sizes=True) == "matches: 3 blocks"
    sentence = words(heap(GULL, MIST), heap(("gull", 8), ("free", 9)), ignore_sizes=True)
    assert sentence == "after block 0 (gull): expected mist puff; found free"
    layout = Layout(layout_of(heap(GULL, MIST, FREE)).blocks, ignore_sizes=True)
    assert first_difference(layout, heap(*longer).blocks) is None
    assert first_difference(layout, heap(("gull", 8), ("free", 9)).blocks) == 1


ROWS = st.lists(
    st.tuples(st.sampled_from(["gull", "crate", "free"]), st.sampled_from([16, 32])), max_size=6
)
GAPS = st.dictionaries(st.integers(0, 5), st.sampled_from([8, 16]), max_size=2)


@settings(deadline=None, max_examples=300)
@given(ROWS, ROWS, GAPS, st.booleans())
def test_the_quick_way_finds_what_the_whole_comparison_finds(
    expected: list[Row], found: list[Row], gaps: dict[int, int], ignore_sizes: bool
) -> None:
    present = heap(*found, gaps=gaps)
    layout = Layout(layout_of(heap(*expected)).blocks, ignore_sizes)
    whole = compare(layout, layout_of(present))
    assert first_difference(layout, present.blocks) == whole.first
    if whole.first is not None:
        lines = whole.lines[: whole.first]
        assert [(line.expected, line.found) for line in lines] == [
            (number, number) for number in range(whole.first)
        ]
        assert "expected" in first_words(whole)


def test_no_difference_gives_the_value_of_a_match() -> None:
    values = [match_value(difference) for difference in (None, *range(2000))]
    assert values[:4] == [1, 0, -1, 2]
    assert values[16] == 15
    assert len(set(values)) == len(values)
