"""Halts of a guest by a debugger's stub: who holds it, since when, and what may be done about it.

    running ──interrupt──▶ stopping ──stop──▶ held ──go on──▶ running
       └──a stop that nobody here asked for──▶ held by others ──seen running──▶ held

Bytes in and bytes out are others' part.  They tell here what has been sent and what has come, and
ask what is to be sent next; whatever decides on that is in this one place.

A guest that somebody else has halted (in the emulator's own window, say) may be read, and is not
let go.  A halt by others that falls into the moment of a sample cannot be told from ours, and ends
with it.  Whether others have let it go on is seen by a stop: a byte halts a running guest, and a
halted one takes it in silence.  That may happen in the midst of a sample too, whoever had halted
it: there the byte is of the next question.

A write watchpoint stops the guest before the write, and going on would stop there for ever: so the
watchpoint is taken away, one instruction is stepped, and the watchpoint is set again before the
guest goes on.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import Enum, auto

from adapters.sources.debugger import rsp

__all__ = [
    "INTERRUPT_SIGNALS",
    "LATE",
    "MUCH_LESS",
    "TOO_MUCH",
    "Guest",
    "GuestEnded",
    "Halts",
    "Watchpoint",
]

TOO_MUCH, MUCH_LESS = 0.10, 0.08
"""Shares of the guest's time: above the first it is told, below the second it is over."""
LATE = 0.1
"""Seconds in which an interrupt that crossed another stop may still have its own."""
INTERRUPT_SIGNALS = (0, 2, 5, 17, 19)
"""What stubs answer an interrupt with: none, interrupt, trap, stop."""


class Guest(Enum):
    """What the guest does, as far as the stub has said."""

    RUNNING = auto()
    STOPPING = auto()
    HELD = auto()
    HELD_BY_OTHERS = auto()


class GuestEnded(Exception):
    """The program that the stub debugs has ended."""


@dataclass(frozen=True, slots=True)
class Watchpoint:
    """*size* bytes at a guest address, a write to which stops the guest."""

    address: int
    size: int


class Halts:
    """One guest's halts.

    ``foreign`` is whether somebody else halted it, who alone lets it go on.  ``counter`` is the
    watchpoint that is wanted and ``watched`` the one that the stub has.  ``let_go`` is whether the
    word that ends a connection has been said.  ``taken`` is the share of the guest's time that
    halting took, over the last measured seconds.

    Methods that take a stop raise GuestEnded where it says so.
    """

    def __init__(
        self,
        *,
        tell: Callable[[str, str], None],
        clock: Callable[[], float],
        measure_for: float,
    ) -> None:
        """*tell* takes what is to be noted, by its kind; *clock* counts seconds."""
        self.guest = Guest.RUNNING
        self.foreign = False
        self.counter: Watchpoint | None = None
        self.watched: Watchpoint | None = None
        self.let_go = False
        self.taken = 0.0
        self._tell = tell
        self._clock = clock
        self._measure_for = measure_for
        self._left_halted = False
        self._late_until = 0.0
        self._halted_at = 0.0
        self._halted_for = 0.0
        self._measured_from = 0.0
        self._told = False

    @property
    def held(self) -> bool:
        """Whether the guest stands still and is ours to read."""
        return self.guest is Guest.HELD

    @property
    def may_burst(self) -> bool:
        """Whether an interrupt can have no other stop than its own."""
        return self.guest is Guest.RUNNING and self.counter is None and self.watched is None

    # the connection

    def connected(self) -> None:
        """Connecting has halted the guest, with or without a word about it."""
        self.guest = Guest.HELD
        self.foreign = self._left_halted
        self.let_go = False
        self._late_until = 0.0
        self._halted_at = self._measured_from = self._clock()
        self._halted_for = 0.0

    def greeted(self, stop: rsp.Stop, *, was_running: bool) -> None:
        """The stub has said why the guest is halted; *was_running* tells that we did it."""
        _check_alive(stop)
        if was_running:
            self.foreign = False
        elif not self.foreign:
            self._tell("was halted", "the guest was halted when lowhalf connected: it is let go")

    def parting(self) -> bool:
        """The connection is to end: whether the guest is to be let go for good.

        That may be said once: a second time would halt a guest that the first has let go.
        """
        self.let_go = True
        return not self.foreign

    def closed(self, *, parted: bool) -> None:
        """The connection has ended; *parted* tells whether the stub was there to the end."""
        self._left_halted = parted and self.foreign
        self.foreign = False
        self.guest = Guest.RUNNING
        self.watched = None

    # stops

    def interrupting(self) -> bool:
        """The guest is to stop: whether it has to be interrupted, and does not stop already."""
        if self.guest is not Guest.RUNNING:
            return False
        self.guest = Guest.STOPPING
        self._halted_at = self._clock()
        return True

    def stopped(self, stop: rsp.Stop) -> bool:
        """A stop that was waited for; whether it came at the watchpoint."""
        _check_alive(stop)
        self.guest = Guest.HELD
        if self._at_frame(stop):
            self._late_until = self._clock() + LATE
            return True
        if stop.signal not in INTERRUPT_SIGNALS:
            self._others(stop)
        return False

    def stopped_at_once(self, stop: rsp.Stop) -> bool:
        """A stop behind an interrupt: whether it is the interrupt's own.  Others are kept."""
        if stop.ended or stop.signal not in INTERRUPT_SIGNALS:
            return False
        self.guest = Guest.HELD
        return True

    def stopped_unasked(self, stop: rsp.Stop) -> bool:
        """A stop that nobody here has asked for; whether it came at the watchpoint."""
        _check_alive(stop)
        if self._at_frame(stop):
            self._goes_on()
            self._hold()
            return True
        if stop.early:
            # others had let it go already: our word for that has halted it
            self._hold()
            return False
        if self._clock() < self._late_until and stop.signal in INTERRUPT_SIGNALS:
            # our interrupt, which had crossed a stop at the watchpoint
            self._late_until = 0.0
            self._hold()
        else:
            self.guest = Guest.HELD_BY_OTHERS
            self._others(stop)
        return False

    def probed(self, stops: Sequence[rsp.Stop], began: float) -> bool:
        """A guest that others hold was sent a byte at *began*; whether it is at the watchpoint.

        A stop tells that it ran: then it is halted now, and by us.
        """
        self.guest = Guest.HELD
        if not stops:
            return False
        _check_alive(stops[-1])
        self._goes_on()
        self._halted_at = began
        return self._at_frame(stops[-1])

    def taken_over(self, stop: rsp.Stop) -> bool:
        """A stop has come while the guest was held; whether it was at the watchpoint.

        Others have let it go, whoever had halted it, and what was being asked has halted it: so it
        is ours to let go.
        """
        _check_alive(stop)
        self._goes_on()
        self._hold()
        return self._at_frame(stop)

    def stepping(self) -> None:
        """One instruction has been asked for."""
        self.guest = Guest.STOPPING

    def stepped(self, stop: rsp.Stop) -> None:
        """The instruction is over."""
        _check_alive(stop)
        self.guest = Guest.HELD

    def going_on(self) -> bool:
        """What was to be read has been read: whether the guest is to be let go on."""
        if self.foreign:
            self.guest = Guest.HELD_BY_OTHERS
            return False
        self.guest = Guest.RUNNING
        self._halted_for += self._clock() - self._halted_at
        return True

    # the watchpoint

    @property
    def misplaced(self) -> bool:
        """Whether the stub has another watchpoint than the wanted one."""
        return self.watched != self.counter

    def want(self, counter: Watchpoint | None) -> None:
        """Have the guest stop at each write to *counter*, or at none."""
        self.counter = counter

    def removing(self) -> Watchpoint | None:
        """The watchpoint that the stub has, which is to be taken away."""
        watched, self.watched = self.watched, None
        return watched

    def setting(self) -> Watchpoint | None:
        """The watchpoint that is to be set; None where none is wanted."""
        self.watched = self.counter
        return self.counter

    def refused(self) -> None:
        """The stub does not set watchpoints."""
        self.counter = self.watched = None

    def lost_watchpoint(self) -> None:
        """The stub has been asked something that makes some forget their watchpoints."""
        self.watched = None

    # how much of its time

    def measure(self) -> None:
        """Say where halting takes much of the guest's time; to be asked after each halt."""
        now = self._clock()
        elapsed = now - self._measured_from
        if elapsed < self._measure_for:
            return
        self.taken = self._halted_for / elapsed
        self._measured_from, self._halted_for = now, 0.0
        if not self._told and self.taken > TOO_MUCH:
            self._told = True
            self._tell(
                "takes much",
                f"halting takes {self.taken:.0%} of the guest's time: watch less, lower the rate, "
                "or read it by shared, push or process",
            )
        elif self._told and self.taken < MUCH_LESS:
            self._told = False
            self._tell("takes less", f"halting takes {self.taken:.0%} of the guest's time now")

    def _hold(self) -> None:
        self.guest = Guest.HELD
        self._halted_at = self._clock()

    def _at_frame(self, stop: rsp.Stop) -> bool:
        return self.watched is not None and stop.at_watchpoint

    def _others(self, stop: rsp.Stop) -> None:
        if not self.foreign:
            self._tell(
                "halted",
                f"the guest was halted by something else (signal {stop.signal}): it is read as it "
                "stands, and goes on when that lets it",
            )
        self.foreign = True

    def _goes_on(self) -> None:
        """The guest has been seen to run again."""
        if self.foreign:
            self._tell("goes on", "the guest goes on")
        self.foreign = False


def _check_alive(stop: rsp.Stop) -> None:
    if stop.ended:
        raise GuestEnded
