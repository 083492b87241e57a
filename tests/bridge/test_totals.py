"""Totals of attempts: what counts for which rate."""

from __future__ import annotations

from dataclasses import replace

from bridge.practice.attempts import Attempt, Outcome
from bridge.practice.steps import StepOutcome, StepResult
from bridge.practice.totals import Rate, Totals
from bridge.practice.wilson import wilson


def attempt(outcome: Outcome, **steps: StepOutcome) -> Attempt:
    results = tuple(StepResult(name, how, 0, 1, 0.1) for name, how in steps.items())
    return Attempt(1, "export", 0, 0.0, outcome, steps=results)


DONE, FAILED, GIVEN_UP, UNFINISHED = StepOutcome


def totals(*attempts: Attempt, steps: tuple[str, ...] = ()) -> Totals:
    found = Totals(steps)
    for one in attempts:
        found.add(one)
    return found


def test_giving_up_counts_and_cuts_do_not() -> None:
    score = totals(
        attempt(Outcome.SUCCESS),
        attempt(Outcome.FAILED),
        attempt(Outcome.GIVEN_UP),
        attempt(Outcome.CUT_OFF),
        attempt(Outcome.OPEN),
    ).score()
    assert score.all == Rate(1, 3)
    assert score.cut_off == 1
    assert score.all.interval == wilson(1, 3)


def test_a_streak_is_broken_by_what_failed_and_not_by_a_cut() -> None:
    good, cut = attempt(Outcome.SUCCESS), attempt(Outcome.CUT_OFF)
    assert totals(good, good, cut, good).score().streak == 3
    for bad in (Outcome.FAILED, Outcome.GIVEN_UP):
        assert totals(good, good, attempt(bad)).score().streak == 0
        assert totals(good, attempt(bad), good).score().streak == 1


def test_a_step_counts_where_it_was_reached_and_came_out() -> None:
    score = totals(
        attempt(Outcome.SUCCESS, corner=DONE, door=DONE),
        attempt(Outcome.FAILED, corner=DONE, door=FAILED),
        attempt(Outcome.GIVEN_UP, corner=GIVEN_UP),
        attempt(Outcome.CUT_OFF, corner=DONE, door=UNFINISHED),
        attempt(Outcome.SUCCESS, corner=UNFINISHED),
    ).score()
    assert dict(score.steps) == {"corner": Rate(3, 4), "door": Rate(1, 2)}


def test_only_the_steps_of_interest_in_their_order() -> None:
    score = totals(attempt(Outcome.FAILED, old=DONE, door=FAILED), steps=("corner", "door")).score()
    assert score.steps == (("corner", Rate(0, 0)), ("door", Rate(0, 1)))


def test_without_attempts_there_is_no_rate() -> None:
    assert Totals().score().all.as_json() == {
        "good": 0,
        "count": 0,
        "rate": None,
        "interval": [0.0, 1.0],
    }


def test_attempts_with_missed_frames_are_counted_as_such() -> None:
    told = Attempt(1, "export", 100, 1.0, Outcome.SUCCESS, frames=40, seconds=1.0)
    score = totals(
        replace(told, frames_seen=40),
        replace(told, frames_seen=39, unseen_before=3),
        replace(told, frames_seen=40, doubtful=True, unseen_before=4),
        # nobody counted: that is no missed frame
        told,
        # what was cut off is no verdict
        replace(told, outcome=Outcome.CUT_OFF, frames_seen=0, unseen_before=5),
    ).score()
    assert (score.all, score.cut_off) == (Rate(4, 4), 1)
    assert (score.not_whole, score.unseen_between) == (2, 12)
