"""Practice of which frames are missed: no verdict is wrong and unmarked.

The judge is a script that is known before it is played; see ``tests.bridge.judge``.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.bridge.judge import as_truth, judge
from tests.bridge.made_story import NAMES, TALLY, Frame, Story, Watched, practice

COUNTER, STATE = "change(laps) > 0", "room == 1"
ATTEMPTS = 200
FRAMES = 300


def _third(story: Story, chance: random.Random) -> set[int]:
    return {number for number in range(4, story.number) if number % 3 == 0}


def _random(story: Story, chance: random.Random) -> set[int]:
    return {number for number in range(4, story.number) if chance.random() < 1 / 3}


def _half(story: Story, chance: random.Random) -> set[int]:
    return {number for number in range(4, story.number) if number % 2}


def _bursts(story: Story, chance: random.Random) -> set[int]:
    missed: set[int] = set()
    number = 4
    while number < story.number:
        number += chance.randrange(1, 40)
        length = chance.randrange(1, 20)
        missed |= set(range(number, number + length))
        number += length
    return missed


def _stalls(story: Story, chance: random.Random) -> set[int]:
    missed: set[int] = set()
    for number in range(100, story.number, 150):
        missed |= set(range(number, number + 50))
    return missed


def _single(story: Story, chance: random.Random) -> set[int]:
    return set(range(chance.randrange(4, 40), story.number, 41))


PATTERNS = [_third, _random, _half, _bursts, _stalls, _single]


@pytest.mark.parametrize("start", [COUNTER, STATE])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_where_all_frames_are_seen_all_is_told(tmp_path: Path, start: str, seed: int) -> None:
    story = Story(seed, ATTEMPTS)
    told = Watched(tmp_path, practice(start)).told(story.frames, ())
    found = judge(told, story.attempts, story.number)
    assert found.wrong == ()
    assert (found.whole, found.marked) == (len(story.attempts), 0)
    assert all(attempt.unseen_before == 0 for attempt in told)


@pytest.mark.parametrize("start", [COUNTER, STATE])
@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("seeds", [1, pytest.param(4, marks=pytest.mark.full)])
def test_no_verdict_is_wrong_and_unmarked(
    tmp_path: Path, start: str, pattern: Callable[[Story, random.Random], set[int]], seeds: int
) -> None:
    watched = Watched(tmp_path, practice(start))
    for seed in range(seeds):
        story, chance = Story(seed, ATTEMPTS), random.Random(seed)
        missed = pattern(story, chance) - story.last_frames
        found = judge(watched.told(story.frames, missed), story.attempts, story.number)
        assert found.wrong == ()
        assert found.whole + found.marked > ATTEMPTS / 10
        if pattern in (_stalls, _single):
            # marking everything would be no art
            assert found.whole > ATTEMPTS / 3


def test_a_counter_leaves_no_attempt_out(tmp_path: Path) -> None:
    """``laps`` tells how many began in a gap, so their number is right however many were missed."""
    watched = Watched(tmp_path, practice(COUNTER))
    for pattern in PATTERNS:
        story = Story(7, ATTEMPTS)
        missed = pattern(story, random.Random(7)) - story.last_frames
        assert len(watched.told(story.frames, missed)) == len(story.attempts)


@pytest.mark.parametrize("pattern", PATTERNS)
def test_moments_in_gaps_are_counted_apart(
    tmp_path: Path, pattern: Callable[[Story, random.Random], set[int]]
) -> None:
    watched = Watched(tmp_path, practice(COUNTER))
    story = Story(11, ATTEMPTS)
    watched.told(story.frames, ())
    assert Counter(value for _, _, value in watched.moments) == story.moments
    assert watched.apart == []
    watched.told(story.frames, pattern(story, random.Random(11)))
    whole = Counter(value for _, _, value in watched.moments)
    assert whole <= story.moments
    assert 0 < len(watched.moments) + len(watched.apart) <= story.moments.total()
    assert {text for text, _, _ in watched.moments + watched.apart} == {TALLY}
    if pattern is not _stalls:
        assert watched.apart


CONDITIONS = (
    "corner > 1",
    "change(laps) > 0",
    "laps != previous(laps)",
    "frames_of(corner > 0) >= 3",
    "frames_since(fell > 2) == 2",
    "count(corner > 1) % 4 == 3",
    "change(worth) >= 1 and room > 1",
    "latest(worth, fell > 1) == 2",
    "highest(turned) - turned > 2",
    "average(worth, 3) > 1.5",
    "previous(door) > 2",
    "frames_of(change(worth) > 0) == 2",
    "count(latest(worth, fell > 1) == 2) % 2 == 1",
    "tally(worth, corner > 1) == 1",
    "room > 2",
)


def _any_practice(chance: random.Random) -> str:
    tables = []
    for number in range(chance.randrange(3)):
        table = [f'[[steps]]\nname = "{number}"', f'done = "{chance.choice(CONDITIONS)}"']
        for name in ("begin", "fail"):
            if chance.random() < 0.4:
                table.append(f'{name} = "{chance.choice(CONDITIONS)}"')
        tables += table
    tables.append(f'[attempts]\nbegins = "{chance.choice(CONDITIONS)}"')
    if not tables[0].startswith("[[steps]]") or chance.random() < 0.3:
        tables.append(f'succeeds = "{chance.choice(CONDITIONS)}"')
    if chance.random() < 0.5:
        tables.append(f'given_up = "{chance.choice(CONDITIONS)}"')
    return "\n".join(tables)


def _any_frames(chance: random.Random) -> list[Frame]:
    now = dict.fromkeys(NAMES, 0)
    frames: list[Frame] = []
    for number in range(1, FRAMES):
        for name in NAMES:
            if chance.random() < 0.3:
                now[name] = chance.randrange(4)
        now |= {
            "frame": number,
            "laps": frames[-1]["laps"] + (chance.random() < 0.1) if frames else 0,
        }
        frames.append(dict(now))
    return frames


@pytest.mark.parametrize("seed", range(40))
def test_whatever_the_expressions_are(tmp_path: Path, seed: int) -> None:
    """What is told with all frames seen is the truth that the same is held against with gaps."""
    chance = random.Random(seed)
    watched, frames = Watched(tmp_path, _any_practice(chance)), _any_frames(chance)
    all_told = watched.told(frames, ())
    assert all(attempt.whole for attempt in all_told)
    for share in (0.01, 0.05, 0.34):
        missed = {n for n in range(3, FRAMES - 4) if chance.random() < share}
        told = watched.told(frames, missed)
        last = told[-1].began_frame if told else 0
        found = judge(told, [as_truth(attempt) for attempt in all_told], last)
        assert found.wrong == ()
