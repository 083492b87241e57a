"""A client of one connection that sends without waiting and keeps nothing in heaps.

The rules here come from faults that were provoked and measured:

* A client is used for one connection.  A second use of one can return before the broker answered.
* Sending does not notice a lost connection: :meth:`CarefulClient.ended` does, in a task beside.
* What is sent is not waited for one by one, so that a broker far away costs one way there and back
  and not one a message.  At QoS 1 as many are under way as the broker says that it takes ("Receive
  Maximum", MQTT 5.0, section 3.2.2.3.3), at QoS 0 as many as the socket takes at once; its buffers
  are small, so that what it holds is not old.
* What comes in is handed over at once and never queued; the broker is told how large a packet may
  be and how many may be under way (sections 3.1.2.11.3 and 3.1.2.11.4).
* On Python 3.11 a cancellation can get lost inside ``asyncio.wait_for``, so nothing here uses it.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import time
from collections.abc import Callable, Iterator
from typing import Any, Final, TypeVar

import aiomqtt
from paho.mqtt import client as paho
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

__all__ = [
    "MAX_PACKET_SIZE",
    "REFUSED",
    "TAKEN",
    "TOO_LARGE",
    "CarefulClient",
    "Heard",
    "json_properties",
    "obey_cancellation",
    "reason_words",
]

_Answer = TypeVar("_Answer")

Heard = Callable[[str, bytes, bool], None]
"""Takes an incoming message's topic, its payload and whether it is a retained one."""

TAKEN: Final = 0
"""The answer to a message that the broker took; a reason code from REFUSED on where not."""
REFUSED: Final = 0x80
TOO_LARGE: Final = 0x95
MAX_PACKET_SIZE: Final = 256 << 10
_UNDER_WAY: Final = 20
_BUFFER: Final = 64 << 10
_MAX_ANSWER_TIME: Final = 20.0
"""Seconds that an answer may take while other things come in."""


class CarefulClient(aiomqtt.Client):
    """Connects once, and sends at once whatever it is given.

    ``receive_maximum`` and ``largest`` are the broker's limits, known once it is connected.
    """

    def __init__(
        self,
        host: str,
        port: int,
        heard: Heard,
        *,
        identifier: str,
        user: str,
        password: str | None,
        tls: bool,
        will: aiomqtt.Will | None,
        patience: float,
        largest_packet: int = MAX_PACKET_SIZE,
    ) -> None:
        limits = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        limits.MaximumPacketSize = largest_packet
        limits.ReceiveMaximum = _UNDER_WAY
        super().__init__(
            host,
            port,
            username=user or None,
            password=password,
            identifier=identifier,
            protocol=aiomqtt.ProtocolVersion.V5,
            will=will,
            timeout=patience,
            keepalive=5,
            clean_start=True,
            properties=limits,
            max_inflight_messages=_UNDER_WAY,
            tls_params=aiomqtt.TLSParameters() if tls else None,
            logger=_silent_logger(),
        )
        self._client.connect_timeout = patience
        self._heard = heard
        self._answers: dict[int, asyncio.Future[int]] = {}
        self._patience = patience
        self._room = asyncio.Semaphore(_UNDER_WAY)
        self._acknowledged: set[int] = set()
        self._received = time.monotonic()
        self.receive_maximum = _UNDER_WAY
        self.largest: int | None = None

    async def connect(self) -> None:
        """Raises OSError, ssl.SSLError and MqttError as they come.

        Connecting happens in a thread that no cancellation stops: it is waited for a little, or
        else kept from touching the loop once it is through.
        """
        loop = asyncio.get_running_loop()
        opening = loop.run_in_executor(None, self._client_connect)
        try:
            await asyncio.shield(opening)
        except asyncio.CancelledError:
            await asyncio.wait({opening}, timeout=2 * self._patience / 10)
            self._client.on_socket_open = None
            opening.add_done_callback(_looked_at)
            raise
        except ValueError as fault:
            raise aiomqtt.MqttError(str(fault)) from fault
        wire = self._client.socket()
        if isinstance(wire, socket.socket):
            wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            for buffer in (socket.SO_SNDBUF, socket.SO_RCVBUF):
                wire.setsockopt(socket.SOL_SOCKET, buffer, _BUFFER)
        await self.in_time(self._connected)

    async def ended(self) -> None:
        """Return or raise once the connection has ended."""
        await asyncio.shield(self._disconnected)

    # Sending.

    def send(
        self,
        topic: str,
        payload: bytes,
        qos: int,
        *,
        retain: bool = True,
        properties: Properties | None = None,
    ) -> asyncio.Future[int]:
        """Hand a message over at once.

        What is returned is done when the broker has acknowledged it, with its reason code, and at
        QoS 0 when the socket has taken it.  Raises MqttError.
        """
        answer: asyncio.Future[int] = self._loop.create_future()
        if self.largest is not None and len(topic.encode()) + len(payload) + 64 > self.largest:
            answer.set_result(TOO_LARGE)
            return answer
        info = self._client.publish(topic, payload, qos, retain, properties)
        if info.rc != paho.MQTT_ERR_SUCCESS:
            raise aiomqtt.MqttCodeError(info.rc, "Could not publish message") from self._why()
        if qos:
            self._acknowledged.add(info.mid)
        elif info.is_published():
            answer.set_result(TAKEN)
            return answer
        self._answers[info.mid] = answer
        return answer

    @property
    def spare(self) -> int:
        """How many more messages may be under way at QoS 1."""
        return self.receive_maximum - len(self._acknowledged)

    async def room(self) -> None:
        """Wait until one more message may be under way at QoS 1; send it then, without waiting."""
        await self._room.acquire()

    def subscribe_to(
        self, *topics: tuple[str, SubscribeOptions]
    ) -> asyncio.Future[tuple[int, ...] | list[ReasonCode]]:
        """Ask for all in one packet at once; see ``granted``.  Raises MqttError."""
        result, mid = self._client.subscribe(list(topics))
        if result != paho.MQTT_ERR_SUCCESS or mid is None:
            raise aiomqtt.MqttCodeError(result, "Could not subscribe to topic") from self._why()
        asked: asyncio.Future[tuple[int, ...] | list[ReasonCode]] = self._loop.create_future()
        self._pending_subscribes[mid] = asked
        return asked

    async def granted(self, asked: asyncio.Future[tuple[int, ...] | list[ReasonCode]]) -> list[int]:
        """The reason code for each topic that was asked for.  Raises MqttError."""
        return [_code(code) for code in await self.in_time(asked)]

    def unsubscribe_from(self, *topics: str) -> None:
        """Ask for no more, at once and without an answer.  Raises MqttError."""
        result, mid = self._client.unsubscribe(list(topics))
        if result != paho.MQTT_ERR_SUCCESS or mid is None:
            raise aiomqtt.MqttCodeError(result, "Could not unsubscribe") from self._why()
        self._pending_unsubscribes[mid] = asyncio.Event()

    async def in_time(self, answer: asyncio.Future[_Answer]) -> _Answer:
        """Wait for what the broker has to answer.  Raises MqttError.

        It may take its patience's time, and longer while it sends anything at all.
        """
        began = now = time.monotonic()
        while not answer.done():
            heard = min(self._received + self._patience, began + _MAX_ANSWER_TIME)
            left = max(began + self._patience, heard) - now
            if left <= 0:
                raise aiomqtt.MqttError(f"no answer within {now - began:.0f} s")
            await asyncio.wait({answer}, timeout=left)
            obey_cancellation()
            now = time.monotonic()
        return answer.result()

    def _why(self) -> BaseException | None:
        ended = self._disconnected
        return ended.exception() if ended.done() and not ended.cancelled() else None

    # The end.

    async def leave(self, patience: float) -> None:
        """Say that the client goes on purpose, so that the broker keeps its will to itself."""
        if self._client.disconnect() == paho.MQTT_ERR_SUCCESS:
            await asyncio.wait({self._disconnected}, timeout=patience)

    async def drop(self) -> None:
        """Cut the connection without a farewell, so that the broker publishes the will.

        What the client scheduled on the loop runs first: it names the socket by its number, which
        is another's as soon as the socket is closed.
        """
        inner = self._client
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
                for stop_watching in (self._loop.remove_reader, self._loop.remove_writer):
                    stop_watching(wire)
                wire.close()
        # The client's own task ends on the next two turns of the loop.
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        if self._misc_task is not None:
            self._misc_task.cancel()
        for future in (self._connected, self._disconnected):
            if future.done():
                _looked_at(future)

    # What the libraries call.

    def _on_connect(
        self,
        client: paho.Client,
        userdata: Any,
        flags: paho.ConnectFlags,
        reason_code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:
        if not self._connected.done():
            stated = getattr(properties, "ReceiveMaximum", None)
            if isinstance(stated, int):
                self.receive_maximum = min(_UNDER_WAY, max(1, stated))
                self._room = asyncio.Semaphore(self.receive_maximum)
            largest = getattr(properties, "MaximumPacketSize", None)
            if isinstance(largest, int):
                self.largest = largest
        super()._on_connect(client, userdata, flags, reason_code, properties)

    def _on_disconnect(
        self,
        client: paho.Client,
        userdata: Any,
        flags: paho.DisconnectFlags,
        reason_code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:
        if not self._connected.done():
            # The base says nothing of an end before the broker's first word.
            self._connected.set_exception(aiomqtt.MqttCodeError(reason_code, "Closed"))
        super()._on_disconnect(client, userdata, flags, reason_code, properties)

    def _on_message(self, client: paho.Client, userdata: Any, message: paho.MQTTMessage) -> None:
        with contextlib.suppress(UnicodeDecodeError):
            self._heard(message.topic, bytes(message.payload), message.retain)

    def _on_publish(
        self,
        client: paho.Client,
        userdata: Any,
        mid: int,
        reason_code: ReasonCode,
        properties: Properties,
    ) -> None:
        if mid in self._acknowledged:
            self._acknowledged.discard(mid)
            self._room.release()
        answer = self._answers.pop(mid, None)
        if answer is not None and not answer.done():
            answer.set_result(_code(reason_code))

    def _on_socket_open(self, client: paho.Client, userdata: Any, sock: Any) -> None:
        def read() -> None:
            self._received = time.monotonic()
            with self._fault_is_the_end():
                client.loop_read()
                # An encrypted socket may hold more than it shows.
                while getattr(client.socket(), "pending", int)():
                    client.loop_read()

        def begin() -> None:
            if sock.fileno() >= 0:
                self._loop.add_reader(sock.fileno(), read)
                self._misc_task = self._loop.create_task(self._misc_loop())

        self._loop.call_soon_threadsafe(begin)

    def _on_socket_register_write(self, client: paho.Client, userdata: Any, sock: Any) -> None:
        def write() -> None:
            with self._fault_is_the_end():
                client.loop_write()

        def register() -> None:
            if sock.fileno() >= 0:
                self._loop.add_writer(sock.fileno(), write)

        self._loop.call_soon_threadsafe(register)

    def _on_socket_unregister_write(self, client: paho.Client, userdata: Any, sock: Any) -> None:
        if sock.fileno() >= 0:
            self._loop.remove_writer(sock.fileno())

    async def _misc_loop(self) -> None:
        with self._fault_is_the_end():
            while self._client.loop_misc() == paho.MQTT_ERR_SUCCESS:  # noqa: ASYNC110
                await asyncio.sleep(1)

    @contextlib.contextmanager
    def _fault_is_the_end(self) -> Iterator[None]:
        try:
            yield
        except Exception as fault:
            end: Exception = fault
            if not isinstance(fault, aiomqtt.MqttError | OSError):
                # The parser gave up, each time in another way.
                end = aiomqtt.MqttError("what it sends is not MQTT 5.0")
            for future in (self._connected, self._disconnected):
                if not future.done():
                    future.set_exception(end)


def obey_cancellation() -> None:
    """Raise CancelledError where the task was cancelled and the cancellation got lost."""
    task = asyncio.current_task()
    if task is not None and task.cancelling():
        raise asyncio.CancelledError


def json_properties() -> Properties:
    """The properties of a message whose payload is JSON (MQTT 5.0, section 3.3.2.3)."""
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.PayloadFormatIndicator = 1
    properties.ContentType = "application/json"
    return properties


def reason_words(code: int) -> str:
    """The name that MQTT 5.0, section 2.4, gives a reason code."""
    if code == TOO_LARGE:
        return "packet too large"
    try:
        return str(ReasonCode(PacketTypes.PUBACK, identifier=code)).lower()
    except (KeyError, AssertionError):
        return f"reason code {code}"


def _code(code: ReasonCode | int) -> int:
    return code if isinstance(code, int) else int(code.value or 0)


def _looked_at(future: asyncio.Future[Any]) -> None:
    """An exception that nobody looks at would be logged when the future goes."""
    if not future.cancelled():
        future.exception()


def _silent_logger() -> logging.Logger:
    """The libraries' own messages: a line for every retry, which nobody asked for."""
    logger = logging.Logger("lowhalf.mqtt.wire", logging.CRITICAL)
    logger.addHandler(logging.NullHandler())
    return logger
