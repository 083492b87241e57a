"""What comes in under the device on one connection, and how much of it is listened to.

A subscription to all topics of the device stands for as long as the connection does.  While the
device is set up it gives back what the broker passes on, so that a topic that it does not take is
found at QoS 0 as well; then only what others publish comes in ("No Local", MQTT 5.0, section
3.8.3.1), and is put right.  A will that comes late is among it: the broker publishes it in the
client's own name, so ``$state`` has a subscription of its own.

Whoever floods the device's topics is not listened to for a while.
"""

from __future__ import annotations

import asyncio
import contextlib
from typing import Final

import aiomqtt
from paho.mqtt.subscribeoptions import SubscribeOptions

from adapters.outputs.mqtt import homie
from adapters.outputs.mqtt.careful_client import (
    MAX_PACKET_SIZE,
    REFUSED,
    CarefulClient,
    obey_cancellation,
    reason_words,
)
from adapters.outputs.mqtt.homie_payload import DELETED
from adapters.outputs.mqtt.outbox import Outbox
from adapters.outputs.mqtt.publisher import Publisher, Warn
from adapters.outputs.mqtt.timing import Timing
from bridge.ports.clock import Clock

__all__ = ["Listener"]

_MAX_MESSAGES: Final = 200
_MAX_BYTES: Final = 1 << 20
"""Of what others publish under the device within a second, before it is a flood."""
_MAX_RETAINED: Final = 20_000
"""Topics that a broker may hold of the device, before the rest is left alone."""


class Listener:
    """Looks at each incoming message at once, and keeps what it means for the device.

    ``echoes`` are the topics given back while the device is set up, else None.

    ``init_heard`` and ``ready_heard`` are set once that state of the device came back.  ``doubted``
    are topics of the device that others changed, and ``strange`` such as are none of it.  Until
    ``deaf_until``, by *clock*, nothing is listened to; None while all is.
    """

    def __init__(
        self,
        client: CarefulClient,
        outbox: Outbox,
        publisher: Publisher,
        timing: Timing,
        clock: Clock,
        warn: Warn,
    ) -> None:
        self._client = client
        self._outbox = outbox
        self._publisher = publisher
        self._timing = timing
        self._clock = clock
        self._warn = warn
        self.echoes: set[str] | None = set()
        self.init_heard = asyncio.Event()
        self.ready_heard = asyncio.Event()
        self.doubted: set[str] = set()
        self.strange: set[str] = set()
        self.deaf_until: float | None = None
        self._messages = self._foreign = self._bytes = 0
        self._since = 0.0

    def everything(self, *, held: bool) -> tuple[str, SubscribeOptions]:
        """The subscription that gives all back; *held* asks for what the broker holds, too.

        It is written in another way than that to what others publish: not every broker takes other
        options for a subscription that stands.
        """
        return f"{self._publisher.device.root}/+/#", SubscribeOptions(
            retainHandling=0 if held else 2
        )

    def _of_others(self, *, held: bool) -> tuple[str, SubscribeOptions]:
        """The subscription to what others publish; a message says whether it is retained."""
        return f"{self._publisher.device.root}/#", SubscribeOptions(
            noLocal=True, retainAsPublished=True, retainHandling=0 if held else 2
        )

    async def heard_of(self, event: asyncio.Event) -> bool:
        """Wait for an echo of ``$state``, for as long as anything comes in at all."""
        while not event.is_set() and self.deaf_until is None:
            before = self._messages
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(self._timing.patience):
                    await event.wait()
            obey_cancellation()
            if self._messages == before:
                break
        return event.is_set() and self.deaf_until is None

    async def listen(self, *, held: bool) -> None:
        """From now on hear only what others publish, and what becomes of ``$state``."""
        publisher = self._publisher
        state = (
            publisher.device.state,
            SubscribeOptions(qos=1, retainHandling=0 if held else 2),
        )
        # What the broker holds is no flood.
        self._since = self._clock.now() + 2
        self._foreign, self._bytes = -len(publisher.held) - 2, -2 * MAX_PACKET_SIZE
        self.deaf_until = None
        asked = self._client.subscribe_to(self._of_others(held=held), state)
        self._client.unsubscribe_from(self.everything(held=False)[0])
        codes = await self._client.granted(asked)
        if codes[-1] >= REFUSED:
            self._warn(
                "state unreadable",
                f"refuses to tell what becomes of {publisher.device.state}: "
                f"{reason_words(codes[-1])}; a late end of an earlier connection may stand there",
            )

    def heard(self, topic: str, payload: bytes, retained: bool) -> None:
        """Take an incoming message at once; nothing of it is queued."""
        device = self._outbox.device
        if device is None or self.deaf_until is not None:
            return
        self._messages += 1
        if self.echoes is not None:
            foreign = self._heard_back(device, self.echoes, topic, payload, retained)
        else:
            foreign = self._heard_of_others(device, topic, payload, retained)
        if not foreign:
            return
        now = self._clock.now()
        if now - self._since >= 1:
            self._since, self._foreign, self._bytes = now, 0, 0
        self._foreign += 1
        self._bytes += len(payload)
        if self._foreign > _MAX_MESSAGES or self._bytes > _MAX_BYTES:
            self._go_deaf(device)
        self._outbox.topics_wait.set()

    def _heard_back(
        self, device: homie.Device, echoes: set[str], topic: str, payload: bytes, retained: bool
    ) -> bool:
        """While the device is set up: what the broker held, and all that is published."""
        publisher = self._publisher
        if retained:
            if len(publisher.held) < _MAX_RETAINED and payload:
                publisher.held.add(topic)
            if topic == device.description:
                publisher.description = payload
            if payload == publisher.sent.payloads.get(topic):
                echoes.add(topic)
            return False
        if topic == device.state:
            if payload == b"init":
                self.init_heard.set()
            elif payload == b"ready":
                if self.init_heard.is_set():
                    self.ready_heard.set()
            else:
                if self.ready_heard.is_set():
                    self.doubted.add(topic)
                return True
            return False
        if topic in (device.frame, device.event):
            return False
        if topic == device.description:
            if payload != publisher.description and publisher.sent.device is not None:
                self.doubted.add(topic)
                return True
            return False
        own = publisher.sent.payloads.get(topic, DELETED)
        if payload == own:
            echoes.add(topic)
            return False
        if topic in device.retained:
            publisher.held.add(topic)
            if topic in publisher.sent.payloads:
                echoes.add(topic)
                self.doubted.add(topic)
        elif payload:
            self._be_strange(topic)
        return True

    def _heard_of_others(
        self, device: homie.Device, topic: str, payload: bytes, retained: bool
    ) -> bool:
        """While the device is ready."""
        publisher = self._publisher
        if topic == device.state:
            if payload == b"ready":
                self.init_heard.set()
                self.ready_heard.set()
                return False
            self.doubted.add(topic)
        elif topic == device.description:
            if payload == publisher.description:
                return False
            publisher.description = payload
            self.doubted.add(topic)
        elif topic in device.retained:
            if payload == publisher.sent.payloads.get(topic, DELETED):
                return False
            publisher.held.add(topic)
            self.doubted.add(topic)
        elif retained and payload:
            self._be_strange(topic)
        return True

    def _be_strange(self, topic: str) -> None:
        if len(self.strange) < _MAX_MESSAGES:
            self.strange.add(topic)

    def _go_deaf(self, device: homie.Device) -> None:
        self.deaf_until = self._clock.now() + self._timing.deaf
        with contextlib.suppress(aiomqtt.MqttError):
            self._client.unsubscribe_from(
                self.everything(held=False)[0], self._of_others(held=False)[0], device.state
            )
        # Who waits for an echo need not wait any more.
        self.init_heard.set()
        self.ready_heard.set()
        self._warn(
            "flood",
            f"lets another client flood {device.root}; what comes in there is not looked at for "
            f"{self._timing.deaf:g} s at a time; give each bridge a device of its own",
        )
