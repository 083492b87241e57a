"""Heap events on MQTT: each once, in order, and how many are left out where there are too many.

The broker is mosquitto and the receiver mosquitto_sub.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from adapters.commands.json_schema import json_schema
from adapters.outputs.mqtt.homie import Device
from adapters.outputs.mqtt.homie_heap import BURST, MAX_WAITING, RATE, HeapEventQueue
from bridge.heap.told_events import MAX_TOLD, EventTeller
from bridge.readings.reading import Watch
from bridge.values.value_type import INTEGER
from schemas.errors import OutputError
from tests.adapters.mosquitto import (
    Listener,
    Mosquitto,
    needs_clients,
    needs_mosquitto,
    retained,
    until,
)
from tests.adapters.mqtt_desk import DESCRIPTION, ROOT, desk
from tests.bridge.test_heap_events import heap_of
from tests.commands.command import Running, lowhalf

EVENT = f"{ROOT}/heap/event"
LEFT_OUT = f"{ROOT}/heap/events-left-out"
SAMPLES = Path(__file__).parents[2] / "sample_dumps"
SCHEMA = SAMPLES.parent / "schemas" / "games" / "tidewright.schema.toml"


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    broker = Mosquitto(tmp_path)
    broker.start()
    yield broker
    broker.thaw()
    broker.kill()


class Story:
    """A heap in which, in each frame, so many blocks are placed behind those that are there."""

    def __init__(self) -> None:
        self.teller = EventTeller()
        self.placed = 0
        self.frame = 100
        self.place(0)

    def place(self, count: int) -> None:
        self.frame += 1
        self.placed += count
        used = {16 * n: ("reed", 16, n) for n in range(self.placed)}
        self.teller.take(self.frame, heap_of(used), numbered=True, unclear=False)


def said(listener: Listener, topic: str = EVENT) -> list[dict[str, Any]]:
    return [json.loads(payload) for payload in listener.payloads(topic)]


def test_a_queue_that_is_full_leaves_the_oldest_out_and_says_so() -> None:
    queue, story = HeapEventQueue(), Story()
    assert not queue.take(story.teller.told)
    story.place(3)
    assert queue.take(story.teller.told)
    assert not queue.take(story.teller.told)
    assert [queue.next().number, queue.next().number] == [1, 2]
    story.place(MAX_TOLD + 40)  # more than a frame tells
    assert queue.take(story.teller.told)
    assert (len(queue), queue.left_out) == (1 + MAX_TOLD, 40)
    story.place(100)
    assert queue.take(story.teller.told)
    assert (len(queue), queue.left_out) == (MAX_WAITING, 40 + 1 + MAX_TOLD + 100 - MAX_WAITING)
    following = [queue.next() for _ in range(MAX_WAITING)]
    assert following[0].number - following[0].left_out == 3
    assert [each.left_out for each in following[1:]] == [0] * (MAX_WAITING - 1)
    assert following[-1].number == story.teller.told.count


def test_a_watch_of_the_same_topic_is_refused() -> None:
    watches = [Watch("heap", "", "heap", INTEGER)]
    assert Device("desk", "desk", watches).heap_events is False
    with pytest.raises(OutputError) as refused:
        Device("desk", "desk", watches, heap_events=True)
    assert str(refused.value) == (
        "mqtt: watch heap has the topic id heap, which is that of the heap's events; rename it"
    )


@needs_mosquitto
@needs_clients
async def test_each_event_is_one_message_and_none_is_retained(broker: Mosquitto) -> None:
    story = Story()
    async with (
        Listener(broker.port, broker=broker) as listener,
        desk(broker, heap_events=True) as running,
    ):
        await running.connected()
        story.place(2)
        running.show(heap_events=story.teller.told)
        running.show(heap_events=story.teller.told)
        story.place(1)
        running.show(heap_events=story.teller.told)
        await until(lambda: len(said(listener)) == 3, 10, "three events")
        await running.heartbeats(2)
        assert said(listener)[0] == {
            "number": 1, "left_out": 0, "since": 101, "frame": 102, "event": "allocated",
            "block": 0, "start": 0x80200000, "size": 16, "owner": "reed", "was": None,
        }  # fmt: skip
        assert [(each["number"], each["frame"]) for each in said(listener)] == [
            *((1, 102), (2, 102), (3, 103))
        ]
        schema = Draft202012Validator(json_schema("sent-heap-event"))
        for each in said(listener):
            schema.validate(each)
        sent = [message for message in listener.heard if message.topic == EVENT]
        assert {(message.qos, message.retained) for message in sent} == {(0, False)}
        held = await retained(broker.port)
        assert EVENT not in held
        assert held[LEFT_OUT] == b"0"
        described = json.loads(held[DESCRIPTION])["nodes"]["heap"]["properties"]
        assert described["event"]["retained"] is False
        assert set(described) == {"event", "events-left-out"}


@needs_mosquitto
@needs_clients
async def test_what_nobody_asked_for_is_not_there(broker: Mosquitto) -> None:
    story = Story()
    async with (
        Listener(broker.port, broker=broker) as listener,
        desk(broker) as running,
    ):
        await running.connected()
        story.place(2)
        running.show(heap_events=story.teller.told)
        await running.heartbeats(2)
        assert said(listener) == []
        assert "heap" not in json.loads((await retained(broker.port))[DESCRIPTION])["nodes"]


@needs_mosquitto
@needs_clients
async def test_a_flood_is_bounded_and_what_is_left_out_is_counted(broker: Mosquitto) -> None:
    """5,000 events in 100 frames.  The clock is the test's: what is due goes out as it passes."""
    story = Story()
    async with (
        Listener(broker.port, broker=broker) as listener,
        desk(broker, heap_events=True) as running,
    ):
        await running.connected()
        for _ in range(100):
            story.place(50)
            running.show(heap_events=story.teller.told)
            await asyncio.sleep(0)
        at_once = running.clock.now()
        await until(lambda: len(said(listener)) >= BURST, 10, "a burst")
        while running.output._outbox.heap_events:
            running.clock.skip(0.25)
            await asyncio.sleep(0.02)
        await until(lambda: said(listener)[-1]["number"] == 5000, 10, "the last event")
        events = said(listener)
        assert len(events) <= BURST + RATE * (running.clock.now() - at_once) + MAX_WAITING
        assert MAX_WAITING <= len(events) < 1000
        # each tells how many are missing right before it, and together that is all
        numbers = [0, *(each["number"] for each in events)]
        jumps = [after - before - 1 for before, after in pairwise(numbers)]
        assert [each["left_out"] for each in events] == jumps
        await running.heartbeats(2)
        left_out = sum(jumps)
        assert left_out == 5000 - len(events)
        await until(lambda: listener.newest(LEFT_OUT) == b"%d" % left_out, 10, "the count")


@needs_mosquitto
@needs_clients
async def test_a_run_publishes_what_the_command_prints_of_the_recording(
    broker: Mosquitto, tmp_path: Path
) -> None:
    """Played over and over, every frame, faster than may be sent: each that comes is the right one
    by its number, and those that do not are counted."""
    path = tmp_path / "desk.bridge.toml"
    path.write_text(
        f"""
schema = {json.dumps(str(SCHEMA))}
[source]
kind = "recording"
path = {json.dumps(str(SAMPLES / "demo.mcap"))}
pace = "all"
repeat = true
[sampling]
frame = "frame_began"
[outputs.mqtt]
url = "{broker.url}"
heap_events = true
""",
        "utf-8",
    )
    # by the same schema: that of the recording knows no identity of an object
    words = ("events", str(SAMPLES / "demo.mcap"), "--bridge", str(path), "--json")
    done = await asyncio.to_thread(lowhalf, *words)
    printed = [json.loads(line) for line in done.stdout.splitlines()]
    async with Listener(broker.port, broker=broker) as listener:
        with Running("run", "--quiet", str(path)):
            await until(lambda: len(said(listener)) >= 2 * len(printed), 60, "two laps")
        events = said(listener)
    before = 0
    for each in events:
        number, left_out, since = (each.pop(key) for key in ("number", "left_out", "since"))
        assert number == before + left_out + 1
        assert each == printed[(number - 1) % len(printed)]
        assert since == each["frame"] - 1
        before = number
