"""What waits to be published: the newest of all that changes, and events in their order.  No I/O.

It outlives connections.  Values are never queued, since only the newest is worth anything.  Events
are: each is kept until the broker has acknowledged it, at most MAX_EVENTS of them.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Mapping, Sequence

from adapters.outputs.mqtt import homie
from adapters.outputs.mqtt.homie_heap import HeapEventQueue
from adapters.outputs.mqtt.homie_payload import DELETED
from adapters.outputs.mqtt.homie_plan import plan_payloads
from adapters.outputs.mqtt.homie_practice import PracticeTopics
from bridge.practice.attempts import Attempt
from bridge.practice.progress import Practice
from bridge.readings.frame import Frame
from bridge.readings.reading import Reading, Watch
from bridge.values.status import Status

__all__ = ["MAX_EVENTS", "Events", "Outbox", "under"]

MAX_EVENTS = 256


class Events:
    """Attempts that ended, oldest first; ``dropped`` counts those that there was no room for."""

    def __init__(self) -> None:
        self.waiting: deque[Attempt] = deque()
        self.dropped = 0
        self._told = 0

    def take(self, practice: Practice) -> bool:
        """Queue what ended since the last look; returns whether anything did."""
        new = practice.ended - self._told
        if new <= 0:
            return False
        self._told = practice.ended
        recent = practice.recent[-new:]
        self.dropped += new - len(recent)
        self.waiting.extend(recent)
        while len(self.waiting) > MAX_EVENTS:
            self.waiting.popleft()
            self.dropped += 1
        return True

    def sent(self, event: Attempt) -> None:
        """*event*, the oldest when it was sent, is with the broker; room may have cost it since."""
        if self.waiting and self.waiting[0] is event:
            self.waiting.popleft()
        else:
            self.dropped -= 1


class Outbox:
    """Keeps what is to be published, whether a connection stands or not.

    ``newest`` is the newest frame, ``unsent`` the same until ``bridge/frame`` has had it.

    ``kept`` has the newest payload of every topic that is left as it was while a watch has no
    value, for a broker that has forgotten it; ``published`` is the newest description.
    ``heap_events`` is None where they are not asked for.
    """

    def __init__(
        self,
        id: str,
        name: str,
        practice: PracticeTopics,
        *,
        heap_events: bool = False,
        plan: bool = False,
    ) -> None:
        self._plan = plan
        self.heap_events = HeapEventQueue() if heap_events else None
        self._id, self._name, self._practice = id, name, practice
        self.device: homie.Device | None = None
        self.newest: Frame | None = None
        self.unsent: Frame | None = None
        self.skipped = 0
        self.events = Events()
        self.kept: dict[str, bytes] = {}
        self.published: bytes | None = None
        self.announced = asyncio.Event()
        self.frame_waits = asyncio.Event()
        self.topics_wait = asyncio.Event()
        self.event_waits = asyncio.Event()
        self.heap_event_waits = asyncio.Event()

    def announce(self, watches: Sequence[Watch]) -> None:
        self.device = homie.Device(
            *(self._id, self._name, watches, self._practice),
            heap_events=self.heap_events is not None,
            plan=self._plan,
        )
        self.newest = None
        self.kept.clear()
        self.announced.set()
        self.topics_wait.set()

    def put(self, frame: Frame) -> None:
        if self.unsent is not None:
            self.skipped += 1
        self.newest = self.unsent = frame
        self.frame_waits.set()
        self.topics_wait.set()
        practice = frame.practice if self._practice.any else None
        if practice is not None and self.events.take(practice):
            self.event_waits.set()
        heap, told = self.heap_events, frame.heap_events
        if heap is not None and told is not None and heap.take(told):
            self.heap_event_waits.set()

    def counts(self) -> dict[str, bytes]:
        """What was never sent, by topic."""
        device = self.device
        assert device is not None
        counts = {device.skipped: self.skipped}
        if self.heap_events is not None:
            counts[device.heap_left_out] = self.heap_events.left_out
        return {topic: b"%d" % count for topic, count in counts.items()}

    def payloads(self, instance: bytes) -> dict[str, bytes]:
        """Every topic with its payload now; before the first frame every watch is waiting."""
        device, frame = self.device, self.newest
        assert device is not None
        values: dict[str, bytes] = {}
        readings: Mapping[str, Reading] = {}
        if frame is not None:
            readings = {reading.watch.name: reading for reading in frame.readings}
        values.update(under(device.bridge, homie.bridge_payloads(frame)))
        for watch in device.watches:
            reading = readings.get(watch.name) or Reading(watch, Status.WAITING)
            values.update(under(device.nodes[watch.name], homie.reading_payloads(reading)))
        values.update(self.practice_payloads())
        values.update(self.plan_payloads())
        values[device.alert] = DELETED if frame is None else homie.alert_payload(frame)
        values.update(self.counts())
        values[device.instance] = instance
        return values

    def practice_payloads(self) -> dict[str, bytes]:
        device = self.device
        assert device is not None
        if not self._practice.any:
            return {}
        practice = self.newest.practice if self.newest is not None else None
        payloads = under(device.practice, self._practice.payloads(practice))
        payloads[device.events_dropped] = b"%d" % self.events.dropped
        return payloads

    def plan_payloads(self) -> dict[str, bytes]:
        device = self.device
        assert device is not None
        if not self._plan:
            return {}
        plan = self.newest.plan if self.newest is not None else None
        return under(device.plan, plan_payloads(plan))


def under(node: str, payloads: Mapping[str, bytes]) -> dict[str, bytes]:
    return {f"{node}/{name}": payload for name, payload in payloads.items()}
