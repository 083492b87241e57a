"""Which change a mark means, against every way to join marks and changes in their order."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from itertools import combinations

import pytest

from bridge.planning.learning.marked import label_marked
from bridge.planning.learning.observed import Change, Label, Mark, Play

SEEN: tuple[dict[str, int], dict[str, int]] = ({"room": 0}, {"room": 1})


def played(changes: Sequence[int], marks: Sequence[tuple[int, str]]) -> Play:
    play = Play("lap", "first-print", marks=[Mark(*mark) for mark in marks])
    for frame in changes:
        heap = object()
        play.changes.append(Change(frame, frame - 1, heap, heap, (), (None, 7), SEEN))  # type: ignore[arg-type]
    return play


def labels(play: Play) -> list[tuple[int, str]]:
    return [(label.frame, label.action) for label in play.labels]


def marked(
    changes: Sequence[int], *marks: int, within: int = 30, **spread: int
) -> tuple[list[int], list[str]]:
    play = played(changes, [(frame, "gull") for frame in marks])
    words = list(label_marked(play, within, spread))
    return [label.frame for label in play.labels], words


def test_late_and_early_keys_label_the_change_about_them() -> None:
    play = played([100, 200, 300], [(112, "gull"), (195, "crate"), (330, "gull")])
    assert list(label_marked(play, 30, {})) == []
    assert labels(play) == [(100, "gull"), (200, "crate"), (300, "gull")]
    assert (play.labels[0].before, play.labels[0].after) == SEEN
    assert play.labels[0].held == (None, 7)


def test_order_tells_what_the_nearest_does_not() -> None:
    """Two actions ten frames apart, each marked eight frames late: the first mark is nearer to the
    second change."""
    assert marked([100, 110], 108, 118) == ([100, 110], [])


def test_what_is_not_sure_is_told() -> None:
    where = "lap, frame 110: the mark gull"
    assert marked([100, 120], 110) == (
        [],
        [f"{where} is left out: whether it means frame 100 or 120 is not known"],
    )
    assert marked([100, 121], 110) == (
        [100],
        [f"{where} was taken to mean frame 100; no label says what changed in frame 121"],
    )
    assert marked([], 110) == (
        [],
        [f"{where} has no change of the heap without a label within 30 frames"],
    )
    assert marked([79, 141], 110) == ([], marked([], 110)[1])
    assert marked([109], 108, 110) == (
        [],
        [
            "lap, frame 108: the mark gull is left out: whether it means frame 109 is not known",
            f"{where} is left out: whether it means frame 109 is not known",
        ],
    )
    assert marked([109], 109, 110) == (
        [109],
        [f"{where} is left out: each change about it is another mark's"],
    )
    # the same key twice in a frame is one
    assert marked([109], 110, 110) == ([109], [])


def test_what_follows_within_the_spread_is_the_same_change() -> None:
    assert marked([100, 101, 102], 110) == ([100], [])
    assert marked([100, 104, 109], 112)[0] == [109]
    assert marked([100, 104, 109], 112, gull=9) == ([100], [])


def test_a_change_with_a_label_is_no_mark_s() -> None:
    play = played([100, 120], [(118, "gull")])
    play.labels.append(Label(120, "door"))
    assert list(label_marked(play, 30, {})) == []
    assert labels(play) == [(120, "door"), (100, "gull")]


def ways(marks: Sequence[int], changes: Sequence[int]) -> Iterator[list[tuple[int, int]]]:
    """Every way to join some marks and as many changes in their order."""
    for count in range(min(len(marks), len(changes)) + 1):
        for some in combinations(range(len(marks)), count):
            for others in combinations(range(len(changes)), count):
                yield list(zip(some, others, strict=True))


@pytest.mark.parametrize("seed", range(150))
def test_against_every_way(seed: int) -> None:
    """The labels are what all of the best ways have in common; counted here by trying all."""
    chance = random.Random(seed)
    within = chance.choice([3, 6, 12])
    changes = sorted(chance.sample(range(0, 60, 2), chance.randrange(7)))
    marks = sorted(chance.sample(range(60), chance.randrange(6)))
    best: dict[tuple[int, int], list[list[tuple[int, int]]]] = {}
    for way in ways(marks, changes):
        apart = [abs(marks[mark] - changes[change]) for mark, change in way]
        if all(each <= within for each in apart):
            best.setdefault((len(way), -sum(apart)), []).append(way)
    joined = [dict(way) for way in best[max(best)]]
    sure = []
    for number in range(len(marks)):
        found = {way.get(number) for way in joined}
        change = found.pop()
        if not found and change is not None:
            sure.append(changes[change])
    assert marked(changes, *marks, within=within)[0] == sure
