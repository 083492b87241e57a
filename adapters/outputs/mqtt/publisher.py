"""What one connection publishes of the device, and what the broker makes of it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from adapters.outputs.mqtt import homie
from adapters.outputs.mqtt.careful_client import (
    REFUSED,
    CarefulClient,
    json_properties,
    obey_cancellation,
    reason_words,
)
from adapters.outputs.mqtt.outbox import Outbox
from bridge.readings.reading import Reading

__all__ = ["Answer", "Publisher", "Sent", "Warn"]

Answer = tuple[str, asyncio.Future[int]]
"""A topic and what is done once the broker, or at QoS 0 the socket, has taken the message."""

Warn = Callable[[str, str], None]
"""Takes a key, under which a thing is said once, and what the broker does."""


@dataclass(slots=True)
class Sent:
    """What the connection has published, and what waits for its turn."""

    payloads: dict[str, bytes] = field(default_factory=dict)
    seen: dict[str, Reading] = field(default_factory=dict)
    due: dict[str, float] = field(default_factory=dict)
    described: set[str] = field(default_factory=set)
    described_at: float = float("-inf")
    redescribed: bool = False
    device: homie.Device | None = None


class Publisher:
    """Publishes the device's retained topics, and keeps what was sent and what was refused.

    ``sent`` is what the connection has published, ``held`` the topics that the broker holds,
    ``description`` the one that it holds, and ``refusals`` what it does not take, by topic and why.
    """

    def __init__(self, client: CarefulClient, outbox: Outbox, warn: Warn) -> None:
        self._client = client
        self._outbox = outbox
        self._warn = warn
        self.sent = Sent()
        self.held: set[str] = set()
        self.description: bytes | None = None
        self.refusals: dict[str, str] = {}

    @property
    def refused(self) -> str:
        """What the broker does not take, in words; empty where it takes all."""
        if not self.refusals:
            return ""
        topic, why = next(iter(self.refusals.items()))
        name = topic.removeprefix(f"{self.device.root}/")
        count = len(self.refusals)
        return f"it does not take {name}{f' and {count - 1} more' if count > 1 else ''}: {why}"

    @property
    def device(self) -> homie.Device:
        """The device as it was announced last."""
        device = self._outbox.device
        assert device is not None
        return device

    def _qos(self, topic: str) -> int:
        """Of a retained topic, at all times: the device's own attributes are acknowledged, and so
        is what tells which process speaks; values are not (see ``adapters.outputs.mqtt.homie``).
        """
        device = self.device
        return int(topic in (device.state, device.description, device.alert, device.instance))

    async def send(self, topic: str, payload: bytes) -> Answer:
        """Send what is retained, without waiting for the answer.  Raises MqttError."""
        if self._qos(topic):
            await self._client.room()
            obey_cancellation()
        properties = json_properties() if topic == self.device.description else None
        answer = self._client.send(topic, payload, self._qos(topic), properties=properties)
        if payload:
            self.held.add(topic)
        else:
            self.held.discard(topic)
        return topic, answer

    async def told(self, answers: Iterable[Answer]) -> None:
        """Wait for the answers to messages, and keep what was refused.  Raises MqttError."""
        for topic, answer in answers:
            code = await self._client.in_time(answer)
            if code >= REFUSED:
                self.refusals.setdefault(topic, reason_words(code))
            elif self._qos(topic):
                self.refusals.pop(topic, None)

    def say_refusals(self) -> None:
        """Tell once what the broker does not take."""
        if self.refusals:
            self._warn(
                self.refused,
                f"does not take all that is published under {self.device.root}: {self.refused}; "
                "check its access list",
            )

    def remember(self, topic: str, payload: bytes) -> None:
        """Keep a value for a broker that forgets it while there is no newer one."""
        if topic in self.device.properties:
            if payload:
                self._outbox.kept[topic] = payload
            else:
                self._outbox.kept.pop(topic, None)
