"""An MQTT output that runs beside a test, with its log and a frame counter."""

from __future__ import annotations

import asyncio
import gc
import logging
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any, Protocol

from adapters.outputs.mqtt.homie_practice import NO_PRACTICE, PracticeTopics
from adapters.outputs.mqtt.output import MqttOutput, Timing
from bridge.heap.told_events import ToldEvents
from bridge.practice.progress import Practice
from bridge.readings.frame import Frame
from bridge.readings.reading import Reading, Watch
from bridge.values.status import Status
from bridge.values.value_type import INTEGER, Value
from schemas import output_settings
from tests.adapters.mosquitto import until
from tests.virtual_clock import SkippedClock

ROOT = "homie/5/lowhalf-desk"
STATE = f"{ROOT}/$state"
DESCRIPTION = f"{ROOT}/$description"
HP = Watch("hp", "HP", "hp", INTEGER)
QUICK = Timing(longest_retry=0.4, refused_retry=0.2)


class At(Protocol):
    @property
    def url(self) -> str: ...


class Log(logging.Logger):
    """Keeps its lines, each with the time at which it came."""

    def __init__(self) -> None:
        super().__init__("mqtt-test", logging.DEBUG)
        self.lines: list[tuple[float, str]] = []
        log = self

        class Keep(logging.Handler):
            def emit(self, record: logging.LogRecord) -> None:
                log.lines.append((time.monotonic(), record.getMessage()))

        self.addHandler(Keep())

    def find(self, words: str) -> list[float]:
        return [when for when, line in self.lines if words in line]


@dataclass
class Desk:
    """An output that runs, with its log and its frame counter."""

    output: MqttOutput
    log: Log
    task: asyncio.Task[None]
    clock: SkippedClock
    number: int = 0
    slowest: float = 0.0
    feeder: asyncio.Task[None] | None = field(default=None)

    def show(
        self,
        *readings: Reading,
        note: str = "",
        practice: Practice | None = None,
        heap_events: ToldEvents | None = None,
    ) -> None:
        self.number += 1
        frame = Frame(
            self.number,
            time.time(),
            "export",
            "fake",
            "still",
            lambda: readings,
            practice=practice,
            heap_events=heap_events,
        )
        if note:
            frame = frame.offline(note, frame.ticks)
        began = time.perf_counter()
        self.output.publish(frame)
        self.slowest = max(self.slowest, time.perf_counter() - began)

    def hp(self, value: Value) -> None:
        self.show(Reading(HP, Status.OK, value))

    def feed(self) -> None:
        """A new value 60 times a second."""

        async def go_on() -> None:
            while True:
                self.hp(self.number)
                await asyncio.sleep(1 / 60)

        self.feeder = asyncio.create_task(go_on())

    async def rest(self) -> None:
        if self.feeder is not None:
            self.feeder.cancel()
            await asyncio.wait({self.feeder})
            self.feeder = None

    async def heartbeats(self, count: int) -> None:
        """Heartbeats pass, each acknowledged by the broker, and all that is due meanwhile."""
        session = self.output._session
        assert session is not None
        for _ in range(count):
            beats = session._beats
            self.clock.skip(session._timing.heartbeat)
            await until(lambda b=beats: session._beats > b, 10, "a heartbeat")  # type: ignore[misc]

    async def tries(self, count: int) -> None:
        """The output tries again to connect, so often, without a pause."""
        for _ in range(count):
            sleeps = self.clock.sleeps
            self.clock.skip(60)
            await until(lambda s=sleeps: self.clock.sleeps > s, 10, "another try")  # type: ignore[misc]

    async def stop(self) -> float:
        """Cancel the output; returns how long it took to end, in seconds."""
        began = time.monotonic()
        self.task.cancel()
        done, _ = await asyncio.wait({self.task}, timeout=3)
        assert done, "the output did not end"
        assert self.task.cancelled(), self.task.exception()
        return time.monotonic() - began

    async def connected(self, seconds: float = 3, *, times: int = 1) -> None:
        await until(lambda: len(self.log.find("connected to")) >= times, seconds, "connected")


@asynccontextmanager
async def desk(
    broker: At,
    *watches: Watch,
    timing: Timing = QUICK,
    user: str = "",
    password: str | None = None,
    max_rate: float = 10.0,
    practice: PracticeTopics = NO_PRACTICE,
    heap_events: bool = False,
) -> AsyncIterator[Desk]:
    log = Log()
    settings = output_settings.MqttOutput(
        url=broker.url, max_rate=max_rate, heap_events=heap_events
    )
    clock = SkippedClock()
    output = MqttOutput(
        settings,
        "desk",
        user=user,
        password=password,
        log=log,
        timing=timing,
        clock=clock,
        practice=practice,
    )
    output.announce(watches or (HP,))
    stray: list[dict[str, Any]] = []
    asyncio.get_running_loop().set_exception_handler(lambda _, about: stray.append(about))
    running = Desk(output, log, asyncio.create_task(output.run()), clock)
    try:
        yield running
    finally:
        await running.rest()
        if not running.task.done():
            assert await running.stop() <= 1.0
        # What ended must leave no task behind, and no exception that nobody looked at.
        await asyncio.sleep(0)
        gc.collect()
        others = asyncio.all_tasks() - {asyncio.current_task()}
        assert not [task for task in others if "aiomqtt" in str(task.get_coro())]
        assert stray == [], stray
