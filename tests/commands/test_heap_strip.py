"""The strip of blocks: every column told, in proportion, at any width."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.commands.console.heap_strip import MAX_ROWS, strip
from bridge.heap.blocks import Block


def made(sizes: Sequence[tuple[int, str]]) -> list[Block]:
    blocks, start = [], 0x8000_0010
    for index, (size, owner) in enumerate(sizes):
        blocks.append(Block(start, size, owner != "free", index, owner, start - 0x10))
        start += size + 0x10
    return blocks


def text(blocks: Sequence[Block], width: int) -> list[str]:
    return ["".join(piece.text for piece in row) for row in strip(blocks, width).rows]


def test_blocks_are_as_wide_as_their_share() -> None:
    blocks = made([(0x40, "gull"), (0x80, "free"), (0x20, "lantern"), (0x20, "free")])
    assert text(blocks, 32) == ["|gull###|...............|lan|..."]
    assert strip(blocks, 32).bytes_per_column == 8


def test_use_is_told_apart_by_the_characters_alone() -> None:
    (row,) = strip(made([(0x40, "free"), (0x40, "gull")]), 16).rows
    assert [(piece.text, piece.used) for piece in row] == [("|.......", False), ("|gull###", True)]


def test_a_narrow_strip_has_more_rows() -> None:
    blocks = made([(0x40, "gull"), (0x80, "free"), (0x20, "lantern"), (0x20, "free")])
    assert text(blocks, 8) == ["|gull#|.", "........", "..|la|.."]
    assert strip(blocks, 8).bytes_per_column == pytest.approx(0x100 / 24)


def test_several_blocks_in_one_column_are_a_plus() -> None:
    blocks = made([(0x10, "gull")] * 400)
    rows = text(blocks, 10)
    assert len(rows) == MAX_ROWS
    assert set("".join(rows)) == {"+"}


def test_no_block_no_strip() -> None:
    assert strip([], 80).rows == ()


@settings(max_examples=200, deadline=None)
@given(
    sizes=st.lists(
        st.tuples(st.integers(0, 5000), st.sampled_from(["free", "gull", "mist_puff"])),
        min_size=1,
        max_size=80,
    ),
    width=st.integers(1, 120),
)
def test_every_block_begins_somewhere(sizes: list[tuple[int, str]], width: int) -> None:
    blocks = made(sizes)
    rows = text(blocks, width)
    assert 1 <= len(rows) <= MAX_ROWS
    assert all(len(row) == width for row in rows)
    whole = "".join(rows)
    # a column that is not a block's inside begins one block, or several
    begun = whole.count("|") + whole.count("+")
    assert 1 <= begun <= len(blocks)
    if "+" not in whole:
        assert whole.count("|") == len(blocks)
    assert whole[0] in "|+"
