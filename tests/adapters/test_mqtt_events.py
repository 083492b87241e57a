"""Attempts that end, as events on MQTT: each once, in order, whatever becomes of the broker.

The broker is mosquitto and the receiver mosquitto_sub; QoS 1 is MQTT 5.0, section 4.3.2.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from adapters.outputs.mqtt.homie_practice import PracticeTopics, event_payload
from adapters.outputs.mqtt.outbox import MAX_EVENTS, Events
from bridge.practice.attempts import Attempt, Outcome
from bridge.practice.progress import MAX_RECENT, Practice
from bridge.practice.steps import StepOutcome, StepResult
from bridge.practice.windows import Window
from tests.adapters.mosquitto import (
    Listener,
    Mosquitto,
    needs_clients,
    needs_mosquitto,
    retained,
    until,
)
from tests.adapters.mqtt_desk import QUICK, ROOT, Desk, desk

EVENT = f"{ROOT}/practice/event"
BOTH = PracticeTopics(steps=True, attempts=True)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    broker = Mosquitto(tmp_path)
    broker.start()
    yield broker
    broker.thaw()
    broker.kill()


def success(number: int) -> Attempt:
    return Attempt(
        number, "export", 100, 1_764_227_000.0, Outcome.SUCCESS, frames=312, seconds=10.4
    )


LATE = StepResult(
    *("turn", StepOutcome.FAILED, 0, 40, 1.3, 39), timing=Window(11, 14).judge(17, unsure=1)
)


def end(running: Desk, practice: Practice, *numbers: int) -> Practice:
    """Frames of which the last one is the first that is shown after *numbers* have ended."""
    for number in numbers:
        practice = practice.with_ended(success(number))
    running.show(practice=practice)
    return practice


def numbers(listener: Listener) -> list[int]:
    return [json.loads(payload)["attempt"] for payload in listener.payloads(EVENT)]


@pytest.mark.parametrize(
    ("attempt", "expected"),
    [
        (
            success(7),
            {
                "attempt": 7,
                "outcome": "success",
                "step": None,
                "frames": 312,
                "seconds": 10.4,
                "time": 1_764_227_010.4,
                "whole": None,
                "timing": None,
            },
        ),
        (
            replace(
                success(8), outcome=Outcome.FAILED, step="turn", frames_seen=311, steps=(LATE,)
            ),
            {
                "attempt": 8,
                "outcome": "failed",
                "step": "turn",
                "frames": 312,
                "seconds": 10.4,
                "time": 1_764_227_010.4,
                "whole": False,
                "timing": {
                    "step": "turn",
                    "verdict": "late",
                    "by": 3,
                    "frames": 17,
                    "window": [11, 14],
                    "unsure": 1,
                },
            },
        ),
        (
            Attempt(0, "export", 100, 50.0, Outcome.SUCCESS, frames=9, frames_seen=9),
            {
                "attempt": 0,
                "outcome": "success",
                "step": None,
                "frames": 9,
                "seconds": None,
                "time": 50.0,
                "whole": True,
                "timing": None,
            },
        ),
    ],
    ids=["success", "failed, with a gap", "a way without attempts"],
)
def test_what_an_event_says(attempt: Attempt, expected: dict[str, Any]) -> None:
    assert json.loads(event_payload(attempt)) == expected


def test_what_ended_is_counted_and_the_newest_are_kept() -> None:
    practice = Practice(last=success(3))
    assert (practice.ended, practice.recent) == (0, ())
    for number in range(4, 4 + MAX_RECENT + 2):
        practice = practice.with_ended(success(number))
    assert practice.last == success(5 + MAX_RECENT)
    assert practice.ended == MAX_RECENT + 2
    assert [attempt.number for attempt in practice.recent] == list(range(6, 6 + MAX_RECENT))


def test_a_queue_that_is_full_counts_the_oldest_as_dropped() -> None:
    events, practice = Events(), Practice()
    for number in range(1, MAX_EVENTS + 45):
        practice = practice.with_ended(success(number))
        assert events.take(practice)
        assert not events.take(practice)
    assert [attempt.number for attempt in events.waiting] == list(range(45, MAX_EVENTS + 45))
    assert events.dropped == 44
    oldest = events.waiting[0]
    for number in range(MAX_RECENT + 5):
        practice = practice.with_ended(success(1000 + number))
    assert events.take(practice)
    # Five were more than a frame tells, and as many as it tells had no room.
    assert events.dropped == 44 + 5 + MAX_RECENT
    # One that was on its way when it lost its place has come all the same.
    events.sent(oldest)
    assert events.dropped == 44 + 5 + MAX_RECENT - 1


@needs_mosquitto
@needs_clients
async def test_equal_attempts_are_an_event_each(broker: Mosquitto) -> None:
    """Also where several end between two looks, or a frame is shown again."""
    async with (
        Listener(broker.port, broker=broker) as listener,
        desk(broker, practice=BOTH) as running,
    ):
        # What is known from an earlier day is no event.
        running.show(practice=Practice(last=success(3)))
        await running.connected()
        practice = end(running, Practice(last=success(3)), 4)
        practice = end(running, practice)
        practice = end(running, practice, 5, 6, 7)
        running.show(note="the source is gone", practice=practice)
        practice = end(running, practice, 8)
        for number in (9, 10):
            practice = end(running, practice, number)
            await asyncio.sleep(0.3)
        await until(lambda: len(numbers(listener)) == 7, 10, "seven events")
        await running.heartbeats(2)
        assert numbers(listener) == [4, 5, 6, 7, 8, 9, 10]
        events = [message for message in listener.heard if message.topic == EVENT]
        assert {(message.qos, message.retained) for message in events} == {(1, False)}
        held = await retained(broker.port)
        assert EVENT not in held
        assert held[f"{ROOT}/practice/events-dropped"] == b"0"


@needs_mosquitto
@needs_clients
async def test_what_a_broker_had_acknowledged_is_not_sent_to_the_next(broker: Mosquitto) -> None:
    async with (
        Listener(broker.port, broker=broker) as first,
        desk(broker, practice=BOTH) as running,
    ):
        practice = end(running, Practice(), 1, 2)
        await until(lambda: numbers(first) == [1, 2], 10, "two events")
        await asyncio.sleep(0.3)
        # It takes what comes and answers nothing any more.
        broker.freeze()
        practice = end(running, practice, 3)
        practice = end(running, practice, 4, 5)
        await until(lambda: running.log.find("lost"), 10, "noticed")
        broker.kill()
        practice = end(running, practice, 6)
        before = broker.log.count("homie/5/# (QoS")
        broker.start()
        async with Listener(broker.port) as second:
            await until(lambda: broker.log.count("homie/5/# (QoS") > before, 10, "the listener")
            await until(lambda: numbers(second)[-1:] == [6], 20, "the last event")
            await asyncio.sleep(0.5)
            heard = numbers(second)
        assert heard == sorted(set(heard))
        assert set(heard) <= {3, 4, 5, 6}
        assert running.output._outbox.events.dropped == 0


@needs_mosquitto
@needs_clients
async def test_what_ended_without_a_broker_is_sent_when_there_is_one(tmp_path: Path) -> None:
    broker = Mosquitto(tmp_path)
    timing = replace(QUICK, first_retry=1.0, longest_retry=1.0)
    try:
        async with desk(broker, practice=BOTH, timing=timing) as running:
            practice = Practice()
            for number in range(1, MAX_EVENTS + 45):
                practice = end(running, practice, number)
            await until(lambda: running.log.find("no broker"), 10, "no broker")
            broker.start()
            async with Listener(broker.port, broker=broker) as listener:
                await until(lambda: len(numbers(listener)) == MAX_EVENTS, 30, "all events")
                assert numbers(listener) == list(range(45, MAX_EVENTS + 45))
                dropped = f"{ROOT}/practice/events-dropped"
                await until(lambda: listener.newest(dropped) == b"44", 10, "the count")
    finally:
        broker.kill()


@needs_mosquitto
@needs_clients
async def test_what_ends_with_the_daemon_is_told_before_it_goes(broker: Mosquitto) -> None:
    async with (
        Listener(broker.port, broker=broker) as listener,
        desk(broker, practice=BOTH) as running,
    ):
        await running.connected()
        practice = end(running, Practice(), 1)
        await until(lambda: numbers(listener) == [1], 10, "an event")
        await asyncio.sleep(0.3)
        end(running, practice, 2, 3)
        await running.stop()
        await until(lambda: listener.newest(f"{ROOT}/$state") == b"disconnected", 10, "the end")
        assert numbers(listener) == [1, 2, 3]
