"""One connection to a broker: the device is set up, kept up to date, and healed.

* A subscription to all topics of the device stands for as long as the connection does.  While the
  device is set up it gives back what the broker passes on, so that a topic that it does not take is
  found at QoS 0 as well; then only what others publish comes in ("No Local", MQTT 5.0, section
  3.8.3.1), and is put right.  A will that comes late is among it: the broker publishes it in the
  client's own name, so ``$state`` has a subscription of its own.
* A message at QoS 1 goes out every two seconds, since at QoS 0 a frozen broker accepts everything.
* Whoever floods the device's topics is not listened to for a while.
"""

from __future__ import annotations

import asyncio
import contextlib
import functools
import math
import time
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

import aiomqtt
from paho.mqtt.subscribeoptions import SubscribeOptions

from adapters.outputs.mqtt import homie
from adapters.outputs.mqtt.client import (
    MAX_PACKET_SIZE,
    REFUSED,
    CarefulClient,
    json_properties,
    obey_cancellation,
    reason_words,
)
from adapters.outputs.mqtt.homie_payload import DELETED
from adapters.outputs.mqtt.homie_practice import event_payload
from adapters.outputs.mqtt.outbox import Outbox, under
from bridge.practice.attempts import Attempt
from bridge.readings.frame import Frame
from bridge.readings.reading import Reading

_MOST_MESSAGES: Final = 200
_MOST_BYTES: Final = 1 << 20
"""Of what others publish under the device within a second, before it is a flood."""
_MANY_HEALS: Final = 20
_MOST_LOOKED_FOR: Final = 200
_MOST_RETAINED: Final = 20_000
"""Topics that a broker may hold of the device, before the rest is left alone."""
_SLOWEST_DESCRIPTION: Final = 30.0


_Answer = tuple[str, asyncio.Future[int]]
"""A topic and what is done once the broker, or at QoS 0 the socket, has taken the message."""


@dataclass(frozen=True, slots=True)
class Timing:
    """Times in seconds."""

    heartbeat: float = 2.0
    """Between two messages that the broker must acknowledge."""
    patience: float = 2.0
    """How long the broker may take over anything."""
    farewell: float = 0.4
    """How long the broker may take over the last message, and again over the end."""
    first_retry: float = 0.2
    longest_retry: float = 5.0
    refused_retry: float = 5.0
    """The shortest wait after a refusal; it grows to six times that."""
    look: float = 0.3
    """How long the broker may take to tell whose the device is, where it says nothing else."""
    standby: float = 6.0
    """How long another process must have been silent before its device is taken."""
    deaf: float = 10.0
    """How long who floods the device's topics is not listened to."""


@dataclass(slots=True)
class _Sent:
    """What the connection has published, and what waits for its turn."""

    payloads: dict[str, bytes] = field(default_factory=dict)
    seen: dict[str, Reading] = field(default_factory=dict)
    due: dict[str, float] = field(default_factory=dict)
    described: set[str] = field(default_factory=set)
    described_at: float = float("-inf")
    redescribed: bool = False
    device: homie.Device | None = None


class Session:
    """``claimed`` once this process speaks for the device; ``ready_since`` is when it was ready, on
    the monotonic clock.  *warn* takes a key, under which a thing is said once, and what the broker
    does; *ready* is called once the device is.
    """

    def __init__(
        self,
        client: CarefulClient,
        outbox: Outbox,
        instance: bytes,
        interval: float,
        timing: Timing,
        warn: Callable[[str, str], None],
        ready: Callable[[], None],
    ) -> None:
        self._client = client
        self._outbox = outbox
        self._instance = instance
        self._interval = interval
        self._timing = timing
        self._warn = warn
        self._ready = ready
        self._sent = _Sent()
        # What the broker holds, and what it does not take, by topic and why.
        self._held: set[str] = set()
        self._description: bytes | None = None
        self._refusals: dict[str, str] = {}
        # What comes in: the topics given back while the device is set up, else None.
        self._echoes: set[str] | None = set()
        self._init_heard = asyncio.Event()
        self._ready_heard = asyncio.Event()
        self._messages = self._foreign = self._bytes = 0
        self._since = 0.0
        self._deaf_until: float | None = None
        # What others did to the device, by topic.
        self._doubted: set[str] = set()
        self._healed: dict[str, float] = {}
        self._strange: set[str] = set()
        self._vandals = self._heals = 0
        self._readable = True
        self._beats = 0
        self._sending: Attempt | None = None
        self.claimed = False
        self.ready_since: float | None = None

    @property
    def refused(self) -> str:
        """What the broker does not take, in words; empty where it takes all."""
        if not self._refusals:
            return ""
        topic, why = next(iter(self._refusals.items()))
        name = topic.removeprefix(f"{self._device.root}/")
        count = len(self._refusals)
        return f"it does not take {name}{f' and {count - 1} more' if count > 1 else ''}: {why}"

    @property
    def _device(self) -> homie.Device:
        device = self._outbox.device
        assert device is not None
        return device

    async def run(self) -> None:
        """Until the connection ends, which is raised, or the task is cancelled."""
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._watch())
            tasks.create_task(self._work(tasks))

    async def _watch(self) -> None:
        await self._client.ended()
        raise aiomqtt.MqttError("connection closed")

    async def _work(self, tasks: asyncio.TaskGroup) -> None:
        await self._collect()
        await self._present()
        self.ready_since = time.monotonic()
        self._ready()
        tasks.create_task(self._write_frames())
        tasks.create_task(self._write_events())
        tasks.create_task(self._beat())
        await self._write_topics()

    async def leave(self) -> None:
        """Say that the device goes on purpose, so that the broker does not publish its will.

        What ended with the daemon is told before.
        """
        timing, client = self._timing, self._client
        with contextlib.suppress(aiomqtt.MqttError, OSError):
            answers = []
            for event in self._outbox.events.waiting if self.ready_since is not None else ():
                if event is not self._sending and client.spare > 1:
                    answers.append(self._send_event(event))
            answers.append(client.send(self._device.state, b"disconnected", 1))
            await asyncio.wait(answers, timeout=timing.farewell)
            await client.leave(timing.farewell / 2)

    # Sending.

    def _qos(self, topic: str) -> int:
        """Of a retained topic, at all times: the device's own attributes are acknowledged, and so
        is what tells which process speaks; values are not (see ``adapters.outputs.mqtt.homie``).
        """
        device = self._device
        return int(topic in (device.state, device.description, device.alert, device.instance))

    async def _send(self, topic: str, payload: bytes) -> _Answer:
        """Send what is retained, without waiting for the answer."""
        if self._qos(topic):
            await self._client.room()
            obey_cancellation()
        properties = json_properties() if topic == self._device.description else None
        answer = self._client.send(topic, payload, self._qos(topic), properties=properties)
        if payload:
            self._held.add(topic)
        else:
            self._held.discard(topic)
        return topic, answer

    async def _told(self, answers: Iterable[_Answer]) -> None:
        """Wait for the answers to messages, and keep what was refused."""
        for topic, answer in answers:
            code = await self._client.in_time(answer)
            if code >= REFUSED:
                self._refusals.setdefault(topic, reason_words(code))
            elif self._qos(topic):
                self._refusals.pop(topic, None)

    # Setting up.

    async def _collect(self) -> None:
        """Learn what the broker holds of the device, and say that it is being set up.

        The broker delivers in order: what it held comes before the echo of ``init``.
        """
        device, client = self._device, self._client
        asked = client.subscribe_to(self._back(held=True))
        answers = [
            await self._send(device.state, b"init"),
            await self._send(device.instance, self._instance),
        ]
        self.claimed = True
        (granted,) = await client.granted(asked)
        await self._told(answers)
        if granted >= REFUSED:
            self._readable = False
            self._warn(
                "unreadable",
                f"refuses to tell what it holds under {device.root}: {reason_words(granted)}; what "
                "others leave there stays",
            )
        else:
            self._readable = await self._heard_of(self._init_heard)

    def _back(self, *, held: bool) -> tuple[str, SubscribeOptions]:
        """The subscription that gives all back; *held* asks for what the broker holds, too.

        It is written in another way than that to what others publish: not every broker takes other
        options for a subscription that stands.
        """
        return f"{self._device.root}/+/#", SubscribeOptions(retainHandling=0 if held else 2)

    def _others(self, *, held: bool) -> tuple[str, SubscribeOptions]:
        """The subscription to what others publish; a message says whether it is retained."""
        return f"{self._device.root}/#", SubscribeOptions(
            noLocal=True, retainAsPublished=True, retainHandling=0 if held else 2
        )

    async def _heard_of(self, event: asyncio.Event) -> bool:
        """Wait for an echo of ``$state``, for as long as anything comes in at all."""
        while not event.is_set() and self._deaf_until is None:
            before = self._messages
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(self._timing.patience):
                    await event.wait()
            obey_cancellation()
            if self._messages == before:
                break
        return event.is_set() and self._deaf_until is None

    async def _present(self) -> None:
        """The whole device: ``init``, description, clean-up, every value, ``ready``.

        Nothing is waited for in between, so that all of it takes one way there and back.
        """
        device, outbox, sent = self._device, self._outbox, self._sent
        answers = []
        self._held |= self._strange
        self._echoes = set()
        self._ready_heard.clear()
        if sent.device is not None:
            self._init_heard.clear()
            if self._deaf_until is None:
                self._client.subscribe_to(self._back(held=False))
            answers.append(await self._send(device.state, b"init"))
        values = outbox.payloads(self._instance)
        for topic, payload in outbox.kept.items():
            values.setdefault(topic, payload)
        # What the broker holds of a property that is described alike is a value of it, too.
        left = (device.described_alike(self._description) & self._held) - values.keys()
        described = {topic for topic, payload in values.items() if payload} | left
        described &= device.properties
        # Both count: a broker may forget the description, and who listened to it does not.
        version = device.version_after(self._description, outbox.published, valued=described)
        description = device.describe(version, described)
        self._description = outbox.published = description
        sent.device, sent.described, sent.described_at = device, described, time.monotonic()
        sent.seen.clear()
        sent.due.clear()
        sent.payloads = {topic: payload for topic, payload in values.items() if payload}
        self._doubted.clear()
        self._strange.clear()
        answers.append(await self._send(device.description, description))
        keep = described | {device.state, device.description}
        deleted = {topic for topic, payload in values.items() if not payload}
        for topic in sorted((self._held - keep - sent.payloads.keys()) | deleted):
            if topic in self._held or not self._readable:
                await self._send(topic, DELETED)
        for topic, payload in sent.payloads.items():
            answers.append(await self._send(topic, payload))
            self._remember(topic, payload)
        answers.append(await self._send(device.state, b"ready"))
        await self._told(answers)
        unsaid = "it is not passed on"
        if self._readable and await self._heard_of(self._ready_heard):
            await self._look_again(sent.payloads.keys() - self._echoes)
            for topic in sent.payloads:
                if topic not in self._echoes:
                    self._refusals.setdefault(topic, unsaid)
                elif self._refusals.get(topic) == unsaid:
                    del self._refusals[topic]
        self._echoes = None
        self._say_refusals()
        if self._deaf_until is None:
            await self._listen(held=False)

    async def _look_again(self, missing: Collection[str]) -> None:
        """Ask for what did not come back: at QoS 0 a broker may drop what it has no room for."""
        topics = sorted(missing)[:_MOST_LOOKED_FOR]
        if not topics:
            return
        asked = self._client.subscribe_to(*((topic, SubscribeOptions()) for topic in topics))
        self._ready_heard.clear()
        answer = await self._send(self._device.state, b"ready")
        await self._client.granted(asked)
        await self._told([answer])
        await self._heard_of(self._ready_heard)
        self._client.unsubscribe_from(*topics)

    async def _listen(self, *, held: bool) -> None:
        """From now on hear only what others publish, and what becomes of ``$state``."""
        state = (self._device.state, SubscribeOptions(qos=1, retainHandling=0 if held else 2))
        # What the broker holds is no flood.
        self._since = time.monotonic() + 2
        self._foreign, self._bytes = -len(self._held) - 2, -2 * MAX_PACKET_SIZE
        self._deaf_until = None
        asked = self._client.subscribe_to(self._others(held=held), state)
        self._client.unsubscribe_from(self._back(held=False)[0])
        codes = await self._client.granted(asked)
        if codes[-1] >= REFUSED:
            self._warn(
                "state unreadable",
                f"refuses to tell what becomes of {self._device.state}: "
                f"{reason_words(codes[-1])}; a late end of an earlier connection may stand there",
            )

    def _say_refusals(self) -> None:
        if self._refusals:
            self._warn(
                self.refused,
                f"does not take all that is published under {self._device.root}: {self.refused}; "
                "check its access list",
            )

    def _remember(self, topic: str, payload: bytes) -> None:
        """Keep a value for a broker that forgets it while there is no newer one."""
        if topic in self._device.properties:
            if payload:
                self._outbox.kept[topic] = payload
            else:
                self._outbox.kept.pop(topic, None)

    # What comes in.

    def heard(self, topic: str, payload: bytes, retained: bool) -> None:
        """Take an incoming message at once; nothing of it is queued."""
        device = self._outbox.device
        if device is None or self._deaf_until is not None:
            return
        self._messages += 1
        if self._echoes is not None:
            foreign = self._heard_back(device, self._echoes, topic, payload, retained)
        else:
            foreign = self._heard_of_others(device, topic, payload, retained)
        if not foreign:
            return
        now = time.monotonic()
        if now - self._since >= 1:
            self._since, self._foreign, self._bytes = now, 0, 0
        self._foreign += 1
        self._bytes += len(payload)
        if self._foreign > _MOST_MESSAGES or self._bytes > _MOST_BYTES:
            self._go_deaf(device)
        self._outbox.topics_wait.set()

    def _heard_back(
        self, device: homie.Device, echoes: set[str], topic: str, payload: bytes, retained: bool
    ) -> bool:
        """While the device is set up: what the broker held, and all that is published."""
        if retained:
            if len(self._held) < _MOST_RETAINED and payload:
                self._held.add(topic)
            if topic == device.description:
                self._description = payload
            if payload == self._sent.payloads.get(topic):
                echoes.add(topic)
            return False
        if topic == device.state:
            if payload == b"init":
                self._init_heard.set()
            elif payload == b"ready":
                if self._init_heard.is_set():
                    self._ready_heard.set()
            else:
                if self._ready_heard.is_set():
                    self._doubted.add(topic)
                return True
            return False
        if topic in (device.frame, device.event):
            return False
        if topic == device.description:
            if payload != self._description and self._sent.device is not None:
                self._doubted.add(topic)
                return True
            return False
        own = self._sent.payloads.get(topic, DELETED)
        if payload == own:
            echoes.add(topic)
            return False
        if topic in device.retained:
            self._held.add(topic)
            if topic in self._sent.payloads:
                echoes.add(topic)
                self._doubted.add(topic)
        elif payload:
            self._be_strange(topic)
        return True

    def _heard_of_others(
        self, device: homie.Device, topic: str, payload: bytes, retained: bool
    ) -> bool:
        """While the device is ready."""
        if topic == device.state:
            if payload == b"ready":
                self._init_heard.set()
                self._ready_heard.set()
                return False
            self._doubted.add(topic)
        elif topic == device.description:
            if payload == self._description:
                return False
            self._description = payload
            self._doubted.add(topic)
        elif topic in device.retained:
            if payload == self._sent.payloads.get(topic, DELETED):
                return False
            self._held.add(topic)
            self._doubted.add(topic)
        elif retained and payload:
            self._be_strange(topic)
        return True

    def _be_strange(self, topic: str) -> None:
        if len(self._strange) < _MOST_MESSAGES:
            self._strange.add(topic)

    def _go_deaf(self, device: homie.Device) -> None:
        self._deaf_until = time.monotonic() + self._timing.deaf
        with contextlib.suppress(aiomqtt.MqttError):
            self._client.unsubscribe_from(
                self._back(held=False)[0], self._others(held=False)[0], device.state
            )
        # Who waits for an echo need not wait any more.
        self._init_heard.set()
        self._ready_heard.set()
        self._warn(
            "flood",
            f"lets another client flood {device.root}; what comes in there is not looked at for "
            f"{self._timing.deaf:g} s at a time; give each bridge a device of its own",
        )

    async def _heal(self, now: float) -> float:
        """Put right what others published under the device; returns when to look again.

        A topic is put right once a second at most: whoever disagrees may be persistent.
        """
        device, wake = self._device, float("inf")
        if self._deaf_until is not None:
            if now < self._deaf_until:
                return self._deaf_until
            await self._listen(held=True)
        while self._strange:
            await self._send(self._strange.pop(), DELETED)
        answers = []
        for topic in list(self._doubted):
            pause = 1.0
            if topic == device.description:
                pause = min(2.0 ** min(self._vandals, 10) - 1, _SLOWEST_DESCRIPTION)
            if (due := self._healed.get(topic, -math.inf) + pause) > now:
                wake = min(wake, due)
                continue
            self._healed[topic] = now
            self._doubted.discard(topic)
            self._heals += 1
            if self._heals == _MANY_HEALS:
                self._warn(
                    "writer",
                    f"has another client that keeps writing under {device.root}; give each bridge "
                    "a device of its own",
                )
            if topic == device.description:
                # The convention lets a description change in ``init`` alone ("Device Attributes").
                self._vandals += 1
                self._warn(
                    "vandal",
                    f"has another client that changes {topic}; give each bridge a device of its "
                    "own",
                )
                await self._present()
                return now
            payload = b"ready" if topic == device.state else self._sent.payloads.get(topic)
            answers.append(await self._send(topic, payload or DELETED))
        await self._told(answers)
        return wake

    # Keeping up to date.

    async def _beat(self) -> None:
        while True:
            await asyncio.sleep(self._timing.heartbeat)
            device, sent = self._device, self._sent
            answers = [await self._send(device.instance, self._instance)]
            if self._deaf_until is not None:
                answers.append(await self._send(device.state, b"ready"))
            skipped = b"%d" % self._outbox.skipped
            if sent.payloads.get(device.skipped) != skipped:
                sent.payloads[device.skipped] = skipped
                answers.append(await self._send(device.skipped, skipped))
            await self._told(answers)
            self._beats += 1
            # One that is slow gives its echoes late; one that acknowledges and gives none refuses.
            if self._beats == 3 and not self._init_heard.is_set():
                self._warn(
                    "unheard",
                    f"does not pass on what is published under {device.root}; its access list may "
                    "refuse it",
                )

    async def _write_frames(self) -> None:
        outbox = self._outbox
        while True:
            await outbox.frame_waits.wait()
            outbox.frame_waits.clear()
            frame, outbox.unsent = outbox.unsent, None
            if frame is None or outbox.device is None:
                continue
            try:
                payload = homie.frame_payload(frame)
                answer = self._client.send(
                    self._device.frame, payload, 0, retain=False, properties=json_properties()
                )
                await self._client.in_time(answer)
            except BaseException:
                outbox.skipped += 1
                raise

    async def _write_events(self) -> None:
        """One at a time, so that they keep their order and none is sent again that was taken."""
        outbox = self._outbox
        while True:
            events = outbox.events
            if not events.waiting:
                outbox.event_waits.clear()
                await outbox.event_waits.wait()
                continue
            event = events.waiting[0]
            await self._client.room()
            obey_cancellation()
            self._sending = event
            code = await self._client.in_time(self._send_event(event))
            self._sending = None
            events.sent(event)
            if code >= REFUSED:
                events.dropped += 1
                self._refusals.setdefault(self._device.event, reason_words(code))
                self._say_refusals()

    def _send_event(self, event: Attempt) -> asyncio.Future[int]:
        return self._client.send(
            self._device.event,
            event_payload(event),
            1,
            retain=False,
            properties=json_properties(),
        )

    async def _write_topics(self) -> None:
        outbox, sent = self._outbox, self._sent
        while True:
            outbox.topics_wait.clear()
            if outbox.device is not sent.device:
                await self._present()
            now = time.monotonic()
            wake = min(now + self._timing.heartbeat, await self._heal(now))
            wake = min(wake, await self._write_changes())
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(max(0.0, wake - time.monotonic())):
                    await outbox.topics_wait.wait()
            obey_cancellation()

    async def _write_changes(self) -> float:
        """Publish what changed and may go out; returns when the next of it may."""
        sent, frame, device = self._sent, self._outbox.newest, self._device
        wake = float("inf")
        if frame is None:
            return wake
        now = time.monotonic()
        answers: list[_Answer] = []
        undescribed = False
        nodes: list[tuple[str, Reading | None, Callable[[], Mapping[str, bytes]]]] = [
            (device.bridge, None, lambda: self._bridge(frame)),
            (device.practice, None, self._outbox.practice_payloads),
        ]
        for reading in frame.readings:
            node = device.nodes.get(reading.watch.name)
            if node is not None and not _same(reading, sent.seen.get(node)):
                nodes.append((node, reading, functools.partial(_of_watch, node, reading)))
        for node, shown, make in nodes:
            if (due := sent.due.get(node, 0)) > now:
                wake = min(wake, due)
                continue
            payloads = make()
            if any(
                payload and topic in device.properties and topic not in sent.described
                for topic, payload in payloads.items()
            ):
                undescribed = True
                continue
            for topic, payload in payloads.items():
                if sent.payloads.get(topic, DELETED) == payload:
                    continue
                if payload:
                    sent.payloads[topic] = payload
                else:
                    sent.payloads.pop(topic, None)
                self._remember(topic, payload)
                sent.due[node] = now + self._interval
                answers.append(await self._send(topic, payload))
            if shown is not None:
                sent.seen[node] = shown
        # One wait for all that a pass has sent.
        await self._told(answers)
        if undescribed:
            due = sent.described_at + (1.0 if sent.redescribed else 0.0)
            if due > time.monotonic():
                return min(wake, due)
            sent.redescribed = True
            await self._present()
        return wake

    def _bridge(self, frame: Frame) -> dict[str, bytes]:
        device = self._device
        payloads = under(device.bridge, homie.bridge_payloads(frame))
        payloads[device.alert] = homie.alert_payload(frame)
        return payloads


def _of_watch(node: str, reading: Reading) -> dict[str, bytes]:
    return under(node, homie.reading_payloads(reading))


def _same(reading: Reading, seen: Reading | None) -> bool:
    if seen is None or reading.status is not seen.status:
        return False
    value, last = reading.value, seen.value
    if isinstance(value, float) and isinstance(last, float) and value == last:
        # Negative zero is equal to zero and has other bits.
        return math.copysign(1, value) == math.copysign(1, last)
    return value == last
