"""The clock of the daemon is the system's, and waits as long as it says."""

from __future__ import annotations

import asyncio
import gc
import time

import pytest

from adapters.system_clock import SystemClock, system_clock


@pytest.mark.posix("has its clocks by clock_gettime")
def test_its_seconds_are_those_of_the_system_with_all_suspensions() -> None:
    # clock_gettime(2): CLOCK_BOOTTIME is CLOCK_MONOTONIC and the time in which it was suspended
    boot = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
    before = time.clock_gettime(boot)
    now = SystemClock().now()
    assert before <= now <= time.clock_gettime(boot)


def test_its_time_of_day_is_the_systems() -> None:
    before = time.time()
    assert before <= SystemClock().time_of_day() <= time.time()


def test_its_processor_time_stands_while_the_thread_sleeps() -> None:
    clock = system_clock()
    before, began = clock.processor_time(), clock.now()
    time.sleep(0.05)
    slept, passed = clock.processor_time() - before, clock.now() - began
    assert passed > 0.049  # seconds of a clock have no exact differences
    assert slept < passed / 2
    while clock.processor_time() - before < slept + 0.01:
        """It goes on where something is done."""


def test_pythons_own_housekeeping_is_nobodys_work() -> None:
    clock, many = system_clock(), [[number] for number in range(1_000_000)]
    before, began = clock.processor_time(), time.thread_time()
    gc.collect()
    counted, taken = clock.processor_time() - before, time.thread_time() - began
    assert len(many) == 1_000_000
    assert 0 <= counted < taken / 4


@pytest.mark.parametrize("seconds", [0.0, 0.0004, 0.003])
async def test_it_never_returns_before_the_moment_that_was_waited_for(seconds: float) -> None:
    clock = SystemClock()
    for _ in range(20):
        when = clock.now() + seconds
        await clock.sleep_until(when)
        assert clock.now() >= when
    await clock.sleep_until(when - 1)  # long gone: nothing is waited for


async def test_others_have_their_turn_while_it_waits() -> None:
    clock, turns = SystemClock(), 0

    async def others() -> None:
        nonlocal turns
        while True:
            turns += 1
            await asyncio.sleep(0)

    task = asyncio.create_task(others())
    await clock.sleep(0)
    before = turns
    await clock.sleep_until(clock.now() + 0.001)
    task.cancel()
    assert before > 0
    assert turns > before


async def test_what_takes_longer_than_its_timeout_is_cancelled() -> None:
    with pytest.raises(TimeoutError):
        async with SystemClock().timeout(0.01):
            await asyncio.Event().wait()
    async with SystemClock().timeout(None):
        await asyncio.sleep(0)
