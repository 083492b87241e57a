"""Frame counters of few bits in recordings: gaps, speed and playing again."""

from __future__ import annotations

from pathlib import Path

import pytest

from adapters.recordings.header import About
from adapters.recordings.recorder import Recorder
from adapters.sources.recording.player import RecordingPlayer
from adapters.sources.recording.replay import RecordingReplay
from adapters.system_clock import SystemClock
from bridge.memory.address_map import Region, Span
from bridge.ports.practice_log import PracticeLog
from bridge.ports.source import Consistency, Opened
from bridge.practice.attempts import Attempt
from bridge.prepared import memory_map, prepare
from bridge.readings.frame import Frame
from bridge.sampling.continuity import Continuity
from bridge.sampling.practice_tracker import PracticeTracker, Rules
from bridge.sampling.sampler import Sampler
from bridge.sampling.setup import SamplingSetup
from schemas.errors import SourceEnded
from schemas.loader import load_bridge
from schemas.source_settings import RecordingSource
from tests.bridge.made_practice import Remembering

BASE, SIZE = 0x8000_0000, 0x1000
ABOUT = About("[game]\n", 'schema = "a"\n', "print", "fake pier", [Region("ram", BASE, SIZE)])
SCHEMA = """
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [ { name = "ram", start = 0x8000_0000, size = 0x1000 } ]
[symbols]
tick8 = "u8"
tick16 = "u16"
tick32 = "u32"
room = "u8"
[builds.print]
recognise = [ { at = 0x8000_0400, text = "TIDE 1.0" } ]
at = { tick8 = 0x8000_0010, tick16 = 0x8000_0012, tick32 = 0x8000_0014, room = 0x8000_0020 }
"""
BRIDGE = """
schema = "g.schema.toml"
[source]
kind = "fake"
[sampling]
frame = "tick{bits}"
[[watches]]
name = "where"
expr = "room"
[attempts]
begins = "room == 1"
succeeds = "room == 2"
"""


def record(path: Path, counts: list[tuple[float, int, int]]) -> None:
    """Frames at times, each with its counter and the room that the courier is in."""
    with Recorder(path, ABOUT) as recorder:
        for time, count, room in counts:
            image = bytearray(SIZE)
            image[0x400:0x408] = b"TIDE 1.0"
            image[0x10] = count % 256
            image[0x12:0x14] = (count % 65536).to_bytes(2, "big")
            image[0x14:0x18] = count.to_bytes(4, "big")
            image[0x20] = room
            part = [(Span(BASE, SIZE), bytes(image))]
            recorder.frame(count, 1_700_000_000.0 + time, Consistency.GUARDED, part)


def sampler_of(directory: Path, bits: int, source: RecordingPlayer, keeper: PracticeLog) -> Sampler:
    (directory / "g.schema.toml").write_text(SCHEMA, "utf-8")
    path = directory / "g.bridge.toml"
    path.write_text(BRIDGE.format(bits=bits), "utf-8")
    bridge = load_bridge(path)
    practising = PracticeTracker(Rules.of(bridge.file), keeper)
    setup = SamplingSetup(prepare(bridge), memory_map(bridge.schema), SystemClock())
    opened = Opened(setup.memory, setup.memory)
    return Sampler(source, setup, opened, Continuity(setup.clock, practising=practising))


async def played(directory: Path, bits: int, source: RecordingPlayer) -> tuple[Frame, int]:
    """The last frame of a recording, and the highest number."""
    sampler = sampler_of(directory, bits, source, Remembering())
    await source.open(sampler.memory)
    most = 0
    try:
        while True:
            frame = await sampler.next()
            most = max(most, frame.number)
    except SourceEnded:
        return frame, most
    finally:
        await source.close()


def steady(first: int, frames: int, begin: float = 0.0) -> list[tuple[float, int, int]]:
    return [(begin + number / 60, first + number, 0) for number in range(frames)]


def after_gap(first: int, gap: float, then: int) -> list[tuple[float, int, int]]:
    before = steady(first, 240)
    return [*before, *steady(then, 60, 239 / 60 + gap)]


@pytest.mark.parametrize(
    ("bits", "gap", "ahead", "told", "speed"),
    [
        # what was not recorded, with the counter in order
        (8, 2.0, 120, (119, 0, 0), None),
        (8, 2.0, 120, (119, 0, 0), 10.0),
        (16, 60.0, 3600, (3599, 0, 0), None),
        (32, 60.0, 3600, (3599, 0, 0), None),
        (32, 60.0, 3600, (3599, 0, 0), 60.0),
        # longer than a turn
        (8, 30.0, 1800, (0, 0, 1), None),
        (8, 30.0, 1800, (0, 0, 1), 30.0),
    ],
)
async def test_gaps_are_judged_by_the_recorded_time(
    tmp_path: Path,
    bits: int,
    gap: float,
    ahead: int,
    told: tuple[int, int, int],
    speed: float | None,
) -> None:
    path = tmp_path / "a.mcap"
    record(path, after_gap(1000, gap, 1239 + ahead))
    if speed is None:
        source: RecordingPlayer = RecordingReplay(path)
    else:
        settings = RecordingSource(kind="recording", path="a.mcap", repeat=False, speed=speed)
        source = RecordingPlayer(settings, tmp_path)
    frame, _ = await played(tmp_path, bits, source)
    skipped, resets, unclear = told
    if speed is not None:
        # the player itself skips what it is late for
        if not unclear:
            assert frame.stats.frames + frame.stats.skipped == 300 + skipped
        skipped = frame.stats.skipped
    assert (frame.stats.skipped, frame.stats.resets, frame.stats.unclear) == (
        *(skipped, resets, unclear),
    )


@pytest.mark.parametrize("bits", [8, 16, 32])
async def test_a_counter_that_was_set_back_while_recording_is_one_reset(
    tmp_path: Path, bits: int
) -> None:
    path = tmp_path / "a.mcap"
    record(path, after_gap(40_000, 1 / 60, 0))
    frame, _ = await played(tmp_path, bits, RecordingReplay(path))
    assert (frame.stats.skipped, frame.stats.resets, frame.stats.unclear) == (0, 1, 0)
    assert frame.number == 59


async def test_numbers_go_on_over_every_turn(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    record(path, steady(200, 900))
    frame, most = await played(tmp_path, 8, RecordingReplay(path))
    assert (frame.number, most) == (1099, 1099)
    assert (frame.stats.skipped, frame.stats.resets, frame.stats.unclear) == (0, 0, 0)


@pytest.mark.parametrize(("bits", "first"), [(8, 250), (32, 250)])
async def test_what_is_played_again_does_not_follow(tmp_path: Path, bits: int, first: int) -> None:
    """Its first frame is just what an 8-bit counter would hold next: the player knows better."""
    path = tmp_path / "a.mcap"
    record(
        path,
        [(time, count, 1 if count == first + 250 else 0) for time, count, _ in steady(first, 256)],
    )
    settings = RecordingSource(kind="recording", path="a.mcap", repeat=True, speed=30.0)
    source = RecordingPlayer(settings, tmp_path)
    keeper = Remembering()
    sampler = sampler_of(tmp_path, bits, source, keeper)
    await source.open(sampler.memory)
    while sampler.stats.resets < 2:
        frame = await sampler.next()
    assert frame.number < first + 256
    assert frame.stats.unclear == 0
    await source.close()
    reasons: list[Attempt] = keeper.ends
    assert {attempt.reason for attempt in reasons} <= {"what is played began again"}
