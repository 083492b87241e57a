"""By the convention's sentences, against what others do and what a broker refuses.

The sentences are those of the Homie convention 5.0.0, in our words, with the section they are from;
the broker is mosquitto, with its own access lists, and the others are mosquitto_pub.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import psutil
import pytest

from adapters.outputs.mqtt.homie_practice import PracticeTopics
from adapters.outputs.mqtt.timing import Timing
from bridge.practice.progress import Practice
from bridge.readings.reading import Reading, Watch
from bridge.values import target
from bridge.values.status import Status
from bridge.values.value_type import FLOAT, TEXT
from tests.adapters.mosquitto import (
    Listener,
    Mosquitto,
    needs_clients,
    needs_mosquitto,
    program,
    retained,
    until,
)
from tests.adapters.mqtt_desk import DESCRIPTION, HP, QUICK, ROOT, STATE, desk

EAST = Watch("east", "East", "east", FLOAT, target=target.near(120.0, 0.5, FLOAT))
BOTH = PracticeTopics(steps=True, attempts=True)
MARK = b"\xef\xbb\xbf"


@pytest.fixture
def stopped(tmp_path: Path) -> Iterator[Mosquitto]:
    broker = Mosquitto(tmp_path)
    yield broker
    broker.thaw()
    broker.kill()


@pytest.fixture
def broker(stopped: Mosquitto) -> Mosquitto:
    stopped.start()
    return stopped


async def publish(broker: Mosquitto, topic: str, payload: bytes, *, retain: bool = True) -> None:
    """Another client publishes."""
    command = [program("mosquitto_pub"), "-p", str(broker.port), "-V", "5", "-q", "1", "-t", topic]
    command += ["-n"] if not payload else ["-s"]
    command += ["-r"] if retain else []
    process = await asyncio.create_subprocess_exec(*command, stdin=asyncio.subprocess.PIPE)
    await process.communicate(payload)
    assert process.returncode == 0


def described(description: bytes) -> set[str]:
    """The topics of the retained properties in a description."""
    nodes = json.loads(description)["nodes"]
    return {
        f"{ROOT}/{node}/{name}"
        for node, about in nodes.items()
        for name, property in about["properties"].items()
        if property.get("retained", True)
    }


@needs_mosquitto
@needs_clients
async def test_whenever_it_is_ready_each_described_property_has_a_value(
    broker: Mosquitto,
) -> None:
    """ "Device Lifecycle": a device is ready once it has sent its attributes, nodes and properties,
    and their values.
    """

    def holds(listener: Listener) -> None:
        held: dict[str, bytes] = {}
        ready = 0
        for message in listener.heard:
            held[message.topic] = message.payload
            if message.topic == STATE and message.payload == b"ready":
                ready += 1
                without = {topic for topic in described(held[DESCRIPTION]) if not held.get(topic)}
                assert not without
        assert ready

    async with (
        Listener(broker.port, broker=broker) as listener,
        desk(broker, HP, EAST, practice=BOTH) as running,
    ):
        await running.connected()
        # There is no frame yet: neither values, nor a distance, nor a rate.
        first = described(listener.newest(DESCRIPTION) or b"")
        assert f"{ROOT}/hp/status" in first
        assert not first & {
            f"{ROOT}/hp/value",
            f"{ROOT}/east/value",
            f"{ROOT}/east/distance",
            f"{ROOT}/practice/rate",
        }
        held = Reading(HP, Status.NULL, reason="courier.held is null")
        running.show(held, Reading(EAST, Status.OK, 100.0), practice=Practice())
        east = {f"{ROOT}/east/value", f"{ROOT}/east/distance"}
        await until(lambda: east <= described(listener.newest(DESCRIPTION) or b""), 10, "east")
        await until(lambda: listener.newest(STATE) == b"ready", 10, "ready")
        assert f"{ROOT}/hp/value" not in described(listener.newest(DESCRIPTION) or b"")
        running.show(Reading(HP, Status.OK, 73), Reading(EAST, Status.OK, 100.0))
        await until(lambda: listener.newest(f"{ROOT}/hp/value") == b"73", 10, "the value")
        await until(lambda: listener.newest(f"{ROOT}/hp/status") == b"ok", 10, "the status")
        await until(lambda: listener.newest(STATE) == b"ready", 10, "ready")
        holds(listener)
        # The same of a broker that has forgotten everything, while there is no value.
        running.show(held, Reading(EAST, Status.OFFLINE, 100.0))
        await until(lambda: listener.newest(f"{ROOT}/hp/status") == b"null", 10, "null")
        broker.kill()
        before = broker.log.count("homie/5/# (QoS")
        broker.start()
        async with Listener(broker.port) as second:
            await until(lambda: broker.log.count("homie/5/# (QoS") > before, 10, "the listener")
            await running.connected(10, times=2)
            await until(lambda: second.newest(STATE) == b"ready", 10, "ready")
            now = {message.topic: message.payload for message in second.heard}
            assert now[f"{ROOT}/hp/value"] == b"73"
            assert now[f"{ROOT}/hp/status"] == b"null"
            assert described(now[DESCRIPTION]) <= {topic for topic, value in now.items() if value}


@needs_mosquitto
@needs_clients
async def test_a_target_of_which_nothing_is_known_says_so_at_once(broker: Mosquitto) -> None:
    """ "Enum": a payload is one of the format's.  "Device reconfiguration": no bytes delete."""
    node = f"{ROOT}/east"
    async with (
        Listener(broker.port, broker=broker) as listener,
        desk(broker, EAST) as running,
    ):
        await running.connected()
        assert listener.newest(f"{node}/target") == b"unknown"
        for gone, status in (
            (Reading(EAST, Status.NULL, reason="courier.held is null"), b"null"),
            (Reading(EAST, Status.OFFLINE, 120.25), b"offline"),
            (Reading(EAST, Status.OK, math.nan), b"error"),
        ):
            running.show(Reading(EAST, Status.OK, 120.25))
            await until(lambda: listener.newest(f"{node}/target") == b"hit", 10, "hit")
            await until(lambda: listener.newest(f"{node}/distance") == b"-0.25", 10, "distance")
            running.show(gone)
            await until(lambda s=status: listener.newest(f"{node}/status") == s, 10, "status")  # type: ignore[misc]
            # It is said before the status is.
            assert listener.newest(f"{node}/target") == b"unknown"
            assert listener.newest(f"{node}/distance") == b""
        held = await retained(broker.port)
        assert f"{node}/distance" not in held
        assert held[f"{node}/target"] == b"unknown"
        nodes = json.loads(held[DESCRIPTION])["nodes"]
        assert nodes["east"]["properties"]["target"]["format"] == "hit,miss,unknown"


@needs_mosquitto
@needs_clients
async def test_no_payload_has_a_byte_order_mark(broker: Mosquitto) -> None:
    """ "Payloads": a message must not include the byte order mark of UTF-8."""
    marked = Watch("note", "\ufeffNote", "note", TEXT)
    async with (
        Listener(broker.port, broker=broker) as listener,
        desk(broker, marked, practice=BOTH) as running,
    ):
        await running.connected()
        running.show(
            Reading(marked, Status.OK, "\ufeffdawn\ufeff"),
            practice=Practice(hint="\ufeffhalf a turn", step="\ufeff"),
        )
        await until(lambda: listener.newest(f"{ROOT}/note/status") == b"ok", 10, "ok")
        await until(lambda: listener.newest(f"{ROOT}/bridge/frame"), 10, "frame")
        running.show(note="\ufeffgone")
        await until(lambda: listener.newest(f"{ROOT}/$alert/source") == b"gone", 10, "alert")
        assert not [message for message in listener.heard if MARK in message.payload]
        assert listener.newest(f"{ROOT}/note/value") == b"dawn"
        assert b"half a turn" in listener.payloads(f"{ROOT}/practice/hint")
        # "Empty string values": one zero byte.
        assert set(listener.payloads(f"{ROOT}/practice/step")) == {b"\0"}
        frame = json.loads(listener.payloads(f"{ROOT}/bridge/frame")[0])
        assert frame["values"] == {"note": "\ufeffdawn\ufeff"}
        assert json.loads(listener.newest(DESCRIPTION) or b"")["nodes"]["note"]["name"] == (
            "\ufeffNote"
        )


@needs_mosquitto
@needs_clients
async def test_what_another_writes_under_the_device_is_put_right(broker: Mosquitto) -> None:
    """ "Device Lifecycle" and "Device reconfiguration": what is under a device is the device's, and
    what is not described is deleted.
    """
    async with (
        Listener(broker.port, broker=broker) as listener,
        desk(broker, HP, EAST) as running,
    ):
        running.show(Reading(HP, Status.OK, 73), Reading(EAST, Status.OK, 100.0))
        await running.connected()
        await until(lambda: listener.newest(f"{ROOT}/east/status") == b"ok", 10, "ok")
        before = await retained(broker.port)
        ghosts = (f"{ROOT}/ghost/value", f"{ROOT}/$alert/other", f"{ROOT}/bridge/frame")
        changes = {
            f"{ROOT}/hp/value": b"99",
            f"{ROOT}/hp/status": b"",
            f"{ROOT}/east/target": b"hit",
            STATE: b"sleeping",
            **dict.fromkeys(ghosts, b"boo"),
        }
        for topic, payload in changes.items():
            await publish(broker, topic, payload)
            await until(lambda t=topic, p=payload: p in listener.payloads(t), 10, "written")  # type: ignore[misc]
            right = before.get(topic, b"")
            await until(
                lambda t=topic, r=right: listener.newest(t) == r,  # type: ignore[misc]
                10,
                f"{topic} put right",
            )
        # Its own device is not the only one there.
        await publish(broker, "homie/5/another/ghost/value", b"boo")
        assert await retained(broker.port) == before | {"homie/5/another/ghost/value": b"boo"}
        assert len(running.log.lines) == 1


@needs_mosquitto
@needs_clients
async def test_a_description_that_another_changed_is_changed_back_in_init(
    broker: Mosquitto,
) -> None:
    """ "Device Attributes": a description changes only in init, disconnected or lost, and then has
    another version.
    """
    async with (
        Listener(broker.port, broker=broker) as listener,
        desk(broker) as running,
    ):
        running.hp(73)
        await running.connected()
        await until(lambda: listener.newest(f"{ROOT}/hp/value") == b"73", 10, "the value")
        await until(lambda: listener.newest(STATE) == b"ready", 10, "ready")
        own = json.loads(listener.newest(DESCRIPTION) or b"")
        foreign = {"homie": "5.0", "version": own["version"] + 10, "name": "ghost", "nodes": {}}
        count = len(listener.heard)
        await publish(broker, DESCRIPTION, json.dumps(foreign).encode())

        def back() -> bool:
            payload = listener.newest(DESCRIPTION)
            return bool(json.loads(payload or b"{}").get("name") == "desk")

        await until(lambda: len(listener.payloads(DESCRIPTION)) > 1 and back(), 10, "back")
        await until(lambda: listener.newest(STATE) == b"ready", 10, "ready")
        healed = json.loads(listener.newest(DESCRIPTION) or b"")
        assert healed.pop("version") == own.pop("version") + 11
        assert healed == own
        told = [
            (message.topic, message.payload)
            for message in listener.heard[count:]
            if message.topic in (STATE, DESCRIPTION)
        ]
        assert [topic for topic, _ in told[-4:]] == [DESCRIPTION, STATE, DESCRIPTION, STATE]
        assert [told[-3][1], told[-1][1]] == [b"init", b"ready"]
        assert [line for _, line in running.log.lines[1:]] == [
            f"mqtt: 127.0.0.1:{broker.port} has another client that changes {DESCRIPTION}; give "
            "each bridge a device of its own"
        ]


@needs_mosquitto
@needs_clients
async def test_who_keeps_writing_is_told_of_and_answered_once_a_second(broker: Mosquitto) -> None:
    async with (
        Listener(broker.port, broker=broker) as listener,
        desk(broker) as running,
    ):
        running.hp(73)
        await running.connected()
        topic = f"{ROOT}/hp/value"
        await until(lambda: listener.newest(topic) == b"73", 10, "the value")
        for _ in range(40):
            await publish(broker, topic, b"99")
        await until(lambda: listener.newest(topic) == b"73", 10, "put right")
        times = [m.time for m in listener.heard if m.topic == topic and m.payload == b"73"]
        # Messages are heard as they come, and not each at its own time.
        assert len(times) <= 4 + (times[-1] - times[0])
        names = ("hp/value", "hp/text", "hp/status", "bridge/build", "bridge/source")
        for _ in range(4):
            for name in names:
                await publish(broker, f"{ROOT}/{name}", b"99")
            await running.heartbeats(1)
        await until(lambda: len(running.log.lines) > 1, 10, "told")
        assert running.log.lines[1][1] == (
            f"mqtt: 127.0.0.1:{broker.port} has another client that keeps writing under {ROOT}; "
            "give each bridge a device of its own"
        )


@needs_mosquitto
@needs_clients
async def test_a_value_of_another_type_does_not_outlive_its_description(broker: Mosquitto) -> None:
    """ "Payloads": a value is valid for the type that is described."""
    async with desk(broker, Watch("hp", "HP", "hp", TEXT)) as running:
        running.show(Reading(Watch("hp", "HP", "hp", TEXT), Status.OK, "many"))
        await running.connected()
        await asyncio.sleep(0.3)
        assert (await retained(broker.port))[f"{ROOT}/hp/value"] == b"many"
    async with desk(broker, HP) as running:
        await running.connected()
        held = await retained(broker.port)
        assert f"{ROOT}/hp/value" not in held
        assert f"{ROOT}/hp/value" not in described(held[DESCRIPTION])


@needs_mosquitto
@needs_clients
@pytest.mark.parametrize(
    ("rules", "why"),
    [
        (
            [f"write {ROOT}/$state", f"write {ROOT}/bridge/#", f"write {ROOT}/hp/#"],
            "it does not take $description: not authorized",
        ),
        (
            [
                f"readwrite {ROOT}/{name}"
                for name in ("$state", "$description", "bridge/#", "hp/text", "hp/status")
            ],
            "it does not take hp/value: it is not passed on",
        ),
        (
            [f"readwrite {ROOT}/{name}" for name in ("$state", "$description", "bridge/#")],
            "it does not take hp/value and 2 more: it is not passed on",
        ),
        (
            [f"readwrite {ROOT}/bridge/#"],
            "it does not take $state and 1 more: not authorized",
        ),
    ],
    ids=["acknowledged", "not acknowledged", "a whole watch", "nearly all"],
)
async def test_topics_that_the_broker_does_not_take_are_told(
    stopped: Mosquitto, rules: list[str], why: str
) -> None:
    """By PUBACK's reason codes (MQTT 5.0, section 3.4.2.1), and at QoS 0 by what comes back."""
    stopped.allow(*rules)
    stopped.start()
    async with desk(stopped) as running:
        running.hp(73)
        await running.connected(15)
        await until(lambda: "but" in running.output.state, 10, "told")
        assert running.output.state == f"connected to {stopped.url}, but {why}"
        assert (
            f"mqtt: 127.0.0.1:{stopped.port} does not take all that is published under {ROOT}: "
            f"{why}; check its access list"
        ) in [line for _, line in running.log.lines]


@needs_mosquitto
@needs_clients
async def test_a_broker_that_lets_nothing_be_read_is_told(stopped: Mosquitto) -> None:
    stopped.allow(f"write {ROOT}/#")
    stopped.start()
    timing = replace(QUICK, heartbeat=0.3, patience=1.0)
    async with desk(stopped, timing=timing) as running:
        running.hp(73)
        await running.connected(15)
        await until(lambda: len(running.log.lines) > 1, 10, "told")
        assert [line for _, line in running.log.lines[1:]] == [
            f"mqtt: 127.0.0.1:{stopped.port} does not pass on what is published under {ROOT}; its "
            "access list may refuse it"
        ]
        assert running.output.state == f"connected to {stopped.url}"


FLOOD = """
import socket, struct, sys, time

def packet(kind, body):
    length, out = len(body), b""
    while True:
        out += bytes([length & 127 | (128 if length > 127 else 0)])
        length >>= 7
        if not length:
            return bytes([kind]) + out + body

topic = sys.argv[2].encode()
wire = socket.create_connection(("127.0.0.1", int(sys.argv[1])))
wire.sendall(packet(0x10, b"\\0\\4MQTT\\5\\2\\0\\0\\0\\0\\0"))
wire.recv(64)
message = packet(0x30, struct.pack(">H", len(topic)) + topic + b"\\0" + b"x" * int(sys.argv[3]))
many = message * max(1, 60_000 // len(message))
end = time.monotonic() + float(sys.argv[4])
while time.monotonic() < end:
    wire.sendall(many)
"""


@needs_mosquitto
@needs_clients
@pytest.mark.parametrize(
    ("size", "seconds"),
    [
        (4, 2.0),
        (2_000_000, 2.0),
        *(pytest.param(size, 6.0, marks=pytest.mark.full) for size in (4, 200_000, 2_000_000)),
    ],
)
async def test_a_flood_costs_neither_memory_nor_the_broker(
    broker: Mosquitto, size: int, seconds: float
) -> None:
    """Another client writes the state of the device as fast as it can."""
    timing = Timing(longest_retry=0.4, deaf=1.0)
    process = psutil.Process()
    async with desk(broker, timing=timing) as running:
        running.feed()
        await running.connected()
        await asyncio.sleep(0.5)
        memory, frames = process.memory_info().rss, running.output.skipped
        used, number = sum(process.cpu_times()[:2]), running.number
        flood = await asyncio.create_subprocess_exec(
            *(sys.executable, "-c", FLOOD, str(broker.port), STATE, str(size), str(seconds))
        )
        try:
            most = 0
            while flood.returncode is None:
                most = max(most, process.memory_info().rss - memory)
                await asyncio.sleep(0.05)
        finally:
            with contextlib.suppress(ProcessLookupError):
                flood.kill()
            await flood.wait()
        used = sum(process.cpu_times()[:2]) - used
        assert most < 24 << 20
        # It neither ate a core nor lost the broker, and the frames went on.
        assert used < 0.2 + 0.6 * seconds, used
        assert running.number - number > 16 * seconds
        assert not running.log.find("lost")
        if size < 1_000_000:
            (line,) = [line for _, line in running.log.lines if "flood" in line]
            assert line == (
                f"mqtt: 127.0.0.1:{broker.port} lets another client flood {ROOT}; what comes in "
                "there is not looked at for 1 s at a time; give each bridge a device of its own"
            )
        assert running.output.skipped - frames < 100
        await running.heartbeats(1)
        # And once it is over, all is right again.
        async with Listener(broker.port) as listener:
            await until(lambda: listener.newest(STATE) == b"ready", 30, "ready")
