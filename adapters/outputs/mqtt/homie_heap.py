"""Heap events as a node of the Homie device (see ``adapters.outputs.mqtt.homie``).  No I/O.

    homie/5/DEVICE/heap/event              JSON, not retained: what became of a block, see below
    homie/5/DEVICE/heap/events-left-out    events that there was no room for

They are there where ``heap_events`` is true.  An event is sent once, as ``lowhalf events --json``
prints it, with ``number``, which counts all events since lowhalf started, ``since``, the frame in
which the heap was seen before (what came and went between is not told), and ``left_out``, how many
events right before it were not sent: at most RATE go out a second, after BURST at once, and at most
MAX_WAITING wait, of which the oldest make room::

    {"number": 41, "left_out": 0, "since": 1020, "frame": 1021, "event": "allocated", "block": 2,
     "start": 2149581776, "size": 464, "owner": "gull", "was": null}

Where the heap has a name it is there as ``heap``, and where a block moved, ``was_at`` is its start
before.

QoS is 0, as the convention wants for what is not retained, so that none comes late or twice; by its
``number`` who receives it knows of those that a broker lost.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Any

from adapters.json_forms.heap_events import event_json
from adapters.outputs.mqtt.homie_payload import homie_json
from bridge.heap.events import HeapEvent
from bridge.heap.told_events import ToldEvents

__all__ = [
    "BURST",
    "HEAP_EVENT",
    "HEAP_NODE",
    "LEFT_OUT",
    "MAX_WAITING",
    "RATE",
    "HeapEventQueue",
    "WaitingEvent",
    "heap_node",
]

HEAP_NODE = "heap"
HEAP_EVENT = "event"
LEFT_OUT = "events-left-out"
RATE = 100.0
"""Events a second that are sent at most."""
BURST = 50
"""As many go out at once after a pause, as where a room is left and all in it is released."""
MAX_WAITING = 256


def heap_node() -> dict[str, Any]:
    """The node's part of ``$description``."""
    properties = {
        HEAP_EVENT: {"name": "What became of a block", "datatype": "json", "retained": False},
        LEFT_OUT: {"name": "Events left out", "datatype": "integer"},
    }
    return {"name": "Heap", "type": "lowhalf-heap", "properties": properties}


@dataclass(frozen=True, slots=True)
class WaitingEvent:
    """The *number*-th event, and how many right before it are left out."""

    number: int
    left_out: int
    event: HeapEvent

    def payload(self) -> bytes:
        """What is said of it (see above)."""
        said = {"number": self.number, "left_out": self.left_out, "since": self.event.since}
        return homie_json({**said, **event_json(self.event)})


class HeapEventQueue:
    """Events that wait, oldest first; ``left_out`` counts those that there was no room for."""

    def __init__(self) -> None:
        self.left_out = 0
        self._waiting: deque[tuple[int, HeapEvent]] = deque()
        self._told = self._sent = 0

    def __len__(self) -> int:
        return len(self._waiting)

    def take(self, told: ToldEvents) -> bool:
        """Queue what happened since the last look; whether anything did."""
        if told.count <= self._told:
            return False
        before = len(self._waiting) + told.count - self._told
        self._waiting.extend(told.newer_than(self._told))
        self._told = told.count
        while len(self._waiting) > MAX_WAITING:
            self._waiting.popleft()
        self.left_out += before - len(self._waiting)
        return True

    def next(self) -> WaitingEvent:
        """The oldest, which waits no more."""
        number, event = self._waiting.popleft()
        left_out, self._sent = number - self._sent - 1, number
        return WaitingEvent(number, left_out, event)
