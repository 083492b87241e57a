"""A broker 120 ms away, there and back, and brokers that take little at a time.

The judge of what may be under way is mosquitto, which ends a connection that exceeds what it stated
(MQTT 5.0, section 3.3.4), and a proxy that counts.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.readings.reading import Reading, Watch
from bridge.values.status import Status
from bridge.values.value_type import INTEGER
from tests.adapters.far_away import far_away
from tests.adapters.mosquitto import (
    Listener,
    Mosquitto,
    needs_clients,
    needs_mosquitto,
    retained,
    until,
)
from tests.adapters.mqtt_desk import ROOT, STATE, desk

FORTY = [Watch(f"w{n}", "", "w", INTEGER) for n in range(40)]


@pytest.fixture
def stopped(tmp_path: Path) -> Iterator[Mosquitto]:
    broker = Mosquitto(tmp_path)
    yield broker
    broker.kill()


def forty(number: int) -> list[Reading]:
    return [Reading(watch, Status.OK, number) for watch in FORTY]


@needs_mosquitto
@needs_clients
async def test_forty_watches_are_ready_at_once_and_keep_their_rate(stopped: Mosquitto) -> None:
    stopped.start()
    async with (
        Listener(stopped.port, broker=stopped) as listener,
        far_away(stopped.port) as far,
        desk(far, *FORTY) as running,
    ):
        running.show(*forty(0))
        await until(lambda: listener.newest(STATE) == b"ready", 20, "ready")
        times = [message.time for message in listener.heard if message.topic == STATE]
        assert times[1] - times[0] <= 2
        await running.connected(20)
        # Each tenth of a second in which a new value came can bring each watch a new message.
        tenths, began, last = set(), time.monotonic(), 0
        while time.monotonic() - began < 4:
            last += 1
            running.show(*forty(last))
            tenths.add(int((time.monotonic() - began) * 10))
            await asyncio.sleep(1 / 60)
        await until(
            lambda: all(listener.newest(f"{ROOT}/w{n}/value") == b"%d" % last for n in range(40)),
            10,
            "the last value of each",
        )
        for number in range(40):
            values = listener.payloads(f"{ROOT}/w{number}/value")
            assert 0.8 * len(tenths) <= len(values) <= len(tenths) + 4
            assert [int(value) for value in values] == sorted(map(int, values))
        assert running.slowest < 0.05
        assert len(running.log.lines) == 1


@needs_mosquitto
@needs_clients
@pytest.mark.parametrize("most", [1, 3])
async def test_no_more_is_under_way_than_the_broker_states(stopped: Mosquitto, most: int) -> None:
    stopped.settings.append(f"max_inflight_messages {most}")
    stopped.start()
    async with far_away(stopped.port, 0.02) as far, desk(far, *FORTY) as running:
        await running.connected(20)
        for number in range(30):
            running.show(*forty(number), note="gone" if number % 2 else "")
            await asyncio.sleep(0.05)
        await asyncio.sleep(0.5)
        held = await retained(stopped.port)
        assert held[STATE] == b"ready"
        assert held[f"{ROOT}/w39/status"] == b"offline"
        assert len(running.log.lines) == 1
        assert 1 <= far.most_under_way <= most


@needs_mosquitto
async def test_a_slow_broker_is_not_told_as_one_that_refuses(stopped: Mosquitto) -> None:
    """Each answer takes nearly as long as is waited for."""
    stopped.start()
    async with far_away(stopped.port, 0.8) as far, desk(far) as running:
        await running.connected(60)
        running.hp(73)
        await asyncio.sleep(4)
        assert [line for _, line in running.log.lines] == [
            f"mqtt: connected to 127.0.0.1:{far.port} as {ROOT}"
        ]
        assert running.output.state == f"connected to {far.url}"


@needs_mosquitto
async def test_a_broker_slower_than_that_is_told_as_slow(stopped: Mosquitto) -> None:
    stopped.start()
    async with far_away(stopped.port, 1.5) as far, desk(far) as running:
        await until(lambda: running.log.lines, 30, "a line")
        assert running.log.lines[0][1] == (
            f"mqtt: no broker at 127.0.0.1:{far.port}: no answer within 2 s; trying again"
        )
