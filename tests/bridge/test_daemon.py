"""The daemon's life: a source that comes, goes and comes back; outputs that fail or are slow."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator, Callable, Sequence
from pathlib import Path
from typing import ClassVar

import pytest

from adapters.sources.fake import ScriptedSource
from bridge.daemon import Daemon
from bridge.memory.address_map import MemoryMap
from bridge.ports.output import Output
from bridge.ports.source import Cadence, Consistency, Opened
from bridge.prepared import memory_map, prepare
from bridge.readings.frame import Frame
from bridge.readings.reading import Watch
from bridge.sampling.setup import SamplingSetup
from bridge.values.status import Status
from schemas.errors import OutputError, SourceLost, SourceUnusable
from schemas.loader import load_bridge
from tests.virtual_clock import SetClock

SCHEMA = """
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [ { name = "ram", start = 0x8000_0000, size = "64 KiB" } ]
[symbols]
oil = "u32"
lamp = "u32*"
[builds.print]
recognise = [ { at = 0x8000_0400, text = "TIDE 1.0" } ]
at = { oil = 0x8000_1000, lamp = 0x8000_1004 }
[builds.export]
recognise = [ { at = 0x8000_0400, text = "TIDE 1.1" } ]
at = { oil = 0x8000_2000, lamp = 0x8000_2004 }
"""
BRIDGE = """
schema = "g.schema.toml"
[source]
kind = "fake"
[[watches]]
name = "left"
expr = "oil"
[[watches]]
name = "lit"
expr = "lamp[0]"
"""


class Kept(Output):
    """Keeps every frame."""

    kind: ClassVar[str] = "kept"

    def __init__(self) -> None:
        super().__init__()
        self.frames: list[Frame] = []
        self.announced: list[Sequence[Watch]] = []
        self.running = 0
        self.said_goodbye = False
        self.fault: Exception | None = None

    def announce(self, watches: Sequence[Watch]) -> None:
        self.announced.append(watches)

    def publish(self, frame: Frame) -> None:
        self.frames.append(frame)

    async def run(self) -> None:
        if self.fault is not None:
            raise self.fault
        self.running += 1
        try:
            await asyncio.Event().wait()
        finally:
            self.said_goodbye = True


class Slow(Kept):
    """Takes a second for each frame that it sends, and keeps only the newest."""

    kind: ClassVar[str] = "slow"

    def __init__(self) -> None:
        super().__init__()
        self.sent: list[int] = []
        self._there = asyncio.Event()

    def publish(self, frame: Frame) -> None:
        super().publish(frame)
        self._there.set()

    async def run(self) -> None:
        while await self._there.wait():
            self._there.clear()
            self.sent.append(self.frames[-1].number)
            await asyncio.sleep(1)


class Flaky(ScriptedSource):
    """Counts how often it was opened, and may be absent or unusable."""

    def __init__(self, cadence: Cadence, consistency: Consistency) -> None:
        super().__init__(cadence=cadence, consistency=consistency)
        self.opens = 0
        self.closes = 0
        self.unusable = ""

    async def open(self, guest: MemoryMap) -> Opened:
        self.opens += 1
        if self.unusable:
            raise SourceUnusable(self.unusable, source=self.name)
        return await super().open(guest)

    async def close(self) -> None:
        self.closes += 1
        await super().close()


class Bench:
    def __init__(self, directory: Path, cadence: Cadence, consistency: Consistency) -> None:
        (directory / "g.schema.toml").write_text(SCHEMA, encoding="utf-8")
        path = directory / "g.bridge.toml"
        path.write_text(BRIDGE, encoding="utf-8")
        bridge = load_bridge(path)
        self.source = Flaky(cadence, consistency)
        self.source.poke(0x8000_0400, b"TIDE 1.0")
        self.source.poke(0x8000_1000, (42).to_bytes(4, "big"))
        self.output = Kept()
        self.clock = SetClock(50.0)
        self.daemon = Daemon(
            self.source,
            [self.output],
            SamplingSetup(prepare(bridge), memory_map(bridge.schema), self.clock, rate=240),
            log=logging.getLogger("lowhalf.test"),
        )

    @contextlib.asynccontextmanager
    async def running(self) -> AsyncIterator[asyncio.Task[None]]:
        task = asyncio.create_task(self.daemon.run())
        try:
            yield task
        finally:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                async with asyncio.timeout(1):
                    await task

    async def until(self, condition: Callable[[Frame], bool], seconds: float = 6) -> Frame:
        """The newest frame, once it is as wanted."""
        frames = self.output.frames
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                while not frames or not condition(frames[-1]):  # noqa: ASYNC110
                    await asyncio.sleep(0.005)
                return frames[-1]
        raise AssertionError(frames[-1:])


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path, Cadence.ANNOUNCED, Consistency.SENDER)


def statuses(frame: Frame) -> list[Status]:
    return [reading.status for reading in frame.readings]


def logged(caplog: pytest.LogCaptureFixture) -> list[str]:
    return [record.getMessage() for record in caplog.records if record.name == "lowhalf.test"]


async def test_a_source_is_lost_and_comes_back(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    async with bench.running():
        bench.source.next()
        frame = await bench.until(lambda frame: frame.number == 1)
        assert [reading.value for reading in frame.readings] == [42, None]
        assert statuses(frame) == [Status.OK, Status.NULL]
        bench.clock.seconds += 7.5
        bench.source.lose("went dark")
        gone = await bench.until(lambda frame: Status.OFFLINE in statuses(frame))
        assert gone.number == 1
        assert [reading.value for reading in gone.readings] == [42, None]
        assert statuses(gone) == [Status.OFFLINE, Status.OFFLINE]
        assert {reading.age for reading in gone.readings} == {7.5}
        assert {reading.reason for reading in gone.readings} == {"fake: went dark"}
        assert gone.note == "fake: went dark"
        bench.clock.seconds += 2.5
        older = await bench.until(lambda frame: frame.readings[0].age == 10)
        assert older.readings[0].value == 42
        bench.source.restore()
        bench.source.frame(2)
        back = await bench.until(lambda frame: frame.number == 2)
        assert statuses(back) == [Status.OK, Status.NULL]
        assert back.note == ""
        assert bench.source.opens >= 2
    assert logged(caplog) == [
        "fake: build print",
        "fake: went dark",
        "fake: is back",
    ]


async def test_a_source_that_was_never_there_is_offline_with_every_watch(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    bench.source.lose("is not running")
    async with bench.running():
        frame = await bench.until(lambda frame: True)
        assert [reading.watch.name for reading in frame.readings] == ["left", "lit"]
        assert statuses(frame) == [Status.OFFLINE] * 2
        assert [reading.value for reading in frame.readings] == [None, None]
        count = len(bench.output.frames)
        await bench.until(lambda frame: len(bench.output.frames) > count)
        bench.source.restore()
        bench.source.next()
        assert (await bench.until(lambda frame: frame.number == 1)).build == "print"
    assert logged(caplog) == ["fake: is not running"]


async def test_readings_age_while_a_source_takes_long_to_open(bench: Bench) -> None:
    opened = asyncio.Event()
    plain = bench.source._open

    async def slowly(memory):  # type: ignore[no-untyped-def]
        await opened.wait()
        return await plain(memory)

    bench.source._open = slowly  # type: ignore[method-assign]
    async with bench.running():
        frame = await bench.until(lambda frame: True)
        assert frame.note == "fake: is not there yet"
        opened.set()
        bench.source.next()
        assert (await bench.until(lambda frame: frame.number == 1)).build == "print"


async def test_a_source_that_can_wait_gives_its_frames_and_no_others(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However long it takes to open; and each waits until the outputs have sent the last."""
    monkeypatch.setattr(Flaky, "patient", property(lambda self: True))
    plain, waits = bench.source._open, asyncio.Event()

    async def slowly(memory):  # type: ignore[no-untyped-def]
        await asyncio.sleep(60)
        return await plain(memory)

    bench.source._open = slowly  # type: ignore[method-assign]
    bench.output.settled = waits.wait  # type: ignore[method-assign,assignment]
    async with bench.running():
        await asyncio.sleep(100)
        bench.source.next()
        bench.source.next()
        await asyncio.sleep(100)
        assert [frame.number for frame in bench.output.frames] == [1]
        waits.set()
        await bench.until(lambda frame: frame.number == 2)
    assert [frame.number for frame in bench.output.frames] == [1, 2]


async def test_a_source_that_can_never_serve_ends_the_daemon(bench: Bench) -> None:
    bench.source.unusable = "is no dump"
    with pytest.raises(SourceUnusable) as caught:
        await asyncio.wait_for(bench.daemon.run(), 5)
    assert str(caught.value) == "fake: is no dump"
    assert bench.output.said_goodbye
    assert bench.source.closes


async def test_a_still_source_that_is_absent_ends_the_daemon(tmp_path: Path) -> None:
    bench = Bench(tmp_path, Cadence.ONCE, Consistency.STILL)
    bench.source.lose("there is no such file")
    with pytest.raises(SourceLost) as caught:
        await asyncio.wait_for(bench.daemon.run(), 5)
    assert str(caught.value) == "fake: there is no such file"


async def test_a_still_source_of_no_known_build_ends_the_daemon(tmp_path: Path) -> None:
    bench = Bench(tmp_path, Cadence.ONCE, Consistency.STILL)
    bench.source.poke(0x8000_0400, b"TIDE 7.7")
    with pytest.raises(SourceUnusable) as caught:
        await asyncio.wait_for(bench.daemon.run(), 5)
    assert str(caught.value) == (
        'fake: no build is recognised: print wants "TIDE 1.0" at 0x80000400, found "TIDE 7.7"; '
        'export wants "TIDE 1.1" at 0x80000400, found "TIDE 7.7"'
    )


async def test_a_still_source_gives_its_frame_and_goes_on_serving(tmp_path: Path) -> None:
    bench = Bench(tmp_path, Cadence.ONCE, Consistency.STILL)
    async with bench.running() as task:
        frame = await bench.until(lambda frame: True)
        assert (frame.consistency, frame.readings[0].value) == ("still", 42)
        await asyncio.sleep(0.3)
        assert not task.done()
        assert len(bench.output.frames) == 1
        assert bench.source.opened
    assert not bench.source.opened


async def test_cancelling_says_goodbye_and_closes_the_source(bench: Bench) -> None:
    async with bench.running() as task:
        bench.source.next()
        await bench.until(lambda frame: frame.number == 1)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
    assert bench.output.said_goodbye
    assert not bench.source.opened


async def test_an_output_that_cannot_start_ends_the_daemon(bench: Bench) -> None:
    broken = Kept()
    broken.fault = OutputError("port 7365 is taken", output="overlay")
    bench.daemon.outputs.append(broken)
    with pytest.raises(OutputError) as caught:
        await asyncio.wait_for(bench.daemon.run(), 5)
    assert str(caught.value) == "overlay: port 7365 is taken"
    assert bench.output.said_goodbye
    assert not bench.source.opened


async def test_a_slow_output_delays_no_frame(bench: Bench) -> None:
    slow = Slow()
    bench.daemon.outputs.append(slow)
    async with bench.running():
        for number in range(1, 101):
            bench.source.frame(number)
        await bench.until(lambda frame: frame.number == 100, 1)
    assert [frame.number for frame in bench.output.frames] == list(range(1, 101))
    assert len(slow.sent) == 1


async def test_watches_are_announced_once_and_again_only_when_they_change(bench: Bench) -> None:
    async with bench.running():
        bench.source.next()
        await bench.until(lambda frame: frame.number == 1)
        bench.source.poke(0x8000_0400, b"TIDE 1.1")
        bench.source.poke(0x8000_2000, (7).to_bytes(4, "big"))
        bench.source.next()
        bench.source.next()
        frame = await bench.until(lambda frame: frame.build == "export")
        assert frame.readings[0].value == 7
    assert len(bench.output.announced) == 1
    assert [watch.name for watch in bench.output.announced[0]] == ["left", "lit"]


async def test_what_a_source_notes_is_logged_once(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    async with bench.running():
        bench.source.notes.append("its length is odd")
        for number in (1, 2, 3):
            bench.source.frame(number)
        await bench.until(lambda frame: frame.number == 3)
    assert logged(caplog) == ["fake: its length is odd"]


async def test_what_a_source_notes_is_logged_also_while_no_frame_comes(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    async with bench.running():
        bench.source.frame(1)
        await bench.until(lambda frame: frame.number == 1)
        bench.source.notes.append("what follows it is no message")
        for _ in range(500):
            if logged(caplog):
                break
            await asyncio.sleep(0.02)
    assert logged(caplog) == ["fake: what follows it is no message"]


async def test_an_unknown_build_is_logged_once_and_left_when_it_is_known(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    bench.source.poke(0x8000_0400, b"TIDE 7.7")
    async with bench.running():
        for number in (1, 2, 3):
            bench.source.frame(number)
        frame = await bench.until(lambda frame: True)
        assert statuses(frame) == [Status.WAITING, Status.WAITING]
        await asyncio.sleep(0.05)
        bench.source.poke(0x8000_0400, b"TIDE 1.0")
        bench.source.frame(4)
        await bench.until(lambda frame: frame.build == "print")
    assert [line.split(":")[1].strip() for line in logged(caplog)] == [
        "no build is recognised",
        "build print",
    ]
