"""Waiting takes no time, work and other processes take theirs."""

from __future__ import annotations

import asyncio
import socket
import threading
import time

from tests.virtual_clock import SetClock, SkippedClock, VirtualClock, VirtualLoop
from tests.virtual_time import VirtualTime


def test_an_hour_of_waiting_takes_no_time() -> None:
    clock = VirtualTime()

    async def wait() -> tuple[float, float]:
        began, began_wall = time.monotonic(), time.time()
        await asyncio.sleep(3600)
        return time.monotonic() - began, time.time() - began_wall

    used = time.process_time()
    with asyncio.Runner(loop_factory=clock.loop) as runner, clock.installed():
        passed, passed_wall = runner.run(wait())
    # seconds of a clock have no exact differences
    assert 3599.9 < passed < 3700
    assert 3599.9 < passed_wall < 3700
    assert time.process_time() - used < 5


def test_timers_come_in_their_order() -> None:
    clock = VirtualTime()
    order: list[int] = []

    async def after(seconds: int) -> None:
        await asyncio.sleep(seconds)
        order.append(seconds)

    async def wait() -> None:
        await asyncio.gather(*(after(seconds) for seconds in (500, 3, 86_400, 40)))

    with asyncio.Runner(loop_factory=clock.loop) as runner, clock.installed():
        runner.run(wait())
    assert order == [3, 40, 500, 86_400]


def test_what_another_sends_is_waited_for_where_time_is_held() -> None:
    clock = VirtualTime()

    async def wait() -> tuple[bytes, float]:
        ours, theirs = socket.socketpair()
        with ours, theirs:
            ours.setblocking(False)
            sender = threading.Timer(0.2, theirs.sendall, [b"oil"])
            sender.start()
            began = time.monotonic()
            with clock.held():
                async with asyncio.timeout(1000):
                    got = await asyncio.get_running_loop().sock_recv(ours, 16)
            sender.join()
            return got, time.monotonic() - began

    with asyncio.Runner(loop_factory=clock.loop) as runner, clock.installed():
        got, passed = runner.run(wait())
    assert got == b"oil"
    assert passed < 900


def test_the_clocks_are_the_systems_own_afterwards() -> None:
    before = time.monotonic, time.time, time.sleep
    with VirtualTime().installed():
        assert time.monotonic is not before[0]
    assert (time.monotonic, time.time, time.sleep) == before


def test_on_a_virtual_loop_a_day_passes_to_the_second() -> None:
    clock = VirtualClock()
    seen: list[tuple[str, float]] = []

    async def beat() -> None:
        while True:
            await clock.sleep(3600)
            seen.append(("beat", clock.now()))

    async def wait() -> None:
        task = asyncio.create_task(beat())
        await clock.sleep_until(86_400 - 1)
        seen.append(("day", clock.now()))
        task.cancel()

    used = time.process_time()
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        runner.run(wait())
    assert seen == [*(("beat", 3600.0 * hour) for hour in range(1, 24)), ("day", 86_399.0)]
    assert time.process_time() - used < 5


def test_computing_takes_no_virtual_time() -> None:
    async def work() -> float:
        clock = VirtualClock()
        began = clock.now()
        sum(range(100_000))
        await asyncio.sleep(0)
        return clock.now() - began

    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        assert runner.run(work()) == 0.0


def test_on_a_virtual_loop_timeouts_are_virtual_too() -> None:
    async def wait() -> float:
        clock = VirtualClock()
        try:
            async with clock.timeout(1000):
                await asyncio.Event().wait()
        except TimeoutError:
            return clock.now()
        raise AssertionError("the event came")

    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        assert runner.run(wait()) == 1000.0


def test_a_clock_that_is_set_stands_while_the_loop_waits() -> None:
    async def wait() -> tuple[float, float, float]:
        clock = SetClock(50.0, 1000.0)
        await clock.sleep_until(53.0)
        return clock.now(), clock.time_of_day(), asyncio.get_running_loop().time()

    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        assert runner.run(wait()) == (50.0, 1000.0, 3.0)


async def test_what_is_skipped_need_not_be_waited_for() -> None:
    clock = SkippedClock()
    began = clock.now()
    sleeper = asyncio.create_task(clock.sleep(1000))
    while not clock.sleeps:  # noqa: ASYNC110
        await asyncio.sleep(0)
    clock.skip(400)
    await asyncio.sleep(0.01)
    assert not sleeper.done()
    clock.skip(600)
    async with asyncio.timeout(60):
        await sleeper
    assert 1000 <= clock.now() - began < 1060


async def test_a_timeout_is_over_once_it_is_skipped_and_not_before() -> None:
    clock = SkippedClock()

    async def wait() -> str:
        try:
            async with clock.timeout(1000):
                await asyncio.Event().wait()
        except TimeoutError:
            return "over"
        return ""

    waiting = asyncio.create_task(wait())
    await asyncio.sleep(0.01)
    assert not waiting.done()
    clock.skip(1000)
    async with asyncio.timeout(60):
        assert await waiting == "over"
    async with clock.timeout(1000), clock.timeout(None):
        await clock.sleep(0)
    await asyncio.sleep(0)
    assert len(asyncio.all_tasks()) == 1, "what ended in time leaves nothing behind"
