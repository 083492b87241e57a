"""Time on Windows: its coarse clocks, its ticks, and that what is asked of it is given back.

On a made-up Windows here; tests/windows has lowhalf on Wine's.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import statistics
from collections.abc import Callable, Coroutine, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from adapters.sources.fake import ScriptedSource
from bridge.daemon import Daemon
from bridge.memory.address_map import Span
from bridge.ports.source import Cadence, Consistency
from bridge.prepared import memory_map, prepare
from bridge.readings.frame import Frame
from bridge.sampling.continuity import Continuity
from bridge.sampling.sampler import Sampler
from bridge.sampling.setup import SamplingSetup
from schemas.errors import OutputError
from schemas.loader import load_bridge
from tests.adapters.made_windows import MadeWindows
from tests.bridge.test_daemon import Kept

SCHEMA = """
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [ { name = "ram", start = 0x8000_0000, size = "64 KiB" } ]
[symbols]
frame = "u32"
[builds.print]
recognise = [ { at = 0x8000_0400, text = "TIDE 1.0" } ]
at = { frame = 0x8000_1000 }
"""
BRIDGE = """
schema = "g.schema.toml"
[source]
kind = "fake"
[sampling]
frame = "frame"
[[watches]]
name = "number"
expr = "frame"
"""
LOOK = 0.00005
"""Seconds that a look at its memory takes."""


class Game(ScriptedSource):
    """Ends its frames by the clock of a made-up Windows."""

    def __init__(
        self, windows: MadeWindows, rate: float = 60.05, cadence: Cadence = Cadence.POLLED
    ) -> None:
        """*rate* is in frames a second."""
        still = cadence is Cadence.ONCE
        super().__init__(
            cadence=cadence, consistency=Consistency.STILL if still else Consistency.UNGUARDED
        )
        self._windows = windows
        self.rate = rate
        self.began = windows.seconds
        self.poke(0x8000_0400, b"TIDE 1.0")

    async def _fetch(self, spans: Sequence[Span]) -> list[bytes | None]:
        self._windows.seconds += LOOK
        frame = int((self._windows.seconds - self.began) * self.rate)
        self.poke(0x8000_1000, frame.to_bytes(4, "big"))
        return await super()._fetch(spans)


def setup_of(windows: MadeWindows, folder: Path, rate: float = 60.0) -> SamplingSetup:
    (folder / "g.schema.toml").write_text(SCHEMA, "utf-8")
    (folder / "g.bridge.toml").write_text(BRIDGE, "utf-8")
    bridge = load_bridge(folder / "g.bridge.toml")
    return SamplingSetup(prepare(bridge), memory_map(bridge.schema), windows.clock(), rate=rate)


async def until(true: Callable[[], object]) -> None:
    while not true():  # noqa: ASYNC110 - what is waited for sets no event
        await asyncio.sleep(0.003)


def played(
    folder: Path, rate: float, *, fine_waits: bool = True, fine_loop: bool = True
) -> tuple[list[float], float]:
    """Seconds from the end of each frame until it was seen, after the phase had time to lock; and
    the part of the time for which nobody else had his turn.

    Others wake the loop every 3 ms meanwhile, as pages do.
    """
    windows = MadeWindows()
    late: list[float] = []

    async def others() -> None:
        await until(lambda: False)

    async def play() -> None:
        setup, game = setup_of(windows, folder), Game(windows, rate)
        sampler = await Sampler.open(game, setup, Continuity(setup.clock))
        beside = asyncio.create_task(others())
        with setup.clock.fine_waits() if fine_waits else contextlib.nullcontext():
            while len(late) < 600:
                frame = await sampler.next()
                late.append(windows.seconds - game.began - frame.number / rate)
        beside.cancel()

    began = windows.seconds
    with (
        windows.installed(),
        asyncio.Runner(loop_factory=lambda: windows.loop(fine=fine_loop)) as r,
    ):
        r.run(play())
    return late[60:], windows.napped / (windows.seconds - began)


@pytest.mark.parametrize("rate", [60.05, 50.0, 30.03, 24.0])
def test_the_phase_locks_by_clocks_and_ticks_of_windows(tmp_path: Path, rate: float) -> None:
    late, held = played(tmp_path, rate)
    assert statistics.mean(late) < 0.0005
    assert max(late) < 0.0012
    assert held < 0.2


@pytest.mark.parametrize("rate", [60.05, 30.03])
def test_without_fine_ticks_frames_are_seen_late(tmp_path: Path, rate: float) -> None:
    late, _ = played(tmp_path, rate, fine_waits=False)
    assert statistics.mean(late) > 0.004


@pytest.mark.parametrize("rate", [60.05, 30.03])
def test_without_fine_timers_nobody_else_has_his_turn(tmp_path: Path, rate: float) -> None:
    """asyncio's own loop takes what is due within the next 15.6 ms for due."""
    _, held = played(tmp_path, rate, fine_loop=False)
    assert held > 0.5


def test_timers_of_the_loop_come_neither_early_nor_late() -> None:
    windows = MadeWindows()
    windows.asked.append(1)

    async def passed(seconds: float) -> float:
        began = windows.seconds
        await asyncio.sleep(seconds)
        return windows.seconds - began - seconds

    async def both() -> list[float]:
        return await asyncio.gather(*(passed(ms / 1000) for ms in range(1, 60)))

    with windows.installed():
        with asyncio.Runner(loop_factory=windows.loop) as runner:
            off = runner.run(both())
        assert min(off) >= -1e-6  # the resolution of perf_counter
        assert max(off) < 0.0021
        with asyncio.Runner(loop_factory=lambda: windows.loop(fine=False)) as runner:
            off = runner.run(both())
    assert min(off) < -0.01  # else the checks above could not fail


def test_the_time_of_day_is_a_filetime_since_1970() -> None:
    windows = MadeWindows()
    # "Converting a time_t value to a FILETIME" in the Win32 reference: 116444736000000000
    windows.seconds = 0.0
    assert windows.clock().time_of_day() == 0.0
    windows.seconds = 1_700_000_000.25
    assert windows.clock().time_of_day() == 1_700_000_000.25


# fine ticks are asked for while frames are taken, and given back

TAKEN_ONCE = [("begin", 1), ("end", 1)]


class Run:
    """A daemon on a made-up Windows, until its source has given *frames* frames."""

    def __init__(self, folder: Path, windows: MadeWindows, cadence: Cadence) -> None:
        self.windows = windows
        self.game = Game(windows, cadence=cadence)
        self.output = Kept()
        self.daemon = Daemon(
            self.game,
            [self.output],
            setup_of(windows, folder),
            log=logging.getLogger("test"),
        )
        self.asked_while_sampling: list[list[int]] = []

    def has_called(self, name: str, times: int) -> bool:
        return self.windows.calls.count((name, 1)) == times

    async def until_frames(self, frames: int) -> asyncio.Task[None]:
        running = asyncio.create_task(self.daemon.run())
        await until(lambda: running.done() or len(self.output.frames) >= frames)
        self.asked_while_sampling.append(list(self.windows.asked))
        return running


def run(
    folder: Path,
    windows: MadeWindows,
    work: Callable[[Run], Coroutine[Any, Any, None]],
    cadence: Cadence = Cadence.POLLED,
) -> Run:
    made = Run(folder, windows, cadence)
    with windows.installed(), asyncio.Runner(loop_factory=windows.loop) as runner:
        runner.run(work(made))
    return made


async def cancelled(made: Run) -> None:
    running = await made.until_frames(5)
    running.cancel()
    with pytest.raises(asyncio.CancelledError):
        await running


async def failed(made: Run) -> None:
    """An output ends the daemon."""
    made.output.fault = OutputError("the port is taken", output="kept")
    running = await made.until_frames(1)
    with pytest.raises(OutputError):
        await running


async def broken(made: Run) -> None:
    """A mistake of ours in the middle of a frame."""

    def publish(frame: Frame) -> None:
        made.output.frames.append(frame)
        if len(made.output.frames) == 3:
            made.asked_while_sampling.append(list(made.windows.asked))
            raise ZeroDivisionError

    made.output.publish = publish  # type: ignore[method-assign]
    with pytest.raises(ExceptionGroup):
        await made.daemon.run()


@pytest.mark.parametrize("end", [cancelled, broken], ids=lambda end: str(end.__name__))
def test_fine_ticks_are_given_back_once_however_it_ends(
    tmp_path: Path, end: Callable[[Run], Coroutine[Any, Any, None]]
) -> None:
    windows = MadeWindows()
    made = run(tmp_path, windows, end)
    assert made.asked_while_sampling == [[1]]
    assert windows.calls == TAKEN_ONCE
    assert windows.asked == []


def test_none_are_kept_where_the_daemon_fails_at_its_start(tmp_path: Path) -> None:
    windows = MadeWindows()
    run(tmp_path, windows, failed)
    assert windows.calls.count(("begin", 1)) == windows.calls.count(("end", 1)) <= 1


def test_none_are_asked_for_while_a_source_is_lost(tmp_path: Path) -> None:
    async def lost_twice(made: Run) -> None:
        running = await made.until_frames(3)
        for times in (1, 2):
            made.game.lose("it has ended")
            await until(partial(made.has_called, "end", times))
            assert made.windows.asked == []
            made.game.restore()
            await until(partial(made.has_called, "begin", times + 1))
        running.cancel()
        with pytest.raises(asyncio.CancelledError):
            await running

    windows = MadeWindows()
    run(tmp_path, windows, lost_twice)
    assert windows.calls == TAKEN_ONCE * 3


def test_none_are_asked_for_by_a_source_that_stands_still(tmp_path: Path) -> None:
    windows = MadeWindows()
    made = run(tmp_path, windows, cancelled_after_one, Cadence.ONCE)
    assert len(made.output.frames) == 1
    assert windows.calls == []


async def cancelled_after_one(made: Run) -> None:
    running = await made.until_frames(1)
    running.cancel()
    with pytest.raises(asyncio.CancelledError):
        await running


def test_what_was_refused_is_not_given_back(tmp_path: Path) -> None:
    windows = MadeWindows(has_fine_ticks=False)
    made = run(tmp_path, windows, cancelled)
    assert made.asked_while_sampling == [[]]
    assert windows.calls == [("begin", 1)]
