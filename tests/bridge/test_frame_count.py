"""Counters of few bits: what ran over, what was set, and what cannot be known.

A guest counts frames in virtual time, a reader looks at it, is held up, and looks again.  The guest
knows what happened.  What the reader makes of it may be right or unknown, never wrong; and unknown
only where another story fits what was seen.
"""

from __future__ import annotations

import copy
import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

import pytest

from bridge.sampling.frame_count import (
    EITHER,
    FASTER,
    NEAR,
    ROUND,
    SPARE,
    Count,
    Follows,
    FrameCount,
)

WIDTHS = (8, 16, 24, 32)
PACES = (20.0, 50.0, 60.0)
STALLS = (0.0, 0.1, 0.5, 1.0, 2.0, 3.3, 5.0, 8.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0)
LOOK = 0.002
"""Seconds that a look takes."""


@dataclass
class Guest:
    """Counts frames; ``frames`` goes on for ever, ``base`` is what the counter is ahead of it."""

    bits: int
    pace: float
    base: int
    now: float = 0.0
    frames: float = 0.0

    @property
    def raw(self) -> int:
        return (self.base + math.floor(self.frames + 1e-6)) % (1 << self.bits)

    def run(self, seconds: float, speed: float = 1.0) -> None:
        self.now += seconds
        self.frames += seconds * self.pace * speed

    def put(self, value: int) -> None:
        self.base = value - math.floor(self.frames + 1e-6)


def look(count_on: FrameCount, guest: Guest) -> Count:
    earliest = guest.now
    guest.run(LOOK)
    return take(count_on, guest.raw, guest.bits, earliest, guest.now)


def take(count_on: FrameCount, raw: int, bits: int, earliest: float, now: float) -> Count:
    count = count_on.judge(raw, 1 << bits, now)
    if count.follows in (Follows.RESET, Follows.JUMPED):
        count_on.was_too_fast(count)
        count_on.forget()
        count_on.took(Count(raw, raw), earliest, now)
        return count
    count_on.took(count, earliest, now)
    return count


def watched(bits: int, pace: float, last: int, seconds: float = 4.0) -> tuple[FrameCount, Guest]:
    """A guest that has been watched for a while, and whose counter is now at *last*."""
    frames = round(seconds * pace)
    guest = Guest(bits, pace, last - frames)
    count_on = FrameCount()
    for _ in range(frames):
        count = look(count_on, guest)
        assert count.follows is Follows.IN_ORDER
        guest.run(1 / pace - LOOK)
    look(count_on, guest)
    assert guest.raw == last % (1 << bits)
    return count_on, guest


# event: what happens in a stall of so many seconds; gives whether the count goes on, for the truth


def goes_on(guest: Guest, stall: float) -> bool:
    guest.run(stall)
    return True


def pauses(guest: Guest, stall: float) -> bool:
    guest.run(stall, 0.0)
    guest.run(1 / guest.pace)
    return True


def lags(guest: Guest, stall: float) -> bool:
    guest.run(stall, 0.6)
    return True


def hurries(guest: Guest, stall: float) -> bool:
    guest.run(stall, 1.2)
    return True


def begins_again(guest: Guest, stall: float) -> bool:
    guest.run(stall)
    guest.put(0)
    return False


def began_again_before(guest: Guest, stall: float) -> bool:
    guest.run(stall / 3)
    guest.put(0)
    guest.run(stall * 2 / 3)
    return False


def goes_back_half(guest: Guest, stall: float) -> bool:
    guest.run(stall)
    guest.put(guest.raw // 2)
    return False


def goes_ahead(guest: Guest, stall: float) -> bool:
    guest.run(stall)
    guest.put(guest.raw + (1 << guest.bits) * 3 // 8)
    return False


EVENTS = (
    *(goes_on, pauses, lags, hurries),
    *(begins_again, began_again_before, goes_back_half, goes_ahead),
)


def lasts(bits: int) -> Iterator[int]:
    turn = 1 << bits
    yield from {40_040 % turn, 3, turn // 4 + 1, turn // 2 + 7, turn * 3 // 4, turn - 40, turn - 2}


CASES = [(bits, pace) for bits in WIDTHS for pace in PACES]


@pytest.mark.parametrize(("bits", "pace"), CASES)
def test_no_verdict_is_wrong_and_none_is_left_out_that_can_be_known(bits: int, pace: float) -> None:
    turn, verdicts = 1 << bits, Counter[str]()
    for last in lasts(bits):
        before = watched(bits, pace, last)
        for stall in STALLS:
            for event in EVENTS:
                count_on, guest = copy.deepcopy(before)
                was, frames, began = count_on.last, guest.frames, guest.now - LOOK
                assert was is not None
                guest.run(1 / pace - LOOK)
                follows = event(guest, stall)
                count = look(count_on, guest)
                seconds = guest.now - began
                ahead = (guest.raw - was.raw) % turn
                missed = math.floor(guest.frames + 1e-6) - math.floor(frames + 1e-6)
                told = (event.__name__, bits, pace, last, stall, count)
                if not follows and ahead <= max(1, NEAR * pace * seconds + SPARE):
                    # what was set lies where the time explains it
                    like = abs(ahead - pace * seconds) <= SPARE + 0.02 * pace * seconds
                    if like or ahead <= 1 or guest.raw >= was.raw:
                        verdicts["alike"] += 1
                        continue
                verdicts[count.follows.name] += 1
                if count.follows is Follows.IN_ORDER:
                    assert follows, told
                    assert count.number - was.number == missed, told
                elif count.follows is Follows.UNKNOWN:
                    assert not is_plain(bits, pace, seconds, ahead, event, guest.raw, was), told
                    assert count.number > was.number + 1, told
                    assert count.number % turn == guest.raw, told
                else:
                    assert not follows, told
                    assert (count.follows is Follows.RESET) == (guest.raw < was.raw), told
    assert sum(verdicts.values()) == len(set(lasts(bits))) * len(STALLS) * len(EVENTS)
    # every verdict is met, so that none of the above is empty
    assert min(verdicts["IN_ORDER"], verdicts["RESET"]) > 40, verdicts
    assert verdicts["JUMPED"] > 5, verdicts
    assert verdicts["alike"] < 0.15 * sum(verdicts.values()), verdicts


def is_plain(
    bits: int, pace: float, seconds: float, ahead: int, event: object, raw: int, was: Count
) -> bool:
    """Whether only one story fits what was seen, so that unknown is no answer."""
    turn, wide = 1 << bits, bits >= 24
    frames = pace * seconds
    if 1.25 * frames + 4 >= turn:
        return False  # it may have gone round once more
    if event is goes_on:
        return True
    if event in (pauses, lags) and raw > was.raw:
        # higher than a game could be that began again
        return raw > 1.25 * frames + 2
    if event in (begins_again, began_again_before, goes_back_half, goes_ahead):
        most = 4 * (max(60.0, pace) * (seconds + 1) if wide else frames) + 4
        return ahead > most
    return False


def test_thousands_of_cases_are_in_the_table() -> None:
    cases = sum(len(set(lasts(bits))) for bits, _ in CASES) * len(STALLS) * len(EVENTS)
    assert cases > 8000


# the table's corners, by name


def test_a_counter_of_16_bits_that_is_set_back_is_one_reset() -> None:
    count_on, guest = watched(16, 60, 40_040)
    guest.run(1 / 60 - LOOK)
    guest.put(0)
    assert look(count_on, guest).follows is Follows.RESET
    guest.run(1 / 60 - LOOK)
    count = look(count_on, guest)
    assert (count.follows, count.number) == (Follows.IN_ORDER, 1)


def test_a_counter_of_8_bits_runs_over_for_ever_in_order() -> None:
    count_on, guest = watched(8, 60, 250)
    assert count_on.last is not None
    first = count_on.last.number
    for number in range(1, 2000):
        guest.run(1 / 60 - LOOK)
        count = look(count_on, guest)
        assert (count.follows, count.number) == (Follows.IN_ORDER, first + number)


@pytest.mark.parametrize(
    ("bits", "stall", "reason"),
    [(8, 3.0, ""), (8, 5.0, ROUND), (16, 800.0, ""), (16, 1200.0, ROUND), (24, 600.0, "")],
)
def test_how_long_a_stall_may_be(bits: int, stall: float, reason: str) -> None:
    count_on, guest = watched(bits, 60, (1 << bits) - 3)
    guest.run(stall)
    assert look(count_on, guest).reason == reason


def test_a_game_that_stood_still_before_our_eyes_is_not_a_stall() -> None:
    """A pause of a minute goes round 14 times in 8 bits; but the counter was seen to stand."""
    count_on, guest = watched(8, 60, 100)
    for _ in range(600):
        guest.run(0.1, 0.0)
        assert count_on.same(guest.raw, 256)
        count_on.still(256, guest.now)
    guest.run(1 / 60)
    assert look(count_on, guest).follows is Follows.IN_ORDER
    guest.run(60, 0.0)
    count_on.still(256, guest.now)  # the one look in a minute shows nothing
    guest.run(1 / 60)
    assert look(count_on, guest).reason == ROUND


@pytest.mark.parametrize("bits", WIDTHS)
@pytest.mark.parametrize("speed", [2, 3, 5, 16])
def test_a_game_that_is_played_faster_is_counted_again_after_two_steps(
    bits: int, speed: int
) -> None:
    count_on, guest = watched(bits, 60, 20)
    lost = []
    for _ in range(600):
        guest.run(1 / 60 - LOOK, speed)
        count = look(count_on, guest)
        lost.append(count.follows is not Follows.IN_ORDER)
    assert sum(lost) <= 1
    assert not any(lost[2:])


def test_less_than_the_pace_may_be_a_game_that_began_again() -> None:
    count_on, guest = watched(16, 60, 65_530)
    guest.run(60, 0.0)
    guest.run(0.2)
    count = look(count_on, guest)
    assert (count.follows, count.reason) == (Follows.UNKNOWN, EITHER)
    assert count.number > 65_530


def test_an_unknown_step_teaches_no_pace() -> None:
    count_on, guest = watched(16, 60, 1000)
    guest.run(1 / 60 - LOOK)
    guest.put(guest.raw + 5)
    assert look(count_on, guest).reason == FASTER
    assert count_on.pace.fastest == pytest.approx(60, rel=0.05)
    for _ in range(300):
        guest.run(1 / 60 - LOOK)
        assert look(count_on, guest).follows is Follows.IN_ORDER
    assert count_on.pace.fastest == pytest.approx(60, rel=0.05)


def test_before_a_pace_is_known_nothing_ahead_is_a_jump() -> None:
    count_on = FrameCount()
    take(count_on, 100, 32, 0.0, 0.002)
    assert take(count_on, 1 << 31, 32, 0.01, 0.012).follows is Follows.IN_ORDER
    assert take(count_on, 7, 32, 0.02, 0.022).follows is Follows.RESET


def test_frames_that_a_sender_held_back_and_sends_at_once_are_no_jump() -> None:
    count_on = FrameCount()
    for number in range(240):
        take(count_on, 9000 + number, 32, number / 60, number / 60)
    stalled = 239 / 60 + 5
    assert take(count_on, 9243, 32, stalled, stalled).follows is Follows.IN_ORDER
    burst = take(count_on, 9530, 32, stalled + 0.001, stalled + 0.001)
    assert (burst.follows, burst.number) == (Follows.IN_ORDER, 9530)


@pytest.mark.parametrize("bits", WIDTHS)
def test_a_game_that_was_late_catches_up_in_order(bits: int) -> None:
    """Its counter was seen to stand, so that no stall of ours explains what comes at once."""
    count_on, guest = watched(bits, 60, 100)
    for _ in range(18):
        guest.run(1 / 60, 0.0)
        count_on.still(1 << bits, guest.now)
    for ahead in (5, 9, 2):
        guest.run(0.001)
        guest.put(guest.raw + ahead)
        assert look(count_on, guest).follows is Follows.IN_ORDER
    # by no more than it was behind
    guest.run(1 / 60)
    guest.put(guest.raw + 40)
    assert look(count_on, guest).follows is not Follows.IN_ORDER


def test_dumps_go_by_no_clock() -> None:
    count_on = FrameCount()
    count_on.took(Count(250, 250), 0.0, 0.0)
    assert count_on.without_clock(255, 256) == Count(255, 255)
    assert count_on.without_clock(9, 256) == Count(9, 265, Follows.UNKNOWN, EITHER)
    assert count_on.without_clock(9, 1 << 32).follows is Follows.RESET
    count_on.took(Count(255, 255), 0.0, 0.0)
    assert count_on.without_clock(0, 256) == Count(0, 256)
