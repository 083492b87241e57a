"""Readings to an MQTT broker, by the Homie convention 5 (see :mod:`adapters.outputs.mqtt.homie`).

What goes over one connection is in ``session``, how it is sent in ``careful_client``, what waits
for it in ``outbox``.  Here connections follow one another:

* A last will can arrive after the client that it belongs to is back.  The client id is fixed, and
  the bridge reads its own ``$state`` and says ``ready`` again.
* Two bridges with one id would throw each other out for ever, and not every broker tells the one
  that was thrown out why.  So each process names itself in ``bridge/instance``, and before it comes
  back it looks, under another client id, whose name stands there.  Another's name that is repeated
  keeps it waiting.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import random
from collections.abc import AsyncIterator, Coroutine, Sequence
from typing import ClassVar, Final

import aiomqtt
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.subscribeoptions import SubscribeOptions

from adapters.outputs.mqtt import homie
from adapters.outputs.mqtt.broker_url import Broker, parse_url
from adapters.outputs.mqtt.careful_client import MAX_PACKET_SIZE, CarefulClient, Heard
from adapters.outputs.mqtt.faults import Fault, fault_of, is_brokers, told_apart
from adapters.outputs.mqtt.homie_practice import NO_PRACTICE, PracticeTopics
from adapters.outputs.mqtt.outbox import Outbox
from adapters.outputs.mqtt.session import Session
from adapters.outputs.mqtt.timing import Timing
from adapters.outputs.surroundings import OutputSurroundings
from adapters.system_clock import system_clock
from bridge.ports.clock import Clock
from bridge.ports.output import Output
from bridge.questions.heap_followed import HeapFollowed
from bridge.questions.question import Question
from bridge.readings.frame import Frame
from bridge.readings.reading import Watch
from schemas import output_settings
from schemas.errors import OutputError

__all__ = ["Broker", "MqttOutput", "Timing", "parse_url"]

_NOT_AUTHORIZED: Final = (134, 135)


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
        clock: Clock | None = None,
        practice: PracticeTopics = NO_PRACTICE,
        heap: HeapFollowed[Question] | None = None,
        plan: bool = False,
    ) -> None:
        self.broker = parse_url(settings.url)
        self.device_id = homie.device_id(settings.device, bridge_name)
        self._outbox = Outbox(
            self.device_id, bridge_name, practice, heap_events=settings.heap_events, plan=plan
        )
        self._heap = heap if settings.heap_events else None
        super().__init__()
        self._user = settings.user or user
        self._password = password
        if password is not None and not self._user:
            raise OutputError(
                "a password needs a user; set user or LOWHALF_MQTT_USER", output="mqtt"
            )
        self._log = log
        self._timing = timing or Timing()
        self._clock = clock or system_clock()
        self._interval = 1 / settings.max_rate
        self._said = ""
        self._warned: set[str] = set()
        self._missing = "not tried yet"
        self._claimed = False
        self._instance = f"{random.getrandbits(64):016x}".encode()
        self._session: Session | None = None

    @classmethod
    def from_bridge(
        cls, settings: output_settings.MqttOutput, around: OutputSurroundings
    ) -> MqttOutput:
        """The output of a bridge file's table; secrets come from the environment."""
        file = around.bridge.file
        return cls(
            settings,
            around.bridge.name,
            user=settings.user or os.environ.get("LOWHALF_MQTT_USER", ""),
            password=os.environ.get("LOWHALF_MQTT_PASSWORD"),
            practice=PracticeTopics(bool(file.steps), file.attempts is not None),
            log=around.log,
            clock=around.clock,
            heap=around.questions.heap,
            plan=file.plan is not None,
        )

    @property
    def skipped(self) -> int:
        return self._outbox.skipped

    @skipped.setter
    def skipped(self, count: int) -> None:
        self._outbox.skipped = count

    @property
    def state(self) -> str:
        """``connected to mqtt://HOST:PORT`` and what it does not take, or ``not connected: `` and
        why.
        """
        if self._missing:
            return f"not connected: {self._missing}"
        refused = self._session.refused if self._session is not None else ""
        return f"connected to {self.broker.url}{f', but {refused}' if refused else ''}"

    # What the daemon calls.

    def announce(self, watches: Sequence[Watch]) -> None:
        self._outbox.announce(watches)

    def publish(self, frame: Frame) -> None:
        self._outbox.put(frame)

    async def run(self) -> None:
        with contextlib.nullcontext() if self._heap is None else self._heap.held():
            await self._run()

    async def _run(self) -> None:
        await self._outbox.announced.wait()
        timing = self._timing
        failures = 0
        while True:
            self._session = None
            fault = await self._attempt(self._turn())
            session: Session | None = self._session
            ready = session.ready_since if session is not None else None
            lasted = ready is not None and self._clock.now() - ready >= timing.patience
            failures = 0 if lasted else min(failures + 1, 16)
            delay = min(timing.first_retry * 2**failures, timing.longest_retry)
            if fault.refused:
                delay = min(timing.refused_retry * 2 ** (failures - 1), 6 * timing.refused_retry)
            if ready is None:
                fault = await told_apart(fault, self.broker)
            self._say_fault(fault, was_ready=ready is not None)
            await self._clock.sleep(delay * random.uniform(0.5, 1.0))

    def _say_fault(self, fault: Fault, *, was_ready: bool) -> None:
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

    def _warn(self, key: str, message: str) -> None:
        """Log what the broker does, once for each *key*."""
        if key not in self._warned:
            self._warned.add(key)
            self._log.warning("mqtt: %s %s", self.broker, message)

    async def _attempt(self, work: Coroutine[None, None, None]) -> Fault:
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
        if error is not None and not is_brokers(error):
            raise error
        # Only words are kept: an error holds on to the socket that it came from.
        session = self._session
        return fault_of(error, self.broker, connected=session is not None)

    # One connection.

    @contextlib.asynccontextmanager
    async def _connected(
        self, identifier: str, device: homie.Device | None, heard: Heard
    ) -> AsyncIterator[CarefulClient]:
        """A connected client; with *device* it leaves that device's will with the broker."""
        # Its own description must come back, however long it is.
        largest = MAX_PACKET_SIZE
        if device is not None:
            largest = max(largest, 2 * len(device.describe(0)))
        client = CarefulClient(
            self.broker.host,
            self.broker.port,
            heard,
            identifier=identifier,
            user=self._user,
            password=self._password,
            tls=self.broker.tls,
            will=None if device is None else aiomqtt.Will(device.state, b"lost", 1, True),
            patience=self._timing.patience,
            largest_packet=largest,
        )
        try:
            await client.connect()
            yield client
        finally:
            await client.drop()

    async def _turn(self) -> None:
        if self._claimed:
            await self._stand_by()
        session: Session | None = None

        def heard(topic: str, payload: bytes, retained: bool) -> None:
            if session is not None:
                session.heard(topic, payload, retained)

        async with self._connected(self.device_id, self._outbox.device, heard) as client:
            session = self._session = Session(
                client,
                self._outbox,
                self._instance,
                self._interval,
                self._timing,
                self._clock,
                self._warn,
                self._ready,
            )
            try:
                await session.run()
            except asyncio.CancelledError:
                await session.leave()
                raise
            finally:
                self._claimed = self._claimed or session.claimed

    def _ready(self) -> None:
        device = self._outbox.device
        assert device is not None
        self._say("connected", logging.INFO, "connected to %s as %s", self.broker, device.root)
        self._missing = ""

    async def _stand_by(self) -> None:
        """Return once no other process speaks for the device, most often at once."""
        device = self._outbox.device
        assert device is not None
        observer = f"{self.device_id}-observer-{self._instance.decode()}"
        newest: list[bytes] = []
        came = asyncio.Event()

        def heard(topic: str, payload: bytes, retained: bool) -> None:
            newest[:] = [payload]
            came.set()

        try:
            async with self._connected(observer, None, heard) as client:
                asked = client.subscribe_to((device.instance, SubscribeOptions(qos=1)))
                await client.granted(asked)
                patience = self._timing.look
                while True:
                    try:
                        async with asyncio.timeout(patience):
                            await came.wait()
                    except TimeoutError:
                        return
                    came.clear()
                    if newest == [self._instance]:
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
