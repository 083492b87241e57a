"""What the debugger source knows of its guest's halts, against a guest that follows the rules.

The rules are those that were measured of stubs: a running guest halts at any byte, a halted one
takes an interrupt or a lone acknowledgement in silence, ``c`` lets it go on, and whoever else can
reach it (an emulator's own window) halts it and lets it go whenever he likes.
"""

from __future__ import annotations

import random
from collections import deque
from dataclasses import dataclass, field

import pytest

from adapters.sources.debugger.halts import LATE, Guest, GuestEnded, Halts, Watchpoint
from adapters.sources.debugger.rsp import Stop

INTERRUPTED = Stop(b"T02thread:01;")
TRAPPED = Stop(b"T05thread:01;")
AT_FRAME = Stop(b"T05thread:01;watch:80000010;")
FAULT = Stop(b"T0bthread:01;")
ENDED = Stop(b"W00")
COUNTER = Watchpoint(0x8000_0010, 4)


@dataclass
class Rig:
    """Halts with a clock by hand, and what they told."""

    now: float = 100.0
    told: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.halts = Halts(
            tell=lambda kind, text: self.told.append(kind), clock=lambda: self.now, measure_for=3.0
        )

    def greeted(self, *, was_running: bool = True) -> Halts:
        self.halts.connected()
        self.halts.greeted(TRAPPED, was_running=was_running)
        assert self.halts.going_on() is True
        return self.halts


def test_from_an_interrupt_to_going_on() -> None:
    halts = Rig().greeted()
    assert halts.interrupting() is True
    assert halts.guest is Guest.STOPPING
    # one that is stopping already is not interrupted again
    assert halts.interrupting() is False
    assert halts.stopped(INTERRUPTED) is False
    assert halts.held
    assert halts.going_on() is True


def test_a_guest_that_was_halted_before_us_is_told_of_and_let_go() -> None:
    rig = Rig()
    rig.greeted(was_running=False)
    assert rig.told == ["was halted"]


@pytest.mark.parametrize("stop", [FAULT, Stop(b"T06"), Stop(b"Tzz")])
def test_a_stop_of_another_kind_is_somebody_elses(stop: Stop) -> None:
    rig = Rig()
    halts = rig.greeted()
    halts.interrupting()
    halts.stopped(stop)
    assert (halts.held, halts.foreign, rig.told) == (True, True, ["halted"])
    assert halts.going_on() is False
    assert halts.guest is Guest.HELD_BY_OTHERS


def test_who_halts_it_lets_it_go_on() -> None:
    rig = Rig()
    halts = rig.greeted()
    assert halts.stopped_unasked(INTERRUPTED) is False
    assert halts.guest is Guest.HELD_BY_OTHERS
    # it stands still yet: it may be read, again and again
    for _ in range(3):
        assert halts.probed([], rig.now) is False
        assert halts.held
        assert halts.going_on() is False
    # it ran, and the byte that asked has halted it
    halts.probed([INTERRUPTED], rig.now)
    assert (halts.held, halts.foreign) == (True, False)
    assert halts.going_on() is True
    assert rig.told == ["halted", "goes on"]


def test_a_guest_that_others_let_go_while_it_is_read_is_ours() -> None:
    rig = Rig()
    halts = rig.greeted()
    halts.stopped_unasked(INTERRUPTED)
    halts.probed([], rig.now)
    assert halts.taken_over(INTERRUPTED) is False
    assert (halts.held, halts.foreign) == (True, False)
    assert halts.going_on() is True
    assert rig.told == ["halted", "goes on"]


def test_a_word_to_go_on_that_came_too_late_is_said_again() -> None:
    """The guest went on by somebody else before: then the first byte of our word has halted it."""
    rig = Rig()
    halts = rig.greeted()
    assert halts.stopped_unasked(Stop(INTERRUPTED.data, early=True)) is False
    assert (halts.held, halts.foreign, rig.told) == (True, False, [])
    assert halts.going_on() is True


def test_what_others_left_halted_stays_so_over_a_new_connection() -> None:
    rig = Rig()
    halts = rig.greeted()
    halts.stopped_unasked(INTERRUPTED)
    assert halts.parting() is False
    halts.closed(parted=True)
    halts.connected()
    halts.greeted(TRAPPED, was_running=False)
    assert halts.foreign
    assert halts.going_on() is False
    assert rig.told == ["halted"]
    # of a connection that broke nothing is known
    halts.closed(parted=False)
    halts.connected()
    halts.greeted(TRAPPED, was_running=False)
    assert halts.going_on() is True
    assert rig.told == ["halted", "was halted"]


def test_the_watchpoint_is_stepped_off_and_set_again() -> None:
    halts = Rig().greeted()
    assert not halts.misplaced
    halts.want(COUNTER)
    assert halts.misplaced
    assert (halts.removing(), halts.setting()) == (None, COUNTER)
    assert not halts.misplaced
    assert not halts.may_burst
    assert halts.stopped_unasked(AT_FRAME) is True
    assert halts.removing() == COUNTER
    halts.stepping()
    assert halts.guest is Guest.STOPPING
    halts.stepped(TRAPPED)
    assert halts.held
    assert halts.misplaced
    assert (halts.removing(), halts.setting()) == (None, COUNTER)
    halts.refused()
    assert (halts.counter, halts.watched, halts.misplaced) == (None, None, False)


@pytest.mark.parametrize(
    ("later", "guest"), [(LATE / 2, Guest.HELD), (2 * LATE, Guest.HELD_BY_OTHERS)]
)
def test_an_interrupt_that_crossed_the_watchpoints_stop_may_have_its_own(
    later: float, guest: Guest
) -> None:
    rig = Rig()
    halts = rig.greeted()
    halts.want(COUNTER)
    halts.setting()
    halts.interrupting()
    assert halts.stopped(AT_FRAME) is True
    halts.going_on()
    rig.now += later
    halts.stopped_unasked(INTERRUPTED)
    assert halts.guest is guest


def test_a_program_that_has_ended_says_so_wherever_it_is_seen() -> None:
    halts = Rig().greeted()
    for judge in (halts.stopped, halts.stopped_unasked, halts.taken_over, halts.stepped):
        with pytest.raises(GuestEnded):
            judge(ENDED)
    with pytest.raises(GuestEnded):
        halts.probed([ENDED], 0.0)
    assert halts.stopped_at_once(ENDED) is False


def test_how_much_of_its_time_is_measured() -> None:
    rig = Rig()
    halts = rig.greeted()
    for share in (0.05, 0.5, 0.5, 0.01):
        rig.now += 3.0 - 3.0 * share
        halts.interrupting()
        rig.now += 3.0 * share
        halts.stopped(INTERRUPTED)
        halts.going_on()
        halts.measure()
        assert halts.taken == pytest.approx(share)
    assert rig.told == ["takes much", "takes less"]


class Model:
    """A guest with a stub, and somebody else who halts it and lets it go."""

    def __init__(self) -> None:
        self.running = True
        self.by_others = False
        self.stops: deque[Stop] = deque()

    def byte(self) -> None:
        """Any byte, from us."""
        if self.running:
            self.running = False
            self.stops.append(INTERRUPTED)

    def others_halt(self) -> None:
        if self.running:
            self.running = False
            self.by_others = True
            self.stops.append(INTERRUPTED)

    def others_let_go(self) -> None:
        if not self.running and self.by_others:
            self.running = True
            self.by_others = False

    def go_on(self) -> None:
        assert not self.running, "a byte to a running guest"
        self.running = True
        self.by_others = False


@pytest.mark.parametrize("seed", range(200))
def test_whatever_others_do_the_guest_runs_once_they_let_it(seed: int) -> None:
    """Samples at random, and others at random between any two of our bytes; then they stop."""
    chance = random.Random(seed)
    rig, guest = Rig(), Model()
    halts = rig.greeted()

    def others(*, quiet: bool) -> None:
        if not quiet and chance.random() < 0.3:
            chance.choice((guest.others_halt, guest.others_let_go))()

    def ask(*, quiet: bool) -> None:
        """One question of a halted guest."""
        others(quiet=quiet)
        guest.byte()
        if guest.stops and halts.foreign:
            halts.taken_over(guest.stops.popleft())

    def sample(*, quiet: bool) -> None:
        others(quiet=quiet)
        while guest.stops and not halts.held:
            halts.stopped_unasked(guest.stops.popleft())
        if halts.guest is Guest.HELD_BY_OTHERS:
            guest.byte()
            stops = list(guest.stops)
            guest.stops.clear()
            halts.probed(stops, rig.now)
        elif not halts.held:
            others(quiet=quiet)
            assert halts.interrupting() is True
            guest.byte()
            halts.stopped(guest.stops.popleft())
        for _ in range(chance.randrange(3)):
            ask(quiet=quiet)
        if halts.going_on():
            guest.go_on()

    for _ in range(60):
        sample(quiet=False)
        assert halts.guest in (Guest.RUNNING, Guest.HELD_BY_OTHERS)
        # what we hold for ours is never left standing
        assert halts.guest is not Guest.RUNNING or guest.running or guest.stops
    guest.others_let_go()
    for _ in range(3):
        sample(quiet=True)
    assert (guest.running, halts.guest, halts.foreign) == (True, Guest.RUNNING, False)
