"""Setting the device up: what the broker holds of it is learnt, then all of it is published."""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

from paho.mqtt.subscribeoptions import SubscribeOptions

from adapters.outputs.mqtt.careful_client import REFUSED, CarefulClient, reason_words
from adapters.outputs.mqtt.homie_payload import DELETED
from adapters.outputs.mqtt.listener import Listener
from adapters.outputs.mqtt.outbox import Outbox
from adapters.outputs.mqtt.publisher import Publisher, Warn
from bridge.ports.clock import Clock

__all__ = ["Presentation"]

_MAX_LOOKED_FOR: Final = 200


class Presentation:
    """Sets the device up at the begin, and again whenever it has changed.

    ``claimed`` once this process speaks for the device; *instance* is what tells it from another.
    """

    def __init__(
        self,
        client: CarefulClient,
        outbox: Outbox,
        publisher: Publisher,
        listener: Listener,
        instance: bytes,
        clock: Clock,
        warn: Warn,
    ) -> None:
        self._client = client
        self._outbox = outbox
        self._publisher = publisher
        self._listener = listener
        self._instance = instance
        self._clock = clock
        self._warn = warn
        self._readable = True
        self.claimed = False

    async def collect(self) -> None:
        """Learn what the broker holds of the device, and say that it is being set up.

        The broker delivers in order: what it held comes before the echo of ``init``.
        """
        publisher, listener = self._publisher, self._listener
        device, client = publisher.device, self._client
        asked = client.subscribe_to(listener.everything(held=True))
        answers = [
            await publisher.send(device.state, b"init"),
            await publisher.send(device.instance, self._instance),
        ]
        self.claimed = True
        (granted,) = await client.granted(asked)
        await publisher.told(answers)
        if granted >= REFUSED:
            self._readable = False
            self._warn(
                "unreadable",
                f"refuses to tell what it holds under {device.root}: {reason_words(granted)}; what "
                "others leave there stays",
            )
        else:
            self._readable = await listener.heard_of(listener.init_heard)

    async def present(self) -> None:
        """The whole device: ``init``, description, clean-up, every value, ``ready``.

        Nothing is waited for in between, so that all of it takes one way there and back.
        """
        publisher, listener = self._publisher, self._listener
        device, outbox, sent = publisher.device, self._outbox, publisher.sent
        answers = []
        publisher.held |= listener.strange
        listener.echoes = set()
        listener.ready_heard.clear()
        if sent.device is not None:
            listener.init_heard.clear()
            if listener.deaf_until is None:
                self._client.subscribe_to(listener.everything(held=False))
            answers.append(await publisher.send(device.state, b"init"))
        values = outbox.payloads(self._instance)
        for topic, payload in outbox.kept.items():
            values.setdefault(topic, payload)
        # What the broker holds of a property that is described alike is a value of it, too.
        left = (device.described_alike(publisher.description) & publisher.held) - values.keys()
        described = {topic for topic, payload in values.items() if payload} | left
        described &= device.properties
        # Both count: a broker may forget the description, and who listened to it does not.
        version = device.version_after(publisher.description, outbox.published, valued=described)
        description = device.describe(version, described)
        publisher.description = outbox.published = description
        sent.device, sent.described, sent.described_at = device, described, self._clock.now()
        sent.seen.clear()
        sent.due.clear()
        sent.payloads = {topic: payload for topic, payload in values.items() if payload}
        listener.doubted.clear()
        listener.strange.clear()
        answers.append(await publisher.send(device.description, description))
        keep = described | {device.state, device.description}
        deleted = {topic for topic, payload in values.items() if not payload}
        for topic in sorted((publisher.held - keep - sent.payloads.keys()) | deleted):
            if topic in publisher.held or not self._readable:
                await publisher.send(topic, DELETED)
        for topic, payload in sent.payloads.items():
            answers.append(await publisher.send(topic, payload))
            publisher.remember(topic, payload)
        answers.append(await publisher.send(device.state, b"ready"))
        await publisher.told(answers)
        unsaid = "it is not passed on"
        if self._readable and await listener.heard_of(listener.ready_heard):
            await self._look_again(sent.payloads.keys() - listener.echoes)
            for topic in sent.payloads:
                if topic not in listener.echoes:
                    publisher.refusals.setdefault(topic, unsaid)
                elif publisher.refusals.get(topic) == unsaid:
                    del publisher.refusals[topic]
        listener.echoes = None
        publisher.say_refusals()
        if listener.deaf_until is None:
            await listener.listen(held=False)

    async def _look_again(self, missing: Collection[str]) -> None:
        """Ask for what did not come back: at QoS 0 a broker may drop what it has no room for."""
        publisher, listener = self._publisher, self._listener
        topics = sorted(missing)[:_MAX_LOOKED_FOR]
        if not topics:
            return
        asked = self._client.subscribe_to(*((topic, SubscribeOptions()) for topic in topics))
        listener.ready_heard.clear()
        answer = await publisher.send(publisher.device.state, b"ready")
        await self._client.granted(asked)
        await publisher.told([answer])
        await listener.heard_of(listener.ready_heard)
        self._client.unsubscribe_from(*topics)
