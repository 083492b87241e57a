"""Readings to an MQTT broker, by the Homie convention 5 (see :mod:`adapters.outputs.homie`).

The rules here come from faults that were provoked and measured:

* A client is used for one attempt.  A second use of one can return before the broker answered.
* Publishing does not notice a lost connection, so a task that reads runs beside the writers, and
  ends them.  At QoS 0 a frozen broker accepts everything, so a message at QoS 1 with a short
  timeout goes out every two seconds.
* Neither the client nor the broker keeps a queue in bounds, so nothing is queued: each writer has
  one message under way and takes the newest value when that is through.
* On Python 3.11 a cancellation can get lost inside a publish, so each publish is followed by a
  look at whether one was asked for.
* A last will can arrive after the client that it belongs to is back.  The client id is fixed, and
  the bridge reads its own ``$state`` and says ``ready`` again.
* Two bridges with one id would throw each other out for ever, and not every broker tells the one
  that was thrown out why.  So each process names itself in ``bridge/instance``, and before it comes
  back it looks, under another client id, whose name stands there.  Another's name that is repeated
  keeps it waiting.

Per-watch topics are retained at QoS 0, which the convention leaves open, and are sent again at
QoS 1 once they have settled, since brokers need not keep what was retained at QoS 0.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import math
import random
import re
import socket
import time
from collections.abc import AsyncIterator, Coroutine, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar, Final
from urllib.parse import urlsplit

import aiomqtt
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt import client as paho
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from adapters.outputs import homie
from adapters.outputs.homie_practice import NO_PRACTICE, PracticeTopics
from bridge.output import Output
from bridge.readings import Frame, Reading, Status, Watch
from schemas import output_settings
from schemas.errors import OutputError

_NOT_AUTHORIZED: Final = (134, 135)
_HOST = re.compile(r"[A-Za-z0-9._:%-]+")
_PORTS: Final = {"mqtt": 1883, "mqtts": 8883}


@dataclass(frozen=True, slots=True)
class Timing:
    """Times in seconds."""

    heartbeat: float = 2.0
    """Between two messages that the broker must acknowledge."""
    patience: float = 2.0
    """How long the broker may take over anything."""
    farewell: float = 0.4
    """How long the broker may take over the last message, and again over the end."""
    settled: float = 1.0
    """How long a value has not changed when it is sent again at QoS 1."""
    first_retry: float = 0.2
    longest_retry: float = 5.0
    refused_retry: float = 5.0
    """The shortest wait after a refusal; it grows to six times that."""
    look: float = 0.3
    """How long the broker may take to tell whose the device is, where it says nothing else."""
    standby: float = 6.0
    """How long another process must have been silent before its device is taken."""


@dataclass(frozen=True, slots=True)
class Broker:
    """Where the broker is."""

    host: str
    port: int
    tls: bool

    def __str__(self) -> str:
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"

    @property
    def url(self) -> str:
        """Where it is, as an address; a user or a password never stands in it."""
        return f"{'mqtts' if self.tls else 'mqtt'}://{self}"


def parse_url(url: str) -> Broker:
    """The broker that ``mqtt://HOST:PORT`` or ``mqtts://HOST:PORT`` names.  Raises OutputError."""
    expected = "expected mqtt://HOST:PORT or mqtts://HOST:PORT"
    if "@" in url:
        raise OutputError(
            f"url: {expected}, found a user in it; set user and LOWHALF_MQTT_PASSWORD instead",
            output="mqtt",
        )
    wrong = OutputError(f'url: {expected}, found "{url}"', output="mqtt")
    try:
        parts = urlsplit(url)
        host, port = parts.hostname, parts.port
    except ValueError as error:
        raise wrong from error
    if parts.scheme not in _PORTS or not host or not _HOST.fullmatch(host) or port == 0:
        raise wrong
    if not url.isprintable() or parts.path not in ("", "/") or parts.query or parts.fragment:
        raise wrong
    return Broker(host, _PORTS[parts.scheme] if port is None else port, parts.scheme == "mqtts")


@dataclass(slots=True)
class _Sent:
    """What a connection has published: the payload by topic, and what waits for its turn."""

    payloads: dict[str, bytes] = field(default_factory=dict)
    unsettled: dict[str, float] = field(default_factory=dict)
    seen: dict[str, Reading] = field(default_factory=dict)
    due: dict[str, float] = field(default_factory=dict)
    retained: set[str] = field(default_factory=set)
    description: bytes | None = None
    device: homie.Device | None = None
    doubted: bool = False
    asserted: float = float("-inf")
    ready_since: float | None = None


@dataclass(frozen=True, slots=True)
class _Fault:
    """Why a connection ended: ``code`` is a reason code of MQTT 5.0, section 2.4, or 0."""

    words: str
    code: int = 0
    refused: bool = False


class _Client(aiomqtt.Client):
    """A client that waits for its socket to take more only as long as the socket is open.

    The base names the socket by its number and asks for it a turn of the loop later.  By then the
    socket may be closed, and the number another's.
    """

    def _on_socket_register_write(self, client: paho.Client, userdata: Any, sock: Any) -> None:
        def write() -> None:
            try:
                client.loop_write()
            except Exception as error:
                if not self._disconnected.done():
                    self._disconnected.set_exception(error)

        def register() -> None:
            if sock.fileno() >= 0:
                self._loop.add_writer(sock.fileno(), write)

        self._loop.call_soon_threadsafe(register)


class MqttOutput(Output):
    """Publishes watches to a broker and keeps at it for as long as it runs.

    ``skipped`` counts frames that no ``bridge/frame`` message was sent for, those handed over
    while there was no broker included.  The event loop must offer ``add_reader`` (on Windows: a
    selector event loop).  Raises OutputError for settings that can never work.
    """

    kind: ClassVar[str] = "mqtt"

    def __init__(
        self,
        settings: output_settings.MqttOutput,
        bridge_name: str,
        *,
        user: str = "",
        password: str | None = None,
        log: logging.Logger,
        timing: Timing | None = None,
        practice: PracticeTopics = NO_PRACTICE,
    ) -> None:
        super().__init__()
        self.broker = parse_url(settings.url)
        self.device_id = homie.device_id(settings.device, bridge_name)
        self._name = bridge_name
        self._practice = practice
        self._user = settings.user or user
        self._password = password
        if password is not None and not self._user:
            raise OutputError(
                "a password needs a user; set user or LOWHALF_MQTT_USER", output="mqtt"
            )
        self._log = log
        self._timing = timing or Timing()
        self._interval = 1 / settings.max_rate
        self._device: homie.Device | None = None
        self._newest: Frame | None = None
        self._unsent: Frame | None = None
        self._announced = asyncio.Event()
        self._frame_waits = asyncio.Event()
        self._topics_wait = asyncio.Event()
        self._published: bytes | None = None
        self._said = ""
        self._missing = "not tried yet"
        self._unheard = False
        self._claimed = False
        self._instance = f"{random.getrandbits(64):016x}".encode()
        self._sent = _Sent()

    @property
    def state(self) -> str:
        """``connected to mqtt://HOST:PORT``, or ``not connected: `` and why."""
        if self._missing:
            return f"not connected: {self._missing}"
        return f"connected to {self.broker.url}"

    # What the daemon calls.

    def announce(self, watches: Sequence[Watch]) -> None:
        self._device = homie.Device(self.device_id, self._name, watches, self._practice)
        self._newest = None
        self._announced.set()
        self._topics_wait.set()

    def publish(self, frame: Frame) -> None:
        if self._unsent is not None:
            self.skipped += 1
        self._newest = self._unsent = frame
        self._frame_waits.set()
        self._topics_wait.set()

    async def run(self) -> None:
        await self._announced.wait()
        timing = self._timing
        failures = 0
        while True:
            self._sent = _Sent()
            fault = await self._attempt(self._turn())
            ready = self._sent.ready_since
            lasted = ready is not None and time.monotonic() - ready >= timing.patience
            failures = 0 if lasted else min(failures + 1, 16)
            delay = min(timing.first_retry * 2**failures, timing.longest_retry)
            if fault.refused:
                delay = min(timing.refused_retry * 2 ** (failures - 1), 6 * timing.refused_retry)
            self._say_fault(fault, was_ready=ready is not None)
            await asyncio.sleep(delay * random.uniform(0.5, 1.0))

    def _say_fault(self, fault: _Fault, *, was_ready: bool) -> None:
        why = fault.words
        self._missing = f"{self.broker.url}: {why}"
        if fault.refused:
            if fault.code in _NOT_AUTHORIZED:
                why = "not authorized; check user and LOWHALF_MQTT_PASSWORD"
            self._missing = f"{self.broker.url} refused: {why}"
            state, level, message = f"refused {fault.code}", logging.ERROR, "%s refused: %s"
        elif was_ready:
            state, level, message = "lost", logging.WARNING, "lost the broker at %s: %s"
        elif self._said == "lost":
            return
        else:
            state, level, message = "absent", logging.WARNING, "no broker at %s: %s"
        self._say(state, level, f"{message}; trying again", self.broker, why)

    def _say(self, state: str, level: int, message: str, *arguments: object) -> None:
        """Log a change of state; a state that is already known is not said again."""
        if state != self._said:
            self._said = state
            self._log.log(level, f"mqtt: {message}", *arguments)

    async def _attempt(self, work: Coroutine[None, None, None]) -> _Fault:
        """Run *work* in a task of its own and return the broker's fault that ended it.

        A cancellation reaches the task, which gets the time to say good-bye.  Any other fault is
        raised.
        """
        task = asyncio.create_task(work)
        try:
            await asyncio.wait({task})
        except asyncio.CancelledError:
            task.cancel()
            await asyncio.wait({task}, timeout=0.95)
            if task.done() and not task.cancelled():
                task.exception()
            raise
        error = None if task.cancelled() else task.exception()
        if error is not None and not _is_brokers(error):
            raise error
        # Only words are kept: an error holds on to the socket that it came from.
        return _fault(error)

    # One connection.

    @contextlib.asynccontextmanager
    async def _connected(
        self, identifier: str, device: homie.Device | None
    ) -> AsyncIterator[aiomqtt.Client]:
        """A connected client; with *device* it leaves that device's will with the broker."""
        timing = self._timing
        client = _Client(
            self.broker.host,
            self.broker.port,
            username=self._user or None,
            password=self._password,
            identifier=identifier,
            protocol=aiomqtt.ProtocolVersion.V5,
            will=None if device is None else aiomqtt.Will(device.state, b"lost", 1, True),
            timeout=timing.patience,
            keepalive=5,
            clean_start=True,
            tls_params=aiomqtt.TLSParameters() if self.broker.tls else None,
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
            logger=_silent_logger(),
        )
        client._client.connect_timeout = timing.patience
        # Connecting happens in a thread that no cancellation stops: it is waited for, or else
        # kept from touching the loop once it is through.
        entering = asyncio.create_task(client.__aenter__())
        try:
            try:
                await asyncio.shield(entering)
            except asyncio.CancelledError:
                await asyncio.wait({entering}, timeout=timing.farewell)
                entering.cancel()
                await asyncio.wait({entering}, timeout=0.05)
                if entering.done() and not entering.cancelled():
                    entering.exception()
                raise
            except (aiomqtt.MqttError, OSError):
                raise
            except ValueError as error:
                raise aiomqtt.MqttError(str(error)) from error
            _obey_cancellation()
            yield client
        finally:
            await _drop(client)

    async def _turn(self) -> None:
        if self._claimed:
            await self._stand_by()
        await self._session()

    async def _session(self) -> None:
        device = self._device
        assert device is not None
        sent = self._sent
        async with self._connected(self.device_id, device) as client:
            try:
                await self._collect(client, device)
                await self._present(client)
                self._say(
                    "connected",
                    logging.INFO,
                    "connected to %s as %s",
                    self.broker,
                    device.root,
                )
                sent.ready_since = time.monotonic()
                self._missing = ""
                async with asyncio.TaskGroup() as tasks:
                    tasks.create_task(self._read(client))
                    tasks.create_task(self._write_topics(client))
                    tasks.create_task(self._write_frames(client))
                    tasks.create_task(self._beat(client))
            except asyncio.CancelledError:
                await self._leave(client, device)
                raise

    async def _send(
        self, client: aiomqtt.Client, topic: str, payload: bytes, qos: int = 1, retain: bool = True
    ) -> None:
        device = self._sent.device
        json = device is not None and topic in (device.description, device.frame)
        await client.publish(topic, payload, qos, retain, _json_properties() if json else None)
        _obey_cancellation()
        if retain:
            if payload:
                self._sent.retained.add(topic)
            else:
                self._sent.retained.discard(topic)

    async def _collect(self, client: aiomqtt.Client, device: homie.Device) -> None:
        """Learn what the broker holds of the device, and say that it is being set up.

        The broker delivers in order: what it held comes before the echo of ``init``.
        """
        everything = f"{device.root}/#"
        granted = await client.subscribe(everything, 0)
        _obey_cancellation()
        await self._send(client, device.state, b"init")
        await self._send(client, device.instance, self._instance)
        self._claimed = True
        if _allowed(granted):
            try:
                async with asyncio.timeout(self._timing.patience):
                    async for message in client.messages:
                        topic, payload = message.topic.value, _bytes(message.payload)
                        if message.retain:
                            self._sent.retained.add(topic)
                            if topic == device.description:
                                self._sent.description = payload
                        elif topic == device.state and payload == b"init":
                            break
            except TimeoutError:
                if not self._unheard:
                    self._unheard = True
                    self._log.warning(
                        "mqtt: %s does not pass on what is published under %s; its access list "
                        "may refuse it",
                        self.broker,
                        device.root,
                    )
        # The state's own subscription stands before the other one ends, so that nothing is missed.
        await client.subscribe(device.state, options=SubscribeOptions(qos=1, retainHandling=2))
        _obey_cancellation()
        await client.unsubscribe(everything)
        _obey_cancellation()

    async def _present(self, client: aiomqtt.Client) -> None:
        """The whole device: ``init``, description, clean-up, every value, ``ready``."""
        device = self._device
        assert device is not None
        sent = self._sent
        if sent.device is not None:
            await self._send(client, device.state, b"init")
        # Both count: a broker may forget the description, and who listened to it does not.
        version = device.version_after(sent.description, self._published)
        description = device.describe(version)
        sent.device = device
        await self._send(client, device.description, description)
        changed = description != sent.description
        sent.description = self._published = description
        sent.payloads.clear()
        sent.unsettled.clear()
        sent.seen.clear()
        sent.due.clear()
        values = self._all_payloads(device)
        own = {device.state, device.description}
        # A value of another datatype must not outlive its description.
        keep = own | set(values) if changed else device.retained
        for topic in sorted(sent.retained - keep):
            await self._send(client, topic, b"")
        for topic, payload in values.items():
            await self._send(client, topic, payload)
            sent.payloads[topic] = payload
        await self._send(client, device.state, b"ready")
        sent.doubted = False

    def _all_payloads(self, device: homie.Device) -> dict[str, bytes]:
        """Every topic with its payload now; before the first frame every watch is waiting."""
        frame = self._newest
        values: dict[str, bytes] = {}
        readings: Mapping[str, Reading] = {}
        if frame is not None:
            readings = {reading.watch.name: reading for reading in frame.readings}
            values.update(_under(device.bridge, homie.bridge_payloads(frame)))
        for watch in device.watches:
            reading = readings.get(watch.name) or Reading(watch, Status.WAITING)
            values.update(_under(device.nodes[watch.name], homie.reading_payloads(reading)))
        practice = frame.practice if frame is not None else None
        values.update(_under(device.practice, device.practice_topics.payloads(practice)))
        values[device.alert] = b"" if frame is None else homie.alert_payload(frame)
        values[device.skipped] = b"%d" % self.skipped
        values[device.instance] = self._instance
        return values

    async def _read(self, client: aiomqtt.Client) -> None:
        """Notice the end of the connection, and a will that comes late."""
        async for message in client.messages:
            device = self._device
            if device is not None and message.topic.value == device.state:
                doubted = _bytes(message.payload) not in (b"init", b"ready")
                if doubted:
                    self._sent.doubted = True
                    self._topics_wait.set()

    async def _beat(self, client: aiomqtt.Client) -> None:
        while True:
            await asyncio.sleep(self._timing.heartbeat)
            device = self._device
            assert device is not None
            await self._send(client, device.instance, self._instance)
            skipped = b"%d" % self.skipped
            if self._sent.payloads.get(device.skipped) != skipped:
                await self._send(client, device.skipped, skipped)
                self._sent.payloads[device.skipped] = skipped

    async def _write_frames(self, client: aiomqtt.Client) -> None:
        while True:
            await self._frame_waits.wait()
            self._frame_waits.clear()
            frame, self._unsent = self._unsent, None
            device = self._device
            if frame is None or device is None:
                continue
            try:
                await self._send(client, device.frame, homie.frame_payload(frame), 0, False)
            except BaseException:
                self.skipped += 1
                raise

    async def _write_topics(self, client: aiomqtt.Client) -> None:
        sent = self._sent
        while True:
            self._topics_wait.clear()
            if self._device is not sent.device:
                await self._present(client)
            device = self._device
            assert device is not None
            now = time.monotonic()
            wake = now + self._timing.heartbeat
            if sent.doubted:
                # Not more often than once a second: whoever disagrees may be persistent.
                if now - sent.asserted >= 1:
                    sent.doubted, sent.asserted = False, now
                    await self._send(client, device.state, b"ready")
                else:
                    wake = min(wake, sent.asserted + 1)
            wake = min(wake, await self._write_changes(client, device))
            wake = min(wake, await self._write_settled(client))
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(max(0.0, wake - time.monotonic())):
                    await self._topics_wait.wait()

    async def _write_changes(self, client: aiomqtt.Client, device: homie.Device) -> float:
        """Publish what changed and may go out; returns when the next of it may."""
        sent, frame = self._sent, self._newest
        wake = float("inf")
        if frame is None:
            return wake
        now = time.monotonic()
        if sent.due.get(device.bridge, 0) > now:
            wake = sent.due[device.bridge]
        else:
            payloads = _under(device.bridge, homie.bridge_payloads(frame))
            payloads[device.alert] = homie.alert_payload(frame)
            await self._write_node(client, device.bridge, payloads)
        if device.practice_topics.any:
            if (due := sent.due.get(device.practice, 0)) > now:
                wake = min(wake, due)
            else:
                payloads = device.practice_topics.payloads(frame.practice)
                await self._write_node(client, device.practice, _under(device.practice, payloads))
        for reading in frame.readings:
            node = device.nodes.get(reading.watch.name)
            if node is None:
                continue
            if _same(reading, sent.seen.get(node)):
                continue
            if (due := sent.due.get(node, 0)) > now:
                wake = min(wake, due)
                continue
            await self._write_node(client, node, _under(node, homie.reading_payloads(reading)))
            sent.seen[node] = reading
        return wake

    async def _write_node(
        self, client: aiomqtt.Client, node: str, payloads: Mapping[str, bytes]
    ) -> None:
        sent = self._sent
        for topic, payload in payloads.items():
            if sent.payloads.get(topic) == payload:
                continue
            alert = topic.startswith(f"{sent.device.root if sent.device else ''}/$alert/")
            await self._send(client, topic, payload, 1 if alert else 0)
            now = time.monotonic()
            sent.payloads[topic] = payload
            sent.due[node] = now + self._interval
            if not alert:
                sent.unsettled[topic] = now

    async def _write_settled(self, client: aiomqtt.Client) -> float:
        """Send again, at QoS 1, what has not changed for a while; returns when to look again."""
        sent, settled = self._sent, self._timing.settled
        now = time.monotonic()
        ready = [topic for topic, then in sent.unsettled.items() if now - then >= settled]
        # A few at a time: a change of another watch must not wait for a thousand answers.
        for topic in ready[:16]:
            del sent.unsettled[topic]
            await self._send(client, topic, sent.payloads[topic])
        if len(ready) > 16:
            return now
        return min(sent.unsettled.values(), default=float("inf")) + settled

    async def _leave(self, client: aiomqtt.Client, device: homie.Device) -> None:
        """Say that the device goes on purpose, so that the broker does not publish its will."""
        timing = self._timing
        with contextlib.suppress(aiomqtt.MqttError, OSError):
            await client.publish(device.state, b"disconnected", 1, True, timeout=timing.farewell)
        leaving = asyncio.create_task(client.__aexit__(None, None, None))
        await asyncio.wait({leaving}, timeout=timing.farewell / 2)
        if leaving.done():
            leaving.exception()
        else:
            leaving.cancel()

    async def _stand_by(self) -> None:
        """Return once no other process speaks for the device, most often at once."""
        device = self._device
        assert device is not None
        observer = f"{self.device_id}-observer-{self._instance.decode()}"
        try:
            async with self._connected(observer, None) as client:
                await client.subscribe(device.instance, 1)
                _obey_cancellation()
                patience = self._timing.look
                while True:
                    try:
                        async with asyncio.timeout(patience):
                            message = await anext(aiter(client.messages))
                    except TimeoutError:
                        return
                    if _bytes(message.payload) == self._instance:
                        return
                    patience = self._timing.standby
                    self._missing = (
                        f"another process took over the device {self.device_id} at "
                        f"{self.broker.url}"
                    )
                    self._say(
                        "taken over",
                        logging.WARNING,
                        "another process took over the device %s at %s; give each bridge a device "
                        "of its own; standing by until that one is silent",
                        self.device_id,
                        self.broker,
                    )
        except MqttConnectError:
            # A broker may let in none but the device's own id: then there is no looking.
            return


def _same(reading: Reading, seen: Reading | None) -> bool:
    if seen is None or reading.status is not seen.status:
        return False
    value, last = reading.value, seen.value
    if isinstance(value, float) and isinstance(last, float) and value == last:
        # Negative zero is equal to zero and has other bits.
        return math.copysign(1, value) == math.copysign(1, last)
    return value == last


def _under(node: str, payloads: Mapping[str, bytes]) -> dict[str, bytes]:
    return {f"{node}/{name}": payload for name, payload in payloads.items()}


def _bytes(payload: object) -> bytes:
    return payload if isinstance(payload, bytes) else b""


def _allowed(granted: tuple[int, ...] | list[ReasonCode]) -> bool:
    return not any(isinstance(code, ReasonCode) and code.is_failure for code in granted)


def _json_properties() -> Properties:
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.PayloadFormatIndicator = 1
    properties.ContentType = "application/json"
    return properties


def _silent_logger() -> logging.Logger:
    """The libraries' own messages: a line for every retry, which nobody asked for."""
    logger = logging.Logger("lowhalf.mqtt.wire", logging.CRITICAL)
    logger.addHandler(logging.NullHandler())
    return logger


def _obey_cancellation() -> None:
    task = asyncio.current_task()
    if task is not None and task.cancelling():
        raise asyncio.CancelledError


async def _drop(client: aiomqtt.Client) -> None:
    """Cut the connection without a farewell, so that the broker publishes the will.

    What the client scheduled on the loop runs first: it names the socket by its number, which is
    another's as soon as the socket is closed.
    """
    inner = client._client
    inner.on_socket_open = None
    await asyncio.sleep(0)
    wire = inner.socket()
    if isinstance(wire, socket.socket):
        with contextlib.suppress(OSError):
            wire.shutdown(socket.SHUT_RDWR)
        # Reading to the end makes the client close the socket and let go of the loop.
        for _ in range(1000):
            if inner.socket() is None:
                break
            with contextlib.suppress(Exception):
                inner.loop_read()
        else:
            asyncio.get_running_loop().remove_reader(wire)
            wire.close()
    # The client's own task ends on the next two turns of the loop.
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    ended = client._disconnected
    if ended.done() and not ended.cancelled():
        ended.exception()


def _is_brokers(error: BaseException) -> bool:
    if isinstance(error, BaseExceptionGroup):
        return all(_is_brokers(part) for part in error.exceptions)
    return isinstance(error, aiomqtt.MqttError | OSError)


def _fault(error: BaseException | None) -> _Fault:
    """What to know of a fault: of the first in a group that names its cause, else of the first."""
    first: BaseException | None = None
    for leaf in _leaves(error):
        if first is None or (leaf.__cause__ is not None and first.__cause__ is None):
            first = leaf
    if first is None:
        return _Fault("it ended")
    cause = first.__cause__ or first
    code = 0
    if isinstance(cause, aiomqtt.MqttCodeError) and isinstance(cause.rc, ReasonCode):
        code = cause.rc.value or 0
    text = re.sub(r"^\[(?:code:|Errno )-?\d+\] ", "", str(cause)) or type(cause).__name__
    if text == "Unspecified error":
        # What the client calls an end of the stream.
        text = "connection closed"
    refused = isinstance(first, MqttConnectError)
    return _Fault(text[:1].lower() + text[1:].rstrip("."), code, refused)


def _leaves(error: BaseException | None) -> Iterator[BaseException]:
    if isinstance(error, BaseExceptionGroup):
        for part in error.exceptions:
            yield from _leaves(part)
    elif error is not None:
        yield error
