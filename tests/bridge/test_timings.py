"""When steps were done, of all attempts: held against numpy."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest

from bridge.practice.attempts import Attempt, Outcome
from bridge.practice.sittings import APART, Sittings, numbered, sessions_of
from bridge.practice.steps import StepOutcome, StepResult
from bridge.practice.timings import Timings, quantile, timings_of
from bridge.practice.totals import Rate, Totals
from bridge.practice.windows import Verdict, Window


def result(
    frames: int | None, window: tuple[int, int] = (11, 14), unsure: int | None = 0, seen: int = 20
) -> StepResult:
    timing = Window(*window).judge(frames, unsure)
    right = timing.verdict is Verdict.RIGHT
    outcome = StepOutcome.DONE if right else StepOutcome.FAILED
    return StepResult("turn", outcome, 0, 20, 0.3, seen, timing=timing)


def attempts(*results: StepResult) -> list[Attempt]:
    return [
        Attempt(number, "print", 0, 0.0, Outcome.FAILED, steps=(one,))
        for number, one in enumerate(results, 1)
    ]


def timings(*frames: int | None, window: tuple[int, int] = (11, 14)) -> Timings:
    (found,) = timings_of(attempts(*(result(each, window) for each in frames)))
    return found


def test_early_right_and_late() -> None:
    found = timings(9, 10, 10, 11, 14, 14, 15, 17, None)
    assert found.right == Rate(3, 9)
    assert (found.early, found.late, found.before) == (4, 2, 1)
    assert [(each.frames, str(each.verdict), each.count) for each in found.bins] == [
        *((9, "early", 1), (10, "early", 2), (11, "right", 1)),
        *((14, "right", 2), (15, "late", 1), (17, "late", 1)),
    ]
    assert (found.earlier, found.later, found.wider) == (Rate(5, 9), Rate(4, 9), Rate(6, 9))
    # Wilson for 6 of 9 at 95 %, by the closed formula with z = 1.96: 0.3542 to 0.8794
    assert found.wider.interval == pytest.approx((0.3542, 0.8794), abs=1e-4)
    assert found.as_json()["spread"] == {
        "least": 9,
        "lower": 10.0,
        "median": 12.5,
        "upper": 14.25,
        "most": 17,
    }


@pytest.mark.parametrize("seed", range(20))
def test_numpy_says_the_same(seed: int) -> None:
    """numpy.histogram with a bin a frame, numpy.percentile with linear interpolation."""
    draw = random.Random(seed)
    first = draw.randrange(20)
    window = first, first + draw.randrange(6)
    frames = [max(0, round(draw.gauss(first, 4))) for _ in range(draw.randrange(1, 60))]
    found = timings(*frames, window=window)
    edges = np.arange(min(frames), max(frames) + 2)
    counts, _ = np.histogram(frames, bins=edges)
    expected = {int(edge): int(count) for edge, count in zip(edges, counts, strict=False) if count}
    assert {each.frames: each.count for each in found.bins} == expected
    spread = found.spread
    assert spread is not None
    quartiles = np.percentile(frames, [0, 25, 50, 75, 100])
    told = (spread.least, spread.lower, spread.median, spread.upper, spread.most)
    assert told == pytest.approx(tuple(quartiles), abs=1e-12)
    inside = np.asarray(frames)
    for rate, low, high in (
        (found.right, *window),
        (found.later, window[0], window[1] + 1),
        (found.wider, window[0] - 1, window[1] + 1),
        (found.earlier, window[0] - 1, window[1]),
    ):
        if rate is not None:
            assert rate.good == int(((inside >= low) & (inside <= high)).sum())
            assert rate.count == len(frames)
    assert (found.earlier is None) is (window[0] == 0)
    # and one after the other: a window that is wider by a frame judges them so itself
    assert timings(*frames, window=(window[0], window[1] + 1)).right == found.later


def test_a_quantile_of_one_and_of_equal_values() -> None:
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        assert quantile([7], share) == quantile([7, 7, 7], share) == 7


def test_nothing_but_what_came_before_its_moment() -> None:
    found = timings(None, None)
    assert (found.right, found.early, found.before) == (Rate(0, 2), 2, 2)
    assert (found.bins, found.spread) == ((), None)
    assert found.as_json()["spread"] is None


def test_what_was_missed_is_told_apart() -> None:
    (found,) = timings_of(
        attempts(
            result(12),
            result(12, unsure=2, seen=18),
            result(15, unsure=None),
            result(12, seen=13),
            result(None, unsure=None),
        )
    )
    assert (found.unsure, found.not_whole) == (3, 2)
    assert [(each.frames, each.count, each.unsure) for each in found.bins] == [
        *((12, 3, 1), (15, 1, 1)),
    ]


def test_a_window_that_was_another_is_told_apart_the_newest_first() -> None:
    found = timings_of(
        attempts(result(10, (9, 10)), result(10), result(12), result(9, (9, 10)), result(13))
    )
    assert [(each.window, each.right) for each in found] == [
        ((11, 14), Rate(2, 3)),
        ((9, 10), Rate(2, 2)),
    ]


def test_what_was_taken_back_does_not_count_and_what_came_too_soon_is_counted() -> None:
    first, second, third = attempts(result(12), result(15), result(13))
    waited = replace(third.steps[0], timing=None, too_soon=2)
    found = timings_of(
        [first, replace(second, undone=True), replace(third, steps=(waited, result(13)))]
    )
    assert [(each.right, each.late, each.too_soon) for each in found] == [(Rate(2, 2), 0, 2)]
    assert timings_of([replace(first, undone=True)]) == []
    assert timings_of([replace(third, steps=(waited,))]) == []


# sessions


def at(time: float, seconds: float | None = 10.0, session: int = 0) -> Attempt:
    return Attempt(
        *(1, "print", 0, time, Outcome.SUCCESS), frames=30, seconds=seconds, session=session
    )


def test_a_session_lasts_until_half_an_hour_without_an_attempt() -> None:
    ends = [
        at(1000.0),
        at(1010.0 + APART),  # just within
        at(1020.0 + 2 * APART + 0.5),
        at(1020.0 + 2 * APART + 1, seconds=None),
        at(1020.0 + 3 * APART + 1.5),
        at(500.0),  # the clock was set back: the same
    ]
    assert [each.session for each in numbered(ends)] == [1, 1, 2, 2, 3, 3]


def test_numbers_that_are_kept_are_held_to() -> None:
    ends = [at(1000.0), at(1020.0, session=5), at(1040.0), at(9000.0), at(9020.0, session=6)]
    assert [each.session for each in numbered(ends)] == [1, 5, 5, 6, 6]
    sittings = Sittings()
    assert sittings.at(0.0) == 1
    sittings.take(ends[1])
    assert (sittings.at(1030.0 + APART), sittings.at(1031.0 + APART)) == (5, 6)


def test_what_each_session_gave() -> None:
    found = sessions_of(
        numbered([at(1000.0), replace(at(1020.0), undone=True), at(9000.0, None)]), {2: "tired"}
    )
    assert [(s.number, s.began, s.ended, s.score.all, s.note) for s in found] == [
        (1, 1000.0, 1030.0, Rate(1, 1), ""),
        (2, 9000.0, 9000.0, Rate(1, 1), "tired"),
    ]
    assert [len(session.attempts) for session in found] == [2, 1]


@pytest.mark.parametrize("seed", range(8))
def test_taking_back_is_as_if_it_had_never_been(seed: int) -> None:
    """And numpy's median is that of the successes."""
    draw = random.Random(seed)
    ends = [
        Attempt(
            *(number, "print", 0, 0.0, draw.choice(list(Outcome)[1:])),
            frames=draw.choice([None, *range(20, 30)]),
            frames_seen=draw.randrange(15, 30),
            steps=(StepResult("turn", draw.choice(list(StepOutcome)), 0, 3, 0.1),),
            unseen_before=draw.randrange(3),
        )
        for number in range(30)
    ]
    totals = Totals()
    for each in ends:
        totals.add(each)
    for place in reversed(range(30)):
        if ends[place].outcome is not Outcome.CUT_OFF and draw.random() < 0.8:
            totals.take_back(ends[place])
            ends[place] = replace(ends[place], undone=True)
        elif ends[place].outcome is not Outcome.CUT_OFF:
            break
        anew = Totals()
        for each in ends:
            anew.add(each)
        assert totals.score() == anew.score()
        known = [
            each.frames
            for each in ends
            if each.outcome is Outcome.SUCCESS and not each.undone and each.frames is not None
        ]
        assert anew.score().median == (float(np.median(known)) if known else None)
        assert anew.score().best == (min(known) if known else None)
