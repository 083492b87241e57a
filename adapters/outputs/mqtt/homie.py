"""Watches by the Homie convention, version 5: ids, ``$description`` and payloads.  No I/O.

A bridge is a Homie device and a watch is a node of it::

    homie/5/DEVICE/$state            init, ready, disconnected; lost when the daemon died
    homie/5/DEVICE/$description      JSON: every node and property, with its datatype
    homie/5/DEVICE/$alert/source     why the source is gone; deleted when it is back
    homie/5/DEVICE/WATCH/value       the value, in the watch's own datatype, when it changes, at
                                     most ``max_rate`` times a second
    homie/5/DEVICE/WATCH/text        the value for people
    homie/5/DEVICE/WATCH/status      ok; freed, header, between, changed, damaged: with a value;
                                     null, unmapped, misaligned, waiting, offline, error
    homie/5/DEVICE/WATCH/target      hit, miss or unknown, where the watch has a target
    homie/5/DEVICE/WATCH/distance    what there is to go, where the target has distances; deleted
                                     while the target is unknown
    homie/5/DEVICE/bridge/build      which build the newest frame is of
    homie/5/DEVICE/bridge/source     where it was read
    homie/5/DEVICE/bridge/consistency  why it is whole
    homie/5/DEVICE/bridge/skipped    frames that were never sent
    homie/5/DEVICE/bridge/instance   which process speaks, so that two of one id notice each other;
                                     again every two seconds
    homie/5/DEVICE/bridge/frame      JSON, not retained: a whole frame in one message
    homie/5/DEVICE/practice/…        where there are steps or attempts: homie_practice
    homie/5/DEVICE/plan/…            where a plan is followed: homie_plan
    homie/5/DEVICE/heap/…            where heap events are asked for: homie_heap

The convention has no way to write that there is no value.  So where a watch has none its ``value``
is left as it was and ``status`` says why: a value holds only while ``$state`` is ``ready`` and
``status`` is ``ok`` or warns of a pointer into the heap.  And since ``ready`` means that the values
of all properties have been sent (convention 5.0.0, "Device Lifecycle"), a property is described
once there is a value for it, and not before.

Every retained property is sent at QoS 0, at every time: the convention recommends 2, but order is
kept only among messages of one QoS, and an acknowledgement of each would hold values back that are
stale a tenth of a second later: a broker 120 ms away that takes 20 at a time would take 160 a
second.  Nothing is lost by it: a connection that breaks is set up anew and all is sent again.
"""

from __future__ import annotations

import json
import math
import re
import time
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any

from adapters.outputs.mqtt.homie_heap import HEAP_EVENT, HEAP_NODE, LEFT_OUT, heap_node
from adapters.outputs.mqtt.homie_payload import DELETED, homie_json, homie_string
from adapters.outputs.mqtt.homie_plan import PLAN_NODE, plan_node
from adapters.outputs.mqtt.homie_practice import (
    EVENT,
    EVENTS_DROPPED,
    NO_PRACTICE,
    PRACTICE_NODE,
    PracticeTopics,
)
from bridge.readings.frame import Frame
from bridge.readings.public_words import public_text
from bridge.readings.reading import UNKNOWN, Reading, Watch
from bridge.values.status import Status
from bridge.values.value_type import Kind, Value, ValueType, shortest_single
from schemas.errors import OutputError

__all__ = [
    "BRIDGE_NODE",
    "TARGETS",
    "Device",
    "Property",
    "alert_payload",
    "bridge_payloads",
    "datatype",
    "device_id",
    "float_payload",
    "frame_payload",
    "node_ids",
    "read_description",
    "reading_payloads",
    "status_of",
    "string_payload",
    "value_of",
    "value_payload",
]

TARGETS = f"hit,miss,{UNKNOWN}"
BRIDGE_NODE = "bridge"
"""The node that is not a watch."""

_INTEGER_LOWEST, _INTEGER_HIGHEST = -(1 << 63), (1 << 63) - 1
_UNSIGNED_HIGHEST = (1 << 64) - 1
_VERSION_HIGHEST = 1 << 62
_WATCH_NAME = re.compile(r"[A-Za-z0-9_]+")
_ID = re.compile(r"[a-z0-9-]+")

Property = dict[str, Any]


def device_id(wanted: str, bridge_name: str) -> str:
    """The device's id: *wanted* as it is, or else ``lowhalf-`` and the bridge's name.

    Characters of the bridge's name that an id cannot have become ``-``.  Raises OutputError where
    *wanted* is not an id.
    """
    if wanted:
        if not _ID.fullmatch(wanted):
            raise OutputError(f'device: expected a-z, 0-9 and -, found "{wanted}"', output="mqtt")
        return wanted
    slug = re.sub(r"[^a-z0-9]+", "-", bridge_name.lower()).strip("-")
    return f"lowhalf-{slug}" if slug else "lowhalf"


def node_ids(watches: Iterable[Watch]) -> dict[str, str]:
    """The node id of each watch, by the watch's name.

    Raises OutputError where a name cannot become an id, or where two become the same one.
    """
    ids: dict[str, str] = {}
    owners: dict[str, str] = {}
    for watch in watches:
        if not _WATCH_NAME.fullmatch(watch.name):
            raise OutputError(
                f"watch {watch.name!r}: expected letters, digits and _ in a name that becomes a "
                "topic; rename it",
                output="mqtt",
            )
        node = watch.name.lower().replace("_", "-")
        if node == BRIDGE_NODE:
            raise OutputError(
                f"watch {watch.name} has the topic id {node}, which is the bridge's own; rename it",
                output="mqtt",
            )
        if node in owners:
            raise OutputError(
                f"watches {owners[node]} and {watch.name} have the same topic id {node}; "
                "rename one",
                output="mqtt",
            )
        owners[node] = watch.name
        ids[watch.name] = node
    return ids


class Device:
    """The topics and the description of a bridge with its watches.

    ``nodes`` gives the topic that a watch's properties are under, by the watch's name;
    ``retained`` is every topic that the description lets be retained, the device's own included.
    """

    def __init__(
        self,
        id: str,
        name: str,
        watches: Sequence[Watch],
        practice: PracticeTopics = NO_PRACTICE,
        *,
        heap_events: bool = False,
        plan: bool = False,
    ) -> None:
        ids = node_ids(watches)
        self.id = id
        self.watches = tuple(watches)
        self.root = f"homie/5/{id}"
        self.state = f"{self.root}/$state"
        self.description = f"{self.root}/$description"
        self.alert = f"{self.root}/$alert/source"
        self.bridge = f"{self.root}/{BRIDGE_NODE}"
        self.frame = f"{self.bridge}/frame"
        self.skipped = f"{self.bridge}/skipped"
        self.instance = f"{self.bridge}/instance"
        self.nodes = {watch.name: f"{self.root}/{ids[watch.name]}" for watch in watches}
        nodes: dict[str, Any] = {ids[watch.name]: _watch_node(watch) for watch in watches}
        nodes[BRIDGE_NODE] = _bridge_node()
        self.practice_topics = practice
        self.practice = f"{self.root}/{PRACTICE_NODE}"
        if practice.any:
            _refuse_node(ids, PRACTICE_NODE, "the steps and attempts")
            nodes[PRACTICE_NODE] = practice.node()
        self.heap_events = heap_events
        self.heap_event = f"{self.root}/{HEAP_NODE}/{HEAP_EVENT}"
        self.heap_left_out = f"{self.root}/{HEAP_NODE}/{LEFT_OUT}"
        if heap_events:
            _refuse_node(ids, HEAP_NODE, "the heap's events")
            nodes[HEAP_NODE] = heap_node()
        self.plan = f"{self.root}/{PLAN_NODE}"
        self.has_plan = plan
        if plan:
            _refuse_node(ids, PLAN_NODE, "the plan that is followed")
            nodes[PLAN_NODE] = plan_node()
        self.event = f"{self.practice}/{EVENT}"
        self.events_dropped = f"{self.practice}/{EVENTS_DROPPED}"
        self.content: dict[str, Any] = {"homie": "5.0", "name": name, "nodes": nodes}
        self.properties = frozenset(
            f"{self.root}/{node}/{name}"
            for node, about in nodes.items()
            for name, property in about["properties"].items()
            if property.get("retained", True)
        )
        self.retained = self.properties | {self.state, self.description, self.alert}

    def content_of(self, valued: Collection[str] | None = None) -> dict[str, Any]:
        """What ``$description`` says, its version left out.

        Of the retained properties only those whose topics are in *valued* are in it; all are where
        it is None.
        """
        if valued is None:
            return self.content
        nodes = {
            node: {
                **about,
                "properties": {
                    name: property
                    for name, property in about["properties"].items()
                    if not property.get("retained", True) or f"{self.root}/{node}/{name}" in valued
                },
            }
            for node, about in self.content["nodes"].items()
        }
        return {**self.content, "nodes": nodes}

    def describe(self, version: int, valued: Collection[str] | None = None) -> bytes:
        """The payload of ``$description``, of the properties in *valued* (see ``content_of``)."""
        content = self.content_of(valued)
        return _json({"homie": content["homie"], "version": version, **content})

    def described_alike(self, published: bytes | None) -> frozenset[str]:
        """The topics of the retained properties that the description *published* has the same of.

        What a broker holds under these is a value of the same type.
        """
        found = read_description(published)
        nodes = found[1].get("nodes") if found is not None else None
        alike = set()
        for node, about in self.content["nodes"].items():
            other = nodes.get(node) if isinstance(nodes, dict) else None
            others = other.get("properties") if isinstance(other, dict) else None
            for name, property in about["properties"].items():
                if isinstance(others, dict) and others.get(name) == property:
                    alike.add(f"{self.root}/{node}/{name}")
        return self.properties & alike

    def version_after(self, *published: bytes | None, valued: Collection[str] | None = None) -> int:
        """The version to publish where *published* are the descriptions known so far.

        It is theirs where they say the same as ``content_of(valued)``.  Otherwise it is higher than
        any, and not below the seconds since the Unix epoch, so that it does not fall where nothing
        is known any more.
        """
        versions = []
        wanted = self.content_of(valued)
        for found in map(read_description, published):
            if found is not None:
                version, content = found
                same = content == wanted
                versions.append(version if same else max(version + 1, int(time.time())))
        return max(versions, default=int(time.time()))


def _refuse_node(ids: Mapping[str, str], node: str, of: str) -> None:
    """Raise OutputError where a watch has this topic id."""
    for name, id in ids.items():
        if id == node:
            raise OutputError(
                f"watch {name} has the topic id {node}, which is that of {of}; rename it",
                output="mqtt",
            )


def read_description(payload: bytes | None) -> tuple[int, dict[str, Any]] | None:
    """The version and the rest of a ``$description``; None where it is not one."""
    try:
        content = json.loads(payload or b"")
    except (ValueError, RecursionError):
        return None
    if not isinstance(content, dict):
        return None
    version = content.pop("version", None)
    if type(version) is not int or not 0 <= version <= _VERSION_HIGHEST:
        return None
    return version, content


def _watch_node(watch: Watch) -> dict[str, Any]:
    properties: dict[str, Property] = {
        "value": {"name": "Value", "datatype": datatype(watch.type)},
        "text": {"name": "Text", "datatype": "string"},
        "status": {"name": "Status", "datatype": "enum", "format": ",".join(Status)},
    }
    if watch.target is not None:
        properties["target"] = {"name": "Target", "datatype": "enum", "format": TARGETS}
        if watch.target.measured:
            properties["distance"] = {"name": "Distance", "datatype": "float"}
    return {"name": watch.title, "type": "lowhalf-watch", "properties": properties}


def _bridge_node() -> dict[str, Any]:
    properties: dict[str, Property] = {
        "build": {"name": "Build", "datatype": "string"},
        "source": {"name": "Source", "datatype": "string"},
        "consistency": {"name": "Consistency", "datatype": "string"},
        "skipped": {"name": "Frames never sent", "datatype": "integer"},
        "instance": {"name": "Instance", "datatype": "string"},
        "frame": {"name": "Frame", "datatype": "json", "retained": False},
    }
    return {"name": "Bridge", "type": "lowhalf-bridge", "properties": properties}


def datatype(kind: ValueType) -> str:
    """The convention's datatype for a value; its integers are signed 64-bit, so u64 is a string."""
    if kind.kind is Kind.INTEGER:
        return "string" if kind.bits == 64 and not kind.signed else "integer"
    return {Kind.FLOAT: "float", Kind.BOOLEAN: "boolean", Kind.TEXT: "string"}[kind.kind]


def value_payload(value: Value, kind: ValueType) -> bytes | None:
    """*value* in the datatype of *kind*; None where the datatype cannot hold it."""
    if kind.kind is Kind.TEXT:
        return string_payload(value) if isinstance(value, str) else None
    if isinstance(value, str):
        return None
    if kind.kind is Kind.FLOAT:
        return float_payload(value, single=kind.single)
    if kind.kind is Kind.BOOLEAN:
        return b"true" if value else b"false"
    if isinstance(value, float):
        return None
    unsigned = datatype(kind) == "string"
    lowest, highest = (0, _UNSIGNED_HIGHEST) if unsigned else (_INTEGER_LOWEST, _INTEGER_HIGHEST)
    return b"%d" % value if lowest <= value <= highest else None


def float_payload(value: float, *, single: bool = False) -> bytes | None:
    """A float as digits, ``-``, ``.`` and ``e``; None for what is not finite."""
    try:
        value = float(value)
    except OverflowError:
        return None
    if not math.isfinite(value):
        return None
    text = shortest_single(value) if single else repr(value)
    return text.replace("+", "").encode()


def string_payload(text: str) -> bytes:
    """A string by the convention, see ``homie_string``."""
    return homie_string(text)


def value_of(reading: Reading) -> bytes | None:
    """The payload of a reading's value; None where there is nothing to publish."""
    if reading.value is None or not (reading.status.has_value or reading.status is Status.OFFLINE):
        return None
    return value_payload(reading.value, reading.watch.type)


def status_of(reading: Reading) -> Status:
    """A reading's status; ``error`` where the datatype cannot hold its value."""
    if reading.status.has_value and value_of(reading) is None:
        return Status.ERROR
    return reading.status


def reading_payloads(reading: Reading) -> dict[str, bytes]:
    """What to publish of a reading, by property; what is left out is left as it was.

    A distance that is not known is DELETED: the convention has no number that says so.
    """
    status = status_of(reading)
    payloads: dict[str, bytes] = {}
    value = value_of(reading)
    if value is not None:
        payloads["value"] = value
    payloads["text"] = string_payload(_text(reading))
    if (aim := reading.watch.target) is not None:
        judged = reading.target if status.has_value else None
        payloads["target"] = (judged or UNKNOWN).encode()
        if aim.measured:
            distance = reading.distance if status.has_value else None
            found = float_payload(distance) if distance is not None else None
            payloads["distance"] = found or DELETED
    # Last, so that who waits for ok finds the value that belongs to it.
    payloads["status"] = status.encode()
    return payloads


def _text(reading: Reading) -> str:
    try:
        return reading.text
    except (ValueError, OverflowError):
        # Python refuses to write integers of thousands of digits.
        return ""


def bridge_payloads(frame: Frame | None) -> dict[str, bytes]:
    """What to publish of the frame itself, by property of the bridge node; empty without one."""
    if frame is None:
        return dict.fromkeys(("build", "source", "consistency"), string_payload(""))
    return {
        "build": string_payload(frame.build),
        "source": string_payload(public_text(frame.source, frame.paths)),
        "consistency": string_payload(frame.consistency),
    }


def alert_payload(frame: Frame) -> bytes:
    """Why the source is gone; DELETED while it is there.

    Files are called by their names alone: a broker's readers are not at this machine.
    """
    if frame.note:
        return homie_string(public_text(frame.note, frame.paths))
    for reading in frame.readings:
        if reading.status is Status.OFFLINE:
            return homie_string(public_text(reading.reason, frame.paths) or "source unavailable")
    return DELETED


def frame_payload(frame: Frame) -> bytes:
    """A whole frame: ``{"frame", "time", "build", "values": {watch: value}, "not_ok": {watch:
    status}}``, each watch under its own name in one of the two.  Where a value has a warning beside
    it, there is ``"warned": {watch: status}`` as well.
    """
    values: dict[str, Value] = {}
    not_ok: dict[str, str] = {}
    warned: dict[str, str] = {}
    for reading in frame.readings:
        status = status_of(reading)
        if status.has_value and reading.value is not None:
            values[reading.watch.name] = reading.value
            if status is not Status.OK:
                warned[reading.watch.name] = str(status)
        else:
            not_ok[reading.watch.name] = str(status)
    return _json(
        {
            "frame": frame.number,
            "time": frame.time,
            "build": frame.build,
            "values": values,
            "not_ok": not_ok,
            **({"warned": warned} if warned else {}),
        }
    )


def _json(content: Mapping[str, Any]) -> bytes:
    return homie_json(content)
