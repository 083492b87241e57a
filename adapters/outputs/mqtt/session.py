"""One connection to a broker: the device is set up, kept up to date, and healed.

A message at QoS 1 goes out every two seconds, since at QoS 0 a frozen broker accepts everything.
"""

from __future__ import annotations

import asyncio
import contextlib
import functools
import math
from collections.abc import Callable, Mapping

import aiomqtt

from adapters.outputs.mqtt import homie
from adapters.outputs.mqtt.careful_client import (
    REFUSED,
    CarefulClient,
    json_properties,
    obey_cancellation,
    reason_words,
)
from adapters.outputs.mqtt.healing import Healing
from adapters.outputs.mqtt.homie_heap import BURST, RATE, HeapEventQueue
from adapters.outputs.mqtt.homie_payload import DELETED
from adapters.outputs.mqtt.homie_practice import event_payload
from adapters.outputs.mqtt.listener import Listener
from adapters.outputs.mqtt.outbox import Outbox, under
from adapters.outputs.mqtt.presentation import Presentation
from adapters.outputs.mqtt.publisher import Answer, Publisher, Warn
from adapters.outputs.mqtt.timing import Timing
from bridge.ports.clock import Clock
from bridge.practice.attempts import Attempt
from bridge.readings.frame import Frame
from bridge.readings.reading import Reading

__all__ = ["Session"]


class Session:
    """Joins what one connection does; each part keeps what changes with it.

    ``ready_since`` is when the device was ready, by *clock*, which also
    says when the next heartbeat or value is due. *warn* tells what the
    broker does; *ready* is called once the device is.
    """

    def __init__(
        self,
        client: CarefulClient,
        outbox: Outbox,
        instance: bytes,
        interval: float,
        timing: Timing,
        clock: Clock,
        warn: Warn,
        ready: Callable[[], None],
    ) -> None:
        self._client = client
        self._outbox = outbox
        self._instance = instance
        self._interval = interval
        self._timing = timing
        self._clock = clock
        self._warn = warn
        self._ready = ready
        self._publisher = Publisher(client, outbox, warn)
        self._listener = Listener(client, outbox, self._publisher, timing, clock, warn)
        self._presentation = Presentation(
            client, outbox, self._publisher, self._listener, instance, clock, warn
        )
        self._healing = Healing(self._publisher, self._listener, self._presentation.present, warn)
        self._beats = 0
        self._sending: Attempt | None = None
        self.ready_since: float | None = None

    @property
    def claimed(self) -> bool:
        """Whether this process speaks for the device."""
        return self._presentation.claimed

    @property
    def refused(self) -> str:
        """What the broker does not take, in words; empty where it takes all."""
        return self._publisher.refused

    def heard(self, topic: str, payload: bytes, retained: bool) -> None:
        """Take an incoming message at once; nothing of it is queued."""
        self._listener.heard(topic, payload, retained)

    async def run(self) -> None:
        """Until the connection ends, which is raised, or the task is cancelled."""
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._watch())
            tasks.create_task(self._work(tasks))

    async def _watch(self) -> None:
        await self._client.ended()
        raise aiomqtt.MqttError("connection closed")

    async def _work(self, tasks: asyncio.TaskGroup) -> None:
        await self._presentation.collect()
        await self._presentation.present()
        self.ready_since = self._clock.now()
        self._ready()
        tasks.create_task(self._write_frames())
        tasks.create_task(self._write_events())
        if self._outbox.heap_events is not None:
            tasks.create_task(self._write_heap_events(self._outbox.heap_events))
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
            answers.append(client.send(self._publisher.device.state, b"disconnected", 1))
            await asyncio.wait(answers, timeout=timing.farewell)
            await client.leave(timing.farewell / 2)

    async def _beat(self) -> None:
        publisher = self._publisher
        while True:
            await self._clock.sleep(self._timing.heartbeat)
            device, sent = publisher.device, publisher.sent
            answers = [await publisher.send(device.instance, self._instance)]
            if self._listener.deaf_until is not None:
                answers.append(await publisher.send(device.state, b"ready"))
            for topic, count in self._outbox.counts().items():
                if sent.payloads.get(topic) != count:
                    sent.payloads[topic] = count
                    answers.append(await publisher.send(topic, count))
            await publisher.told(answers)
            self._beats += 1
            # One that is slow gives its echoes late; one that acknowledges and gives none refuses.
            if self._beats == 3 and not self._listener.init_heard.is_set():
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
                    self._publisher.device.frame,
                    payload,
                    0,
                    retain=False,
                    properties=json_properties(),
                )
                await self._client.in_time(answer)
            except BaseException:
                outbox.skipped += 1
                raise

    async def _write_events(self) -> None:
        """One at a time, so that they keep their order and none is sent again that was taken."""
        publisher = self._publisher
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
                publisher.refusals.setdefault(publisher.device.event, reason_words(code))
                publisher.say_refusals()

    def _send_event(self, event: Attempt) -> asyncio.Future[int]:
        return self._client.send(
            self._publisher.device.event,
            event_payload(event),
            1,
            retain=False,
            properties=json_properties(),
        )

    async def _write_heap_events(self, queue: HeapEventQueue) -> None:
        """RATE a second, after BURST at once; what there is no room for meanwhile is left out."""
        outbox, due = self._outbox, 0.0
        while True:
            if not queue:
                outbox.heap_event_waits.clear()
                await outbox.heap_event_waits.wait()
                continue
            now = self._clock.now()
            due = max(due, now - BURST / RATE) + 1 / RATE
            if due > now:
                await self._clock.sleep(due - now)
            answer = self._client.send(
                self._publisher.device.heap_event,
                queue.next().payload(),
                0,
                retain=False,
                properties=json_properties(),
            )
            await self._client.in_time(answer)

    async def _write_topics(self) -> None:
        outbox, sent = self._outbox, self._publisher.sent
        while True:
            outbox.topics_wait.clear()
            if outbox.device is not sent.device:
                await self._presentation.present()
            now = self._clock.now()
            wake = min(now + self._timing.heartbeat, await self._healing.heal(now))
            wake = min(wake, await self._write_changes())
            with contextlib.suppress(TimeoutError):
                async with self._clock.timeout(max(0.0, wake - self._clock.now())):
                    await outbox.topics_wait.wait()
            obey_cancellation()

    async def _write_changes(self) -> float:
        """Publish what changed and may go out; returns when the next of it may."""
        publisher = self._publisher
        sent, frame, device = publisher.sent, self._outbox.newest, publisher.device
        wake = float("inf")
        if frame is None:
            return wake
        now = self._clock.now()
        answers: list[Answer] = []
        undescribed = False
        nodes: list[tuple[str, Reading | None, Callable[[], Mapping[str, bytes]]]] = [
            (device.bridge, None, lambda: self._bridge(frame)),
            (device.practice, None, self._outbox.practice_payloads),
            (device.plan, None, self._outbox.plan_payloads),
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
                publisher.remember(topic, payload)
                sent.due[node] = now + self._interval
                answers.append(await publisher.send(topic, payload))
            if shown is not None:
                sent.seen[node] = shown
        # One wait for all that a pass has sent.
        await publisher.told(answers)
        if undescribed:
            due = sent.described_at + (1.0 if sent.redescribed else 0.0)
            if due > self._clock.now():
                return min(wake, due)
            sent.redescribed = True
            await self._presentation.present()
        return wake

    def _bridge(self, frame: Frame) -> dict[str, bytes]:
        device = self._publisher.device
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
