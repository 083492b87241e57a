"""When to look for the next frame of a source that does not tell of it."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from bridge.memory.counter import Counter
from bridge.ports.clock import Clock
from bridge.prepared import PreparedBuild
from bridge.sampling.frame_clock import FramePhase
from bridge.sampling.frame_numbers import FrameNumbers
from bridge.sampling.line_fetcher import LineFetcher

__all__ = ["RATE_SLACK", "SamplingPace"]

RATE_SLACK = 0.99
"""A game that is a little faster than the rate (60.1 for 60) is not to lose frames for that."""


class SamplingPace:
    """Waits for frames, *rate* a second at most.

    ``lag`` counts the frames' time that the game has lost, as ``FramePhase`` sees it.
    """

    def __init__(
        self, clock: Clock, rate: float, lines: LineFetcher, numbers: FrameNumbers
    ) -> None:
        self._clock = clock
        self._period = 1 / rate
        self._lines = lines
        self._numbers = numbers
        self._phase = FramePhase(self._period / 8)
        self._next_time = clock.now()

    @property
    def lag(self) -> int:
        return self._phase.lag

    async def by_the_clock(self) -> None:
        """Return when the next frame may be taken."""
        await self._clock.sleep_until(self._next_time)
        self._go_on(self._period)

    async def by_the_counter(
        self, prepared: PreparedBuild, standing: Callable[[], Awaitable[None]]
    ) -> None:
        """Return when the game has ended another frame, as its counter tells.

        *standing* is called after each look in vain.
        """
        counter = prepared.frame
        assert counter is not None
        if prepared.guard is not None and counter == prepared.guard[0]:
            counter = prepared.guard[1]  # the same count, once the frame's work is done
        await self._look_out(counter, standing)
        self._go_on(self._period * RATE_SLACK)

    def _go_on(self, period: float) -> None:
        # a late frame may be followed early by the next, so that the mean rate is kept
        self._next_time = max(self._next_time + period, self._clock.now() - period)

    async def _look_out(self, counter: Counter, standing: Callable[[], Awaitable[None]]) -> None:
        """Until the game's counter has moved on: look often only while that is expected."""
        clock, phase, count = self._clock, self._phase, self._numbers.count
        turn = self._numbers.turn(counter)
        await clock.sleep_until(phase.first_look(max(self._next_time, clock.now())))
        first_look, not_before = clock.now(), None
        # the guest cannot set an event: its memory is all there is to look at
        while True:
            looked = clock.now()
            number = await self._lines.read_counter(counter)
            if number is None or not count.same(number, turn):
                break
            count.still(turn, looked)
            not_before = clock.now()
            await standing()
            await clock.sleep_until(not_before + phase.pause(not_before - first_look))
        if number is not None:
            phase.saw(count.number_of(number, turn), clock.now(), not_before)
