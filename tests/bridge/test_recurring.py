"""Trouble that comes and goes is told when it begins, seldom while it lasts, and at its end."""

from __future__ import annotations

import itertools

from bridge.reporting.recurring import CALM, FIRST_REMINDER, MAX_PAUSE, RecurringTrouble


class Ticks:
    """Seconds that a test counts."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


def test_what_alternates_with_every_frame_for_a_day_is_a_few_lines() -> None:
    ticks = Ticks()
    trouble = RecurringTrouble(ticks)
    said = []
    for _ in range(86_400 * 4):  # 8 frames a second: one is whole, one is not
        said.append(trouble.came("no whole frame: began and ended never agreed"))
        ticks.now += 0.125
        assert trouble.over() == ""
        ticks.now += 0.125
    lines = [line for line in said if line]
    assert lines[0] == "no whole frame: began and ended never agreed"
    assert lines[1] == "no whole frame: began and ended never agreed (241 times in 1 min)"
    assert lines[2] == "no whole frame: began and ended never agreed (721 times in 3 min)"
    assert len(lines) <= 2 + 6 + 24  # the pauses double up to an hour
    ticks.now += CALM
    assert trouble.over() == "no whole frame"
    assert trouble.over() == ""
    assert trouble.count == 86_400 * 4


def test_the_pauses_between_reminders_double_up_to_an_hour() -> None:
    ticks = Ticks()
    trouble = RecurringTrouble(ticks)
    told = []
    for second in range(5 * 3600):
        ticks.now = 1000.0 + second
        if trouble.came("x: y"):
            told.append(second)
    pauses = [later - earlier for earlier, later in itertools.pairwise(told)]
    assert pauses[:7] == [60, 120, 240, 480, 960, 1920, 3600]
    assert FIRST_REMINDER == 60
    assert MAX_PAUSE == 3600


def test_it_begins_anew_after_a_calm_second_and_not_before() -> None:
    ticks = Ticks()
    trouble = RecurringTrouble(ticks)
    assert trouble.came("x: 1") == "x: 1"
    ticks.now += CALM / 2
    assert trouble.over() == ""
    assert trouble.came("x: 2") == ""
    ticks.now += CALM
    assert trouble.over() == "x"
    assert trouble.count == 2
    assert trouble.came("x: 3") == "x: 3"
    assert trouble.count == 1


def test_another_kind_is_told_at_once_and_other_details_are_not() -> None:
    trouble = RecurringTrouble(Ticks())
    assert trouble.came("no build is recognised: found 00") == "no build is recognised: found 00"
    assert trouble.came("no build is recognised: found 01") == ""
    assert trouble.came("no whole frame: began and ended") == "no whole frame: began and ended"


def test_without_trouble_nothing_is_over() -> None:
    assert RecurringTrouble(Ticks()).over() == ""
