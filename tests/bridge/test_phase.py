"""The phase of a game's frames, in time that the test itself counts.

A game ends its frames with some jitter; a reader looks when it is told to.  Times are in seconds.
The bounds are the module's own promises: how late a frame is seen, and how many looks that takes.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.sampling.frame_clock import ACQUIRE, FINE, MAX_STRAYS, SHORTEST_PERIOD, FramePhase

SLEEP_LATE = 0.00007
"""What a short sleep takes longer than asked: measured on Linux, no source."""


@dataclass
class Reader:
    """Looks for each frame of ``ends`` as the sampler does, and notes how late it saw it."""

    ends: list[float]
    longest: float = 1 / 480
    look_takes: float = 0.00003
    stalls: dict[int, float] = field(default_factory=dict)
    """How long the reader itself is held up once it waits behind a frame, by that frame."""
    now: float = 0.0
    late: list[float] = field(default_factory=list)
    looks: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.phase = FramePhase(self.longest)
        self.number = -1

    def newest(self) -> int:
        """The last frame that has ended by now, -1 for none."""
        number = self.number
        while number + 1 < len(self.ends) and self.ends[number + 1] <= self.now:
            number += 1
        return number

    def run(self, apart: float = 0.0) -> None:
        """*apart* is the time between two frames at least, as a limited rate makes it."""
        earliest = self.now
        while self.number < len(self.ends) - 1:
            self.now = max(self.now, self.phase.first_look(max(earliest, self.now)))
            first, not_before, looks = self.now, None, 1
            while (found := self.newest()) == self.number:
                not_before = self.now
                self.now += self.phase.pause(self.now - first) + SLEEP_LATE + self.look_takes
                self.now += self.stalls.pop(self.number, 0.0)
                looks += 1
            self.number = found
            self.phase.saw(found, self.now, not_before)
            self.late.append(self.now - self.ends[found])
            self.looks.append(looks)
            earliest = max(earliest + apart, self.now - apart)


def ends_of(count: int, period: float, jitter: float, seed: int, start: float = 5.0) -> list[float]:
    chance = random.Random(seed)
    return [start + n * period + abs(chance.gauss(0, jitter)) for n in range(count)]


@pytest.mark.parametrize("rate", [24.0, 30.0, 50.0, 59.94, 60.0, 60.0988, 75.0, 120.0])
@pytest.mark.parametrize("jitter", [0.0, 0.00005, 0.0002])
def test_a_steady_game_is_seen_at_once_with_few_looks(rate: float, jitter: float) -> None:
    reader = Reader(ends_of(1200, 1 / rate, jitter, seed=1))
    reader.run()
    settled = sorted(reader.late[60:])
    looks = reader.looks[60:]
    assert len(reader.late) == 1200, "a frame was passed over"
    # half of what lies between two looks, and the whole of it at worst
    between = FINE + SLEEP_LATE + reader.look_takes
    assert sum(settled) / len(settled) < 0.75 * between
    assert settled[int(0.99 * len(settled))] <= between + 0.0001
    assert sum(looks) / len(looks) < 8
    assert reader.phase.period == pytest.approx(1 / rate, rel=0.01)


def test_a_game_of_another_clock_is_followed_for_long() -> None:
    # 60 by a clock that is 300 ppm fast: without following, 18 ms would be lost in a minute
    reader = Reader(ends_of(3600, 1 / 60 * (1 - 0.0003), 0.0001, seed=2))
    reader.run()
    assert max(reader.late[60:]) < 0.0005


def test_a_period_that_changes_is_learned_again() -> None:
    first = ends_of(300, 1 / 60, 0.0001, seed=3)
    second = ends_of(300, 1 / 50, 0.0001, seed=4, start=first[-1] + 1 / 50)
    reader = Reader(first + second)
    reader.run()
    assert max(reader.late[400:]) < 0.0005
    assert reader.phase.period == pytest.approx(1 / 50, rel=0.01)


def test_one_late_frame_costs_one_lag_and_no_phase() -> None:
    ends = ends_of(400, 1 / 60, 0.00005, seed=5)
    ends = ends[:200] + [end + 1 / 60 for end in ends[200:]]
    reader = Reader(ends)
    reader.run()
    assert reader.phase.lag == 1
    assert max(reader.late[202:]) < 0.0005
    assert reader.late[200] < 0.0015


def test_lag_of_several_frames_is_counted_in_frames() -> None:
    ends = ends_of(300, 1 / 60, 0.00005, seed=6)
    ends = ends[:100] + [end + 3 / 60 for end in ends[100:]]
    ends = ends[:200] + [end + 2 / 60 for end in ends[200:]]
    reader = Reader(ends)
    reader.run()
    assert reader.phase.lag == 5


@pytest.mark.parametrize("seconds", [0.006, 0.014, 0.03, 0.1, 0.4])
def test_a_reader_that_is_held_up_calls_nothing_lag(seconds: float) -> None:
    stalls = dict.fromkeys(range(100, 900, 100), seconds)
    reader = Reader(ends_of(1000, 1 / 60, 0.00005, seed=9), stalls=stalls)
    reader.run()
    assert reader.stalls == {}
    assert reader.phase.lag == 0
    assert reader.late[-1] < 0.0005


def test_a_game_that_its_user_held_back_has_not_lagged() -> None:
    ends = ends_of(300, 1 / 60, 0.00005, seed=7)
    ends = ends[:150] + [end + 20.0 for end in ends[150:]]
    reader = Reader(ends)
    reader.run()
    assert reader.phase.lag == 0
    assert max(reader.late[160:]) < 0.0005
    # it is not looked at all the time while it stands
    assert max(reader.looks) < 20.0 / reader.longest + 100


def test_a_limited_reader_of_a_fast_game_keeps_its_rate_and_calls_nothing_lag() -> None:
    reader = Reader(ends_of(2400, 1 / 120, 0.00005, seed=8))
    reader.run(apart=1 / 60 * 0.99)
    assert len(reader.late) == pytest.approx(1200, rel=0.02)
    assert reader.phase.lag == 0
    assert max(reader.late) < 0.010
    assert reader.phase.period == pytest.approx(1 / 120, rel=0.01)


def test_frames_that_follow_too_fast_are_not_waited_for() -> None:
    phase = FramePhase(0.002)
    for number in range(ACQUIRE + 2):
        phase.saw(number, 10 + number * SHORTEST_PERIOD / 2, 10 + number * SHORTEST_PERIOD / 2)
    assert phase.first_look(10.5) == 10.5


def test_nothing_is_known_before_some_frames_were_seen() -> None:
    phase = FramePhase(0.002)
    assert phase.period is None
    assert phase.first_look(7.0) == 7.0
    phase.saw(10, 7.0, 6.999)
    assert phase.first_look(7.0) == 7.0
    assert phase.lag == 0


def test_a_counter_that_goes_back_unlocks_it() -> None:
    phase = FramePhase(0.002)
    for number in range(ACQUIRE + 2):
        phase.saw(number, number / 60, number / 60)
    assert phase.period is not None
    phase.saw(3, 9.0, 9.0)
    assert phase.period is None
    assert phase.lag == 0


def test_many_frames_far_from_the_expected_unlock_it() -> None:
    phase = FramePhase(0.002)
    for number in range(ACQUIRE + 2):
        phase.saw(number, number / 60, number / 60)
    now = (ACQUIRE + 1) / 60
    for step in range(MAX_STRAYS + 1):
        now += 1.45 / 60
        phase.saw(ACQUIRE + 2 + step, now, now)
    assert phase.period is None


@given(
    ends=st.lists(st.floats(0.0, 0.2), min_size=1, max_size=80),
    apart=st.sampled_from([0.0, 0.008, 0.0165]),
)
def test_whatever_a_game_does_its_newest_frame_is_found(ends: list[float], apart: float) -> None:
    when, total = [], 1.0
    for gap in ends:
        total += gap
        when.append(total)
    reader = Reader(when)
    reader.run(apart)
    assert reader.number == len(when) - 1
    # never later than a frame's time, the reader's own pause and the longest gap allow
    assert reader.late[-1] <= apart + max(0.2, reader.longest) + 0.01
    assert all(late >= 0 for late in reader.late)
