"""Sequence alignment: minimal by the stated cost, against a plain table and outside programs."""

from __future__ import annotations

import difflib
import random
import subprocess
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.heap.alignment import Pair, Shape, align, common_start, cost
from schemas.layout_file import MAX_BLOCKS

SHAPES = st.builds(
    Shape,
    st.sampled_from(["gull", "crate", "mist_puff", "free"]),
    st.sampled_from([0x1D0, 0x1C0, 0x230]),
    st.booleans(),
)
LISTS = st.lists(SHAPES, max_size=12)


def cheapest(expected: Sequence[Shape], found: Sequence[Shape]) -> int:
    """The least cost by the textbook's table, cell by cell."""
    above = list(range(len(found) + 1))
    for row, one in enumerate(expected, 1):
        now = [row]
        for column, other in enumerate(found, 1):
            pair = 0 if one == other else 1 if one.akin(other) else 2
            now.append(min(above[column - 1] + pair, above[column] + 1, now[-1] + 1))
        above = now
    return above[-1]


def assert_valid(expected: Sequence[Shape], found: Sequence[Shape], pairs: Sequence[Pair]) -> None:
    """Every block once and in order, and none paired with one that it is not akin to."""
    assert [e for e, _ in pairs if e is not None] == list(range(len(expected)))
    assert [f for _, f in pairs if f is not None] == list(range(len(found)))
    for e, f in pairs:
        assert e is None or f is None or expected[e].akin(found[f])


@settings(deadline=None, max_examples=400)
@given(LISTS, LISTS)
def test_no_alignment_is_cheaper(expected: list[Shape], found: list[Shape]) -> None:
    pairs = align(expected, found)
    assert_valid(expected, found, pairs)
    assert cost(expected, found, pairs) == cheapest(expected, found)
    assert align(expected, found) == pairs


@pytest.mark.parametrize("seed", range(12))
def test_no_alignment_of_longer_lists_is_cheaper(seed: int) -> None:
    # more than a machine word of rows, so that carries run through several digits
    chance = random.Random(seed)
    owners = ["gull", "crate", "buoy", "lantern", "free"][: 2 + seed % 4]

    def some() -> Shape:
        return Shape(chance.choice(owners), chance.randrange(1 + seed), chance.random() < 0.7)

    expected = [some() for _ in range(chance.randrange(60, 160))]
    found = [some() if chance.random() < seed / 12 else shape for shape in expected]
    for _ in range(chance.randrange(10)):
        del found[chance.randrange(len(found))]
        found.insert(chance.randrange(len(found)), some())
    pairs = align(expected, found)
    assert_valid(expected, found, pairs)
    assert cost(expected, found, pairs) == cheapest(expected, found)


@given(LISTS, LISTS)
def test_the_first_difference_is_where_the_common_start_ends(
    expected: list[Shape], found: list[Shape]
) -> None:
    start = common_start(expected, found)
    pairs = align(expected, found)
    assert pairs[:start] == [(number, number) for number in range(start)]
    for e, f in pairs[start : start + 1]:
        assert e is None or f is None or expected[e] != found[f]


# shapes of which no two are akin, so that a pair is equal and the cost counts single lines
ALONE = [Shape(f"kind_{number}", number, True) for number in range(6)]
UNLIKE = st.lists(st.sampled_from(ALONE), max_size=40)


@settings(deadline=None)
@given(UNLIKE, UNLIKE)
def test_it_pairs_at_least_as_many_as_the_standard_library(
    expected: list[Shape], found: list[Shape]
) -> None:
    # outside reference: difflib gives a valid matching, not always the largest
    matcher = difflib.SequenceMatcher(None, expected, found, autojunk=False)
    theirs = sum(block.size for block in matcher.get_matching_blocks())
    assert sum(None not in pair for pair in align(expected, found)) >= theirs


@pytest.mark.needs("diffutils", "diff")
@pytest.mark.parametrize("seed", range(8))
def test_it_needs_as_few_lines_as_diff(tmp_path: Path, seed: int) -> None:
    # outside reference: GNU diff --minimal, whose script has the fewest lines taken out or put in
    chance = random.Random(seed)
    expected = [chance.choice(ALONE) for _ in range(chance.randrange(300))]
    found = [shape for shape in expected if chance.random() > 0.2]
    for _ in range(30):
        found.insert(chance.randrange(len(found) + 1), chance.choice(ALONE))
    for name, side in (("expected", expected), ("found", found)):
        (tmp_path / name).write_text("".join(f"{shape.owner}\n" for shape in side), "utf-8")
    done = subprocess.run(
        ["diff", "--minimal", tmp_path / "expected", tmp_path / "found"],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 1
    lines = sum(line[:1] in ("<", ">") for line in done.stdout.splitlines())
    assert cost(expected, found, align(expected, found)) == lines


GULL, CRATE = Shape("gull", 0x1D0, True), Shape("crate", 0x1D0, True)
MIST, FREE = Shape("mist_puff", 0x230, True), Shape("free", 0x230, False)
LANTERN = Shape("lantern", 0x1C0, True)


@pytest.mark.parametrize(
    ("expected", "found", "pairs"),
    [
        ([], [], []),
        ([], [GULL], [(None, 0)]),
        ([GULL], [], [(0, None)]),
        ([GULL, MIST, GULL], [GULL, FREE, GULL], [(0, 0), (1, 1), (2, 2)]),
        ([GULL, MIST], [GULL, LANTERN], [(0, 0), (1, None), (None, 1)]),
        ([GULL, LANTERN, MIST], [GULL, MIST], [(0, 0), (1, None), (2, 1)]),
        ([GULL, MIST], [GULL, LANTERN, MIST], [(0, 0), (None, 1), (1, 2)]),
        ([GULL, GULL, GULL], [GULL, GULL], [(0, 0), (1, 1), (2, None)]),
        # as dear as two changes, but the earliest pair is taken
        ([GULL, CRATE], [CRATE, GULL], [(0, 0), (1, 1)]),
        ([LANTERN, MIST], [MIST, LANTERN], [(0, None), (1, 0), (None, 1)]),
    ],
)
def test_which_belongs_to_which(
    expected: list[Shape], found: list[Shape], pairs: list[Pair]
) -> None:
    assert align(expected, found) == pairs


def test_more_blocks_than_a_layout_has_are_refused() -> None:
    many = [GULL] * (MAX_BLOCKS + 1)
    with pytest.raises(ValueError) as fault:
        align([GULL], many)
    assert str(fault.value) == "16385 blocks, expected at most 16384"
    assert len(align(many[:-1], [*many[:-2], MIST])) == MAX_BLOCKS + 1
