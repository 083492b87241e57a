"""Putting right what others published under the device."""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable
from typing import Final

from adapters.outputs.mqtt.homie_payload import DELETED
from adapters.outputs.mqtt.listener import Listener
from adapters.outputs.mqtt.publisher import Publisher, Warn

__all__ = ["Healing"]

_MANY_HEALS: Final = 20
_SLOWEST_DESCRIPTION: Final = 30.0


class Healing:
    """Puts topics right that the listener doubts, each once a second at most.

    *present* sets the whole device up again, which a changed description asks for.
    """

    def __init__(
        self,
        publisher: Publisher,
        listener: Listener,
        present: Callable[[], Awaitable[None]],
        warn: Warn,
    ) -> None:
        self._publisher = publisher
        self._listener = listener
        self._present = present
        self._warn = warn
        self._healed: dict[str, float] = {}
        self._vandals = self._heals = 0

    async def heal(self, now: float) -> float:
        """Put right what others published under the device; returns when to look again.

        A topic is put right once a second at most: whoever disagrees may be persistent.
        """
        publisher, listener = self._publisher, self._listener
        device, wake = publisher.device, float("inf")
        if listener.deaf_until is not None:
            if now < listener.deaf_until:
                return listener.deaf_until
            await listener.listen(held=True)
        while listener.strange:
            await publisher.send(listener.strange.pop(), DELETED)
        answers = []
        for topic in list(listener.doubted):
            pause = 1.0
            if topic == device.description:
                pause = min(2.0 ** min(self._vandals, 10) - 1, _SLOWEST_DESCRIPTION)
            if (due := self._healed.get(topic, -math.inf) + pause) > now:
                wake = min(wake, due)
                continue
            self._healed[topic] = now
            listener.doubted.discard(topic)
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
            payload = b"ready" if topic == device.state else publisher.sent.payloads.get(topic)
            answers.append(await publisher.send(topic, payload or DELETED))
        await publisher.told(answers)
        return wake
