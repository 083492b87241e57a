"""A guest whose memory is what steps and attempts look at, and a daemon that runs it."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator, Sequence
from pathlib import Path
from typing import ClassVar

from adapters.sources.fake import ScriptedSource
from bridge.daemon import Daemon
from bridge.ports.output import Output
from bridge.ports.practice_log import PracticeLog
from bridge.ports.source import Cadence, Consistency
from bridge.practice.attempts import Attempt
from bridge.practice.progress import Practice
from bridge.prepared import memory_map, prepare
from bridge.readings.frame import Frame
from bridge.readings.reading import Watch
from bridge.sampling.practice_tracker import PracticeTracker, Rules
from bridge.sampling.setup import SamplingSetup
from bridge.sampling.standstill import Standstill
from bridge.values.value_type import Value
from schemas.errors import OutputError
from schemas.loader import load_bridge
from tests.virtual_clock import SetClock

SCHEMA = """
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [ { name = "ram", start = 0x8000_0000, size = "64 KiB" } ]
[structs.Lamp.fields]
oil = { at = 0, type = "u32" }
[symbols]
frame = "u32"
room = "u32"
corner = "u32"
turned = "u32"
door = "u32"
fell = "u32"
lamp = "Lamp*"
token = "u32"
name = "char[8]"
[builds.print]
recognise = [ { at = 0x8000_0400, text = "TIDE 1.0" } ]
at.frame = 0x8000_1000
at.room = 0x8000_1004
at.corner = 0x8000_1008
at.turned = 0x8000_100C
at.door = 0x8000_1010
at.fell = 0x8000_1014
at.lamp = 0x8000_1018
at.token = 0x8000_101C
at.name = 0x8000_1020
[builds.export]
recognise = [ { at = 0x8000_0400, text = "TIDE 1.1" } ]
at.frame = 0x8000_1000
at.room = 0x8000_1004
at.corner = 0x8000_1008
at.turned = 0x8000_100C
at.door = 0x8000_1010
at.fell = 0x8000_1014
at.lamp = 0x8000_1018
at.token = 0x8000_101C
at.name = 0x8000_1020
"""
PLACES = {
    name: 0x8000_1000 + 4 * number
    for number, name in enumerate(
        ("frame", "room", "corner", "turned", "door", "fell", "lamp", "token")
    )
}
BRIDGE = """
schema = "g.schema.toml"
[source]
kind = "fake"
[sampling]
frame = "frame"
[[watches]]
name = "half"
expr = "low(token)"
show = "hex"
[[watches]]
name = "oil"
expr = "lamp.oil"
"""
STEPS = """
[[steps]]
name = "to the corner"
done = "corner"
hint = "hug the wall"
[[steps]]
name = "turn"
begin = "lamp.oil > 0"
done = "change(turned) > 0"
fail = "fell"
[[steps]]
name = "through the door"
done = "door"
"""
ATTEMPTS = """
[attempts]
begins = "room == 1"
given_up = "room == 9"
keep = ["half", "oil"]
"""


class Remembering(PracticeLog):
    """Keeps everything in lists; *history* is what was kept before, *fault* why nothing can be."""

    def __init__(self, history: Sequence[Attempt] = (), fault: str = "") -> None:
        self.history = history
        self.fault = fault
        self.begun: list[Attempt] = []
        self.ends: list[Attempt] = []
        self.moments: list[tuple[str, str, Value | None]] = []
        self.apart: list[tuple[str, str, Value | None]] = []
        self.closed = False

    async def open(self) -> Sequence[Attempt]:
        if self.fault:
            raise OutputError(self.fault, output="attempts")
        return self.history

    def began(self, attempt: Attempt) -> None:
        self.begun.append(attempt)

    def ended(self, attempt: Attempt) -> None:
        self.ends.append(attempt)

    def tallied(
        self, expression: str, build: str, value: Value | None, *, whole: bool = True
    ) -> None:
        (self.moments if whole else self.apart).append((expression, build, value))

    async def close(self) -> None:
        self.closed = True


class Frames(Output):
    """Keeps every frame."""

    kind: ClassVar[str] = "frames"

    def __init__(self) -> None:
        super().__init__()
        self.frames: list[Frame] = []

    def announce(self, watches: Sequence[Watch]) -> None:
        """Nothing."""

    def publish(self, frame: Frame) -> None:
        self.frames.append(frame)

    async def run(self) -> None:
        await asyncio.Event().wait()


class Rig:
    """A daemon over a guest whose frames a test writes one by one."""

    def __init__(
        self,
        directory: Path,
        practice: str = STEPS + ATTEMPTS,
        keeper: Remembering | None = None,
        outputs: Sequence[Output] = (),
    ) -> None:
        (directory / "g.schema.toml").write_text(SCHEMA, "utf-8")
        path = directory / "g.bridge.toml"
        path.write_text(BRIDGE + practice, "utf-8")
        self.bridge = load_bridge(path)
        self.keeper = keeper or Remembering()
        self.source = ScriptedSource(cadence=Cadence.ANNOUNCED, consistency=Consistency.SENDER)
        self.source.poke(0x8000_0400, b"TIDE 1.0")
        self.output = Frames()
        self.number = 0
        self.clock = SetClock(500.0, 1000.0)
        self.beats = 0.0
        self.tracker = PracticeTracker(Rules.of(self.bridge.file), self.keeper, self.clock)
        self.daemon = Daemon(
            self.source,
            [self.output, *outputs],
            SamplingSetup(
                prepare(self.bridge), memory_map(self.bridge.schema), self.clock, rate=240
            ),
            log=logging.getLogger("lowhalf.test"),
            practising=self.tracker,
            # these frames come faster than the game's, so that beats would always be late
            standstill=Standstill(lambda: self.beats),
        )

    def poke(self, **places: int) -> None:
        for name, value in places.items():
            self.source.poke(PLACES[name], value.to_bytes(4, "big"))

    async def frame(self, number: int | None = None, **places: int) -> Frame:
        """A frame in which places hold values, taken and published; the clocks go on by 0.25 s."""
        self.number = self.number + 1 if number is None else number
        self.clock.day += 0.25
        self.clock.seconds += 0.25
        self.poke(frame=self.number, **places)
        count = len(self.output.frames)
        self.source.frame(self.number)
        return await self.published(count)

    async def published(self, count: int) -> Frame:
        """The frame after the first *count* ones."""
        async with asyncio.timeout(5):
            while len(self.output.frames) <= count:  # noqa: ASYNC110
                await asyncio.sleep(0.001)
        return self.output.frames[count]

    async def shown(self, number: int | None = None, **places: int) -> Practice:
        """What a frame says of practice."""
        practice = (await self.frame(number, **places)).practice
        assert practice is not None
        return practice

    @contextlib.asynccontextmanager
    async def running(self) -> AsyncIterator[asyncio.Task[None]]:
        task = asyncio.create_task(self.daemon.run())
        try:
            yield task
        finally:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
