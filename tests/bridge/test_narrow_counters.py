"""Frame counters of few bits, through the sampler and on into attempts."""

from __future__ import annotations

import logging
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest

from adapters.sources.fake import ScriptedSource
from bridge.memory.address_map import Span
from bridge.memory.counter import Counter
from bridge.ports.source import Cadence, Consistency
from bridge.practice.attempts import Outcome
from bridge.prepared import memory_map, prepare
from bridge.readings.frame import Frame
from bridge.sampling.frame_clock import FramePhase
from bridge.sampling.frame_count import EITHER, ROUND
from bridge.sampling.sampler import Sampler
from bridge.sampling.setup import SamplingSetup
from schemas.errors import FileError
from schemas.loader import Bridge, load_bridge
from tests.bridge import made_practice
from tests.bridge.made_practice import Rig
from tests.bridge.test_sampler import reading, take
from tests.virtual_clock import VirtualClock

SCHEMA = """
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [ { name = "ram", start = 0x8000_0000, size = "64 KiB" } ]
[structs.Clock]
size = 8
[structs.Clock.fields]
lamps  = { at = 0, type = "u32", bits = [0, 8] }
frames = { at = 0, type = "u32", bits = [8, 24] }
[symbols]
clock = "Clock"
began8 = "u8"
ended8 = "u8"
began16 = "u16"
ended16 = "u16"
began32 = "u32"
ended32 = "u32"
signed32 = "s32"
value = "u32"
[builds.print]
recognise = [ { at = 0x8000_0400, text = "TIDE 1.0" } ]
at.clock = 0x8000_0040
at.began8 = 0x8000_0010
at.ended8 = 0x8000_0018
at.began16 = 0x8000_0012
at.ended16 = 0x8000_001A
at.began32 = 0x8000_0014
at.ended32 = 0x8000_001C
at.signed32 = 0x8000_0014
at.value = 0x8000_0100
"""
COUNTERS = {
    "8": (8, 'frame = "began8"'),
    "8 guarded": (8, 'frame = "began8"\nguard = { began = "began8", ended = "ended8" }'),
    "16": (16, 'frame = "began16"'),
    "16 guarded": (16, 'frame = "began16"\nguard = { began = "began16", ended = "ended16" }'),
    "24 of 32": (24, 'frame = "began32 & 0xFFFFFF"'),
    "24 in a bit-field": (24, 'frame = "clock.frames"'),
    "32": (32, 'frame = "began32"'),
    "32 and 8": (32, 'frame = "began32"\nguard = { began = "began32", ended = "ended8" }'),
    "16 and 8": (16, 'guard = { began = "began16", ended = "ended8" }'),
}


def made(directory: Path, sampling: str) -> Bridge:
    (directory / "g.schema.toml").write_text(SCHEMA, "utf-8")
    path = directory / "g.bridge.toml"
    path.write_text(
        f'schema = "g.schema.toml"\n[source]\nkind = "fake"\n[sampling]\n{sampling}\n'
        '[[watches]]\nname = "was"\nexpr = "previous(value)"\n',
        "utf-8",
    )
    return load_bridge(path)


class Guest(ScriptedSource):
    """A game in virtual time, whose counters are all that it writes."""

    def __init__(self, base: int, cadence: Cadence) -> None:
        sent = cadence is Cadence.ANNOUNCED
        consistency = Consistency.SENDER if sent else Consistency.UNGUARDED
        super().__init__(cadence=cadence, consistency=consistency)
        self.now, self.frames, self.base = 1000.0, 0.0, base
        self.poke(0x8000_0400, b"TIDE 1.0")

    @property
    def count(self) -> int:
        return self.base + math.floor(self.frames + 1e-6)

    def run(self, seconds: float) -> None:
        self.now += seconds
        self.frames += 60 * seconds

    def put(self, value: int) -> None:
        self.base = value - math.floor(self.frames + 1e-6)

    async def _fetch(self, spans: Sequence[Span]) -> list[bytes | None]:
        for size, at in ((1, 0), (2, 2), (4, 4)):
            word = (self.count % (1 << 8 * size)).to_bytes(size, "big")
            self.poke(0x8000_0010 + at, word)
            self.poke(0x8000_0018 + at, word)
        frames = (self.count % (1 << 24)) << 8 | 0x5A
        self.poke(0x8000_0040, frames.to_bytes(4, "big"))
        return await super()._fetch(spans)


@dataclass
class Reader:
    guest: Guest
    sampler: Sampler

    async def take(self) -> Frame:
        if self.guest.cadence is Cadence.ANNOUNCED:
            self.guest.frame(self.guest.count % (1 << 32))
        return await take(self.sampler)


class GameClock(VirtualClock):
    """Seconds that pass are the game's own."""

    def __init__(self, guest: Guest) -> None:
        super().__init__()
        self._guest = guest

    def now(self) -> float:
        return self._guest.now


async def sampled(guest: Guest, bridge: Bridge) -> Sampler:
    memory = memory_map(bridge.schema)
    setup = SamplingSetup(prepare(bridge), memory, GameClock(guest), rate=100_000)
    return await Sampler.open(guest, setup)


async def reader(directory: Path, sampling: str, base: int, way: str) -> Reader:
    """A guest that has been watched for four seconds, and whose counter is at *base* then."""
    guest = Guest(base - 240, {"looked at": Cadence.POLLED, "sent": Cadence.ANNOUNCED}[way])
    bridge = made(directory, sampling)
    sampler = await sampled(guest, bridge)
    found = Reader(guest, sampler)
    await found.take()
    for _ in range(240):
        guest.run(1 / 60)
        frame = await found.take()
    assert (guest.count, frame.stats.skipped, frame.stats.resets) == (base, 0, 0)
    assert frame.stats.unclear == 0
    return found


@pytest.mark.parametrize("way", ["looked at", "sent"])
@pytest.mark.parametrize("counter", COUNTERS)
async def test_a_counter_runs_over_in_order_and_is_set_back_by_a_reset(
    tmp_path: Path, counter: str, way: str
) -> None:
    bits, sampling = COUNTERS[counter]
    turn = 1 << bits
    found = await reader(tmp_path, sampling, turn - 20, way)
    guest, before = found.guest, 0
    for _ in range(60):
        guest.run(1 / 60)
        frame = await found.take()
        assert frame.number == before + 1 or not before, "numbers go on where the counter runs over"
        before = frame.number
    assert before % turn == 40
    assert (frame.stats.skipped, frame.stats.resets, frame.stats.unclear) == (0, 0, 0)
    assert reading(frame, "was").reason == ""
    # a stall that goes over the end
    guest.put(turn - 40)
    await found.take()
    assert (await found.take() if way == "sent" else frame) is not None
    resets = found.sampler.stats.resets
    guest.run(1)
    frame = await found.take()
    assert (frame.stats.skipped, frame.stats.resets) == (59, resets)
    assert frame.number % turn == 20
    # and back to nothing, at once
    guest.put(turn * 5 // 8)
    await found.take()
    guest.run(1 / 60)
    await found.take()
    stats = found.sampler.stats
    guest.run(1 / 60)
    guest.put(0)
    frame = await found.take()
    assert (frame.number, frame.stats.resets, frame.stats.skipped) == (
        *(0, stats.resets + 1, stats.skipped),
    )
    assert frame.stats.unclear == stats.unclear == 0


@pytest.mark.parametrize("way", ["looked at", "sent"])
@pytest.mark.parametrize(
    ("counter", "stall"), [("8", 10), ("8 guarded", 600), ("16", 1200), ("16 guarded", 6000)]
)
async def test_where_it_may_have_gone_round_nothing_is_counted_and_it_is_said(
    tmp_path: Path, counter: str, stall: float, way: str
) -> None:
    bits, sampling = COUNTERS[counter]
    found = await reader(tmp_path, sampling, 1 << bits - 1, way)
    before = found.sampler.stats
    last = found.guest.count
    found.guest.run(stall)
    frame = await found.take()
    assert (frame.stats.skipped, frame.stats.resets) == (before.skipped, before.resets)
    assert frame.stats.unclear == 1
    assert frame.number > last + 1
    assert frame.number % (1 << bits) == found.guest.count % (1 << bits)
    assert reading(frame, "was").reason == "of the frames that it is made of some were missed"
    raw = found.guest.count % (1 << bits)
    assert found.guest.notes == [
        f"{ROUND}: {1 << bits - 1} to {raw} after {stall:.1f} s; the frames missed are not counted"
    ]
    for number in range(1, 100):
        found.guest.run(1 / 60)
        following = await found.take()
        assert following.number == frame.number + number
    assert (following.stats.unclear, reading(following, "was").reason) == (1, "")


async def test_a_guard_of_8_bits_does_not_vouch_for_a_sample_that_took_a_turn(
    tmp_path: Path,
) -> None:
    class Slow(Guest):
        slow = False

        async def _fetch(self, spans: Sequence[Span]) -> list[bytes | None]:
            found = await super()._fetch(spans)
            if self.slow and any(span.length > 8 for span in spans):
                self.slow = False
                self.run(256 / 60)
            return found

    bridge = made(tmp_path, COUNTERS["8 guarded"][1])
    guest = Slow(100, Cadence.POLLED)
    sampler = await sampled(guest, bridge)
    await take(sampler)
    guest.run(1 / 60)
    guest.slow = True
    assert (await take(sampler)).stats.torn == 1


async def test_the_phase_of_the_frames_is_kept_where_the_counter_runs_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = await reader(tmp_path, COUNTERS["8 guarded"][1], 250, "looked at")
    seen: list[int] = []
    saw = FramePhase.saw

    def seeing(phase: FramePhase, number: int, at: float, not_before: float | None) -> None:
        seen.append(number)
        saw(phase, number, at, not_before)

    monkeypatch.setattr(FramePhase, "saw", seeing)
    for _ in range(12):
        found.guest.run(1 / 60)
        await found.take()
    assert seen == list(range(seen[0], seen[0] + 12))
    assert seen[-1] > 255


# which expressions can be counters


@pytest.mark.parametrize(
    ("expression", "counter"),
    [
        ("began8", Counter("began8", 0x8000_0010, 1, True)),
        ("began32 & 0xFFFFFF", Counter("began32 & 0xFFFFFF", 0x8000_0014, 4, True, 24)),
        ("0xFF & began16", Counter("0xFF & began16", 0x8000_0012, 2, True, 8)),
        ("began8 & 0xFFFF", Counter("began8 & 0xFFFF", 0x8000_0010, 1, True)),
        ("clock.frames", Counter("clock.frames", 0x8000_0040, 4, True, 24, 8)),
        ("clock.frames & 0xFF", Counter("clock.frames & 0xFF", 0x8000_0040, 4, True, 8, 8)),
    ],
)
def test_counters_of_fewer_bits(tmp_path: Path, expression: str, counter: Counter) -> None:
    assert prepare(made(tmp_path, f'frame = "{expression}"'))["print"].frame == counter


def test_a_counter_of_fewer_bits_is_read_by_its_own() -> None:
    word = bytes.fromhex("12345678")
    assert Counter("n", 0, 4, True, 24).value(word) == 0x345678
    assert Counter("n", 0, 4, True, 24, 8).value(word) == 0x123456
    assert Counter("n", 0, 4, False).value(word) == 0x78563412
    assert (Counter("n", 0, 4, True, 24).turn, Counter("n", 0, 2, True).turn) == (1 << 24, 65536)


@pytest.mark.parametrize(
    ("expression", "fault"),
    [
        (
            "began32 & 0xFFF0",
            "began32 & 0xFFF0: the mask of a counter must be its lowest bits, such as 0xFFFFFF",
        ),
        (
            "signed32 & 0xFF",
            "signed32 & 0xFF is not an unsigned integer at a fixed address, "
            "which a counter must be",
        ),
        (
            "began32 + 1",
            "began32 + 1 is not an unsigned integer at a fixed address, which a counter must be",
        ),
    ],
)
def test_what_cannot_be_a_counter(tmp_path: Path, expression: str, fault: str) -> None:
    with pytest.raises(FileError) as caught:
        prepare(made(tmp_path, f'frame = "{expression}"'))
    assert fault in str(caught.value)


# on into attempts


@pytest.fixture
def narrow(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Rig:
    """Its counter has 16 bits; frames come four times a second."""
    counter = made_practice.BRIDGE.replace('frame = "frame"', 'frame = "frame & 0xFFFF"')
    monkeypatch.setattr(made_practice, "BRIDGE", counter)
    return Rig(tmp_path)


async def test_an_attempt_is_cut_off_where_a_counter_of_16_bits_is_set_back(narrow: Rig) -> None:
    async with narrow.running():
        await narrow.shown(40_030)
        await narrow.shown(room=1)
        for _ in range(9):
            await narrow.shown()
        assert narrow.number == 40_040
        frame = await narrow.frame(0)
        assert (frame.number, frame.stats.resets, frame.stats.skipped) == (0, 1, 0)
        assert frame.stats.unclear == 0
    (ended,) = narrow.keeper.ends
    assert (ended.outcome, ended.reason) == (Outcome.CUT_OFF, "the game was reset")
    assert (ended.frames, ended.whole) == (9, True)


async def test_an_attempt_goes_on_where_a_counter_runs_over(narrow: Rig) -> None:
    async with narrow.running():
        await narrow.shown(65_530)
        await narrow.shown(room=1)
        for _ in range(10):
            practice = await narrow.shown()
        assert (practice.attempt, practice.attempt_frames) == (1, 10)
        assert practice.attempt_whole is True
        frame = await narrow.frame(room=9)
        assert (frame.number, frame.stats.resets, frame.stats.skipped) == (65_542, 0, 0)
    assert (narrow.keeper.ends[0].frames, narrow.keeper.ends[0].whole) == (11, True)


async def test_an_attempt_over_an_unknown_number_of_frames_says_so(
    narrow: Rig, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.WARNING)
    async with narrow.running():
        await narrow.shown(65_500)
        await narrow.shown(room=1)
        for _ in range(9):
            await narrow.shown()
        narrow.clock.seconds += 20
        practice = await narrow.shown(65_536 + 40)
        assert (practice.attempt, practice.attempt_frames_seen) == (1, None)
        assert practice.attempt_whole is False
        await narrow.shown(room=9)
        # what begins behind it is whole again
        await narrow.shown(room=1)
        await narrow.shown(room=9)
    ended, following = narrow.keeper.ends
    assert (ended.outcome, ended.reason) == (Outcome.GIVEN_UP, EITHER)
    assert (ended.frames, ended.frames_seen, ended.whole) == (None, None, False)
    assert [(step.whole, step.frames_seen) for step in ended.steps] == [(False, None)]
    assert (following.frames, following.whole, following.reason) == (1, True, "")
    assert caplog.messages == [
        f"fake: {EITHER}: 65510 to 40 after 20.2 s; the frames missed are not counted"
    ]


async def test_an_attempt_that_began_in_an_unknown_gap_is_not_whole(narrow: Rig) -> None:
    async with narrow.running():
        await narrow.shown(65_500)
        for _ in range(9):
            await narrow.shown()
        narrow.clock.seconds += 20
        practice = await narrow.shown(65_536 + 40, room=1)
        assert (practice.attempt, practice.attempt_whole) == (1, False)
        await narrow.shown(room=9)
    (ended,) = narrow.keeper.ends
    assert (ended.frames, ended.frames_seen, ended.whole) == (None, None, False)
    assert ended.reason == EITHER


# what lasts is measured by no wall clock


@pytest.mark.parametrize("shift", [-3600.0, 3600.0, 4e8, -4e8])
async def test_seconds_are_those_that_passed_whatever_the_time_of_day_does(
    tmp_path: Path, shift: float
) -> None:
    rig = Rig(tmp_path)
    async with rig.running():
        await rig.shown()
        began = rig.clock.day + 0.25
        await rig.shown(room=1)
        rig.clock.day += shift
        await rig.shown(corner=1)
        await rig.shown(lamp=0x8000_3000)
        frame = await rig.frame(room=9)
        assert frame.time == pytest.approx(began + shift + 0.75)
        assert (frame.stats.resets, frame.stats.unclear) == (0, 0)
        # and what stays on when the source is gone is as old as it is
        rig.clock.day += shift
        rig.clock.seconds += 3
        count = len(rig.output.frames)
        rig.source.lose("went dark")
        gone = await rig.published(count)
        assert {reading.age for reading in gone.readings} == {3.0}
    (ended,) = rig.keeper.ends
    assert (ended.began_time, ended.seconds) == (began, 0.75)
    assert ended.steps[0].seconds == 0.25


async def test_an_attempt_in_which_lowhalf_stood_still_is_marked(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    async with rig.running():
        await rig.shown()
        await rig.shown(room=1)
        await rig.shown()
        # the game stood still as well: not one of its frames is missing
        rig.beats += 20
        rig.clock.seconds += 20
        practice = await rig.shown()
        assert (practice.attempt_frames, practice.attempt_frames_seen) == (2, 2)
        assert practice.attempt_whole is False
        await rig.shown(room=9)
        await rig.shown(room=1)
        rig.beats += 3  # a busy machine
        await rig.shown(room=9)
    ended, following = rig.keeper.ends
    assert (ended.outcome, ended.reason) == (Outcome.GIVEN_UP, "lowhalf did not run for 20 s")
    assert (ended.frames, ended.whole, ended.seconds) == (3, False, 20.75)
    assert (following.reason, following.whole) == ("", True)


async def test_steps_without_attempts_are_marked_too(tmp_path: Path) -> None:
    rig = Rig(tmp_path, made_practice.STEPS)
    async with rig.running():
        await rig.shown()
        rig.beats += 20
        practice = await rig.shown(corner=1)
        assert [step.whole for step in practice.finished] == [False]
