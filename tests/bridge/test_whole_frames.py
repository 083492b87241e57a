"""Whether frames are whole, and that this is told truthfully, for each way to vouch for them."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path

import pytest

from adapters.sources.catalogue import make_source
from adapters.sources.fake import ScriptedSource
from bridge.memory.address_map import Span
from bridge.ports.source import Cadence, Consistency
from bridge.readings.frame import Frame
from bridge.sampling.sampler import Sampler
from bridge.values.status import Status
from schemas.source_settings import (
    AnySource,
    DebuggerSource,
    FakeSource,
    FileSource,
    FolderSource,
    ProcessSource,
    PushSource,
    RecordingSource,
    SerialSource,
    SharedSource,
)
from tests.bridge.test_sampler import (
    BEGAN,
    ENDED,
    FAR,
    GUARD,
    Bench,
    count,
    guest,
    reading,
    take,
)

VALUE = 0x8000_4000
WATCHES = {"far": FAR}


class Busy(ScriptedSource):
    """A guest whose work on a frame goes on between reads.

    While ``busy`` it ends a frame before each batch, begins the next one and writes.
    ``held`` is how often it was held, ``read_loose`` how many batches were taken while it was not.
    """

    def __init__(self, consistency: Consistency) -> None:
        cadence = Cadence.ANNOUNCED if consistency is Consistency.SENDER else None
        super().__init__(cadence=cadence, consistency=consistency)
        self.busy = False
        self.held = 0
        self.holding = False
        self.read_loose = 0
        self.worked = 1000

    async def _hold(self) -> None:
        self.held += 1
        self.holding = True

    async def _release(self) -> None:
        self.holding = False

    async def _fetch(self, spans: Sequence[Span]) -> list[bytes | None]:
        self.read_loose += not self.holding
        if self.busy:
            self.worked += 1
            self.poke(ENDED, (self.worked - 1).to_bytes(4, "big"))
            self.poke(BEGAN, self.worked.to_bytes(4, "big"))
            self.poke(VALUE, self.worked.to_bytes(4, "big"))
        return await super()._fetch(spans)


def counters_alone(source: ScriptedSource) -> int:
    """How many batches were one read of a counter and nothing else."""
    return sum(len(batch) == 1 and batch[0].length == 8 for batch in source.batches[1:])


# what each source claims for itself


@pytest.mark.parametrize(
    ("settings", "claims", "cadence"),
    [
        (FileSource(kind="file", path="dawn.bin"), Consistency.STILL, Cadence.ONCE),
        (FolderSource(kind="folder", path="dumps"), Consistency.STILL, Cadence.ANNOUNCED),
        (
            RecordingSource(kind="recording", path="dawn.mcap"),
            Consistency.UNGUARDED,
            Cadence.ANNOUNCED,
        ),
        (SharedSource(kind="shared", path="ram"), Consistency.UNGUARDED, Cadence.POLLED),
        (ProcessSource(kind="process", pid=1), Consistency.UNGUARDED, Cadence.POLLED),
        (PushSource(kind="push"), Consistency.SENDER, Cadence.ANNOUNCED),
        (SerialSource(kind="serial", port="COM3"), Consistency.SENDER, Cadence.ANNOUNCED),
        (
            DebuggerSource(kind="debugger", address="127.0.0.1:1234"),
            Consistency.HALTED,
            Cadence.SPARING,
        ),
        (FakeSource(kind="fake"), Consistency.UNGUARDED, Cadence.POLLED),
    ],
    ids=lambda each: getattr(each, "kind", ""),
)
def test_no_source_claims_more_than_it_can_vouch_for(
    settings: AnySource, claims: Consistency, cadence: Cadence, tmp_path: Path
) -> None:
    source = make_source(settings, tmp_path, {})
    assert (source.consistency, source.cadence) == (claims, cadence)


# what the sampler makes of it


@pytest.mark.parametrize(
    ("claims", "sampling", "told", "counters"),
    [
        (Consistency.STILL, GUARD, "still", 0),
        (Consistency.STILL, "", "still", 0),
        (Consistency.SENDER, GUARD, "sender", 0),
        (Consistency.SENDER, "", "sender", 0),
        (Consistency.HALTED, GUARD, "halted", 3),
        (Consistency.HALTED, "", "halted", 0),
        (Consistency.UNGUARDED, GUARD, "guarded", 3),
        (Consistency.UNGUARDED, 'frame = "began"', "unguarded", 0),
        (Consistency.UNGUARDED, "", "unguarded", 0),
    ],
)
async def test_consistency_is_told_by_what_was_done(
    tmp_path: Path,
    claims: Consistency,
    sampling: str,
    told: str,
    counters: int,
) -> None:
    source = Busy(claims)
    guest(source)
    sampler = await Bench(tmp_path, sampling, WATCHES).sampler(source)
    source.next()
    frame = await take(sampler)
    assert (frame.consistency, reading(frame, "far").value) == (told, 42)
    assert frame.as_json()["consistency"] == told
    # ended, began, and began once more behind the lines that were not known to be needed
    assert counters_alone(source) == counters
    assert frame.stats.torn == 0


async def test_nothing_is_guarded_before_the_build_is_known(tmp_path: Path) -> None:
    sampler = await Bench(tmp_path, GUARD, WATCHES).sampler(ScriptedSource())
    frame = await take(sampler)
    assert (frame.build, frame.consistency) == ("", "unguarded")


@pytest.mark.parametrize("claims", [Consistency.STILL, Consistency.SENDER])
async def test_who_vouches_for_frames_is_not_asked_for_the_guard(
    tmp_path: Path, claims: Consistency
) -> None:
    """A dump or a sender's frame from the midst of the work is whole in its own way."""
    source = Busy(claims)
    guest(source)
    source.poke(ENDED, (99).to_bytes(4, "big"))
    sampler = await Bench(tmp_path, GUARD, WATCHES).sampler(source)
    source.next()
    frame = await take(sampler)
    assert (frame.number, frame.consistency, frame.note) == (100, str(claims), "")


async def test_a_halt_in_the_midst_of_a_frame_is_taken_again(tmp_path: Path) -> None:
    source = Busy(Consistency.HALTED)
    guest(source)
    source.poke(BEGAN, (101).to_bytes(4, "big"))
    sampler = await Bench(tmp_path, GUARD, WATCHES).sampler(source)
    taking = asyncio.create_task(take(sampler))
    await asyncio.sleep(0.02)
    assert not taking.done()
    source.poke(ENDED, (101).to_bytes(4, "big"))
    frame = await taking
    assert (frame.number, frame.consistency) == (101, "halted")
    assert frame.stats.torn > 0
    assert source.held == frame.stats.torn + 1


@pytest.mark.parametrize("sampling", [GUARD, 'frame = "began"', ""])
async def test_all_reads_of_a_sample_lie_inside_one_halt(tmp_path: Path, sampling: str) -> None:
    source = Busy(Consistency.HALTED)
    guest(source)
    sampler = await Bench(tmp_path, sampling, WATCHES).sampler(source)
    await take(sampler)
    assert (source.held, source.read_loose) == (1, 1), "only the recognise bytes are read loose"
    assert not source.holding


@pytest.mark.parametrize("claims", [Consistency.UNGUARDED, Consistency.HALTED])
async def test_a_guard_that_is_not_held_vouches_for_nothing(
    tmp_path: Path, claims: Consistency
) -> None:
    source = Busy(claims)
    guest(source)
    source.refuse(BEGAN, 0x10)
    sampler = await Bench(tmp_path, GUARD, WATCHES).sampler(source)
    frame = await take(sampler)
    assert frame.note == "no whole frame: the source does not hold ended"
    assert (frame.stats.frames, frame.stats.unwhole) == (0, 1)
    assert reading(frame, "far").status is Status.WAITING
    source.allow()
    assert reading(await take(sampler), "far").value == 42


# the guard never passes

NEVER = "no whole frame: began and ended never agreed"


async def never_whole(tmp_path: Path) -> tuple[Busy, Sampler]:
    source = Busy(Consistency.UNGUARDED)
    guest(source)
    watches = {**WATCHES, "seen": f"count({FAR} > 42)", "gone": "head.next.next.next.value"}
    return source, await Bench(tmp_path, GUARD, watches).sampler(source)


async def test_fault_12_readings_say_so_and_the_last_whole_frame_stays(tmp_path: Path) -> None:
    source, sampler = await never_whole(tmp_path)
    whole = await take(sampler)
    nothing = reading(whole, "gone").reason
    source.busy = True
    for time in (1, 2, 3):
        frame = await take(sampler)
        assert (frame.number, frame.time, frame.note) == (100, whole.time, NEVER)
        far = reading(frame, "far")
        assert (far.status, far.value, far.reason) == (Status.OK, 42, NEVER)
        assert far.as_json()["reason"] == NEVER
        assert reading(frame, "gone").reason == nothing != ""
        assert (frame.stats.unwhole, frame.stats.frames) == (time, 1)
        assert frame.stats.torn >= time
    source.busy = False
    count(source, 2000)
    frame = await take(sampler)
    assert (frame.number, frame.note, reading(frame, "far").reason) == (2000, "", "")
    assert reading(frame, "far").value == source.worked
    # what was seen in torn samples has left no trace
    assert reading(frame, "seen").value == 1
    assert (frame.stats.frames, frame.stats.skipped) == (2, 1899)


async def test_before_any_whole_frame_there_is_no_value_but_the_reason(tmp_path: Path) -> None:
    source, sampler = await never_whole(tmp_path)
    source.busy = True
    frame = await take(sampler)
    assert (frame.number, frame.note) == (0, NEVER)
    for each in frame.readings:
        assert (each.status, each.value, each.reason) == (Status.WAITING, None, NEVER)


async def test_a_guard_that_never_passes_for_long_piles_nothing_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("bridge.sampling.sampler.MAX_TRIES", 1)
    source, sampler = await never_whole(tmp_path)
    await take(sampler)
    source.busy = True
    for _ in range(1500):  # more than Python lets calls nest
        frame = await sampler.next()
    assert frame.stats.unwhole == 1500
    assert reading(frame, "far").value == 42


async def test_two_copies_that_never_agree_are_told(tmp_path: Path) -> None:
    source = Busy(Consistency.UNGUARDED)
    guest(source)
    sampler = await Bench(tmp_path, 'frame = "ended"', WATCHES).sampler(source)
    await take(sampler)
    source.busy = True
    count(source, 101)
    frame = await take(sampler)
    assert frame.note == "no whole frame: two equal samples were never seen"
    assert (frame.number, frame.consistency, reading(frame, "far").value) == (100, "unguarded", 42)


# a reset clears what spans frames

SPANNING = {
    "was": f"previous({FAR})",
    "moved": f"change({FAR})",
    "times": f"count({FAR} == 90)",
    "most": f"highest({FAR})",
    "least": f"lowest({FAR})",
    "since": f"frames_since({FAR} == 42)",
    "long": f"frames_of({FAR} < 100)",
    "mean": f"average({FAR}, 5)",
}


def numbers(frame: Frame) -> dict[str, object]:
    return {each.watch.name: each.value for each in frame.readings if each.status is Status.OK}


@pytest.mark.parametrize("claims", [Consistency.UNGUARDED, Consistency.HALTED, Consistency.SENDER])
async def test_a_reset_leaves_what_a_fresh_start_would(tmp_path: Path, claims: Consistency) -> None:
    async def run(frames: Sequence[tuple[int, int]], name: str) -> tuple[Frame, Sampler]:
        (tmp_path / name).mkdir()
        source = Busy(claims)
        guest(source)
        sampler = await Bench(tmp_path / name, GUARD, SPANNING).sampler(source)
        for number, value in frames:
            count(source, number)
            source.poke(VALUE, value.to_bytes(4, "big"))
            source.next()
            frame = await take(sampler)
        return frame, sampler

    before, _ = await run([(100, 42), (101, 42), (102, 90)], "before")
    assert numbers(before)["times"] == 1
    assert numbers(before)["most"] == 90
    fresh, _ = await run([(3, 7)], "fresh")
    reset, sampler = await run([(100, 42), (101, 42), (102, 90), (3, 7)], "reset")
    assert numbers(reset) == numbers(fresh)
    assert [each.status for each in reset.readings] == [each.status for each in fresh.readings]
    assert (reset.number, sampler.stats.resets, sampler.stats.skipped) == (3, 1, 0)


async def test_a_reset_in_a_torn_sample_is_counted_once(tmp_path: Path) -> None:
    source = Busy(Consistency.UNGUARDED)
    guest(source)
    sampler = await Bench(tmp_path, GUARD, WATCHES).sampler(source)
    await take(sampler)
    count(source, 5)
    source.poke(BEGAN, (6).to_bytes(4, "big"))
    taking = asyncio.create_task(take(sampler))
    await asyncio.sleep(0.02)
    source.poke(ENDED, (6).to_bytes(4, "big"))
    frame = await taking
    assert (frame.number, frame.stats.resets, frame.stats.skipped) == (6, 1, 0)


# frames that were not taken, by the game's own counter


async def test_the_games_counter_counts_and_not_the_senders_number(tmp_path: Path) -> None:
    source = Busy(Consistency.SENDER)
    guest(source)
    sampler = await Bench(tmp_path, GUARD, WATCHES).sampler(source)
    # the sender numbers what it sends, 1 2 3 4; the game has gone on by more in between
    for number in (100, 103, 104, 110):
        count(source, number)
        source.next()
        assert (await take(sampler)).number == number
    assert (sampler.stats.frames, sampler.stats.skipped) == (4, 2 + 5)


async def test_without_a_counter_the_senders_numbers_count(tmp_path: Path) -> None:
    source = Busy(Consistency.SENDER)
    guest(source)
    sampler = await Bench(tmp_path, "", WATCHES).sampler(source)
    for number in (1, 2, 6):
        source.frame(number)
        assert (await take(sampler)).number == number
    assert (sampler.stats.frames, sampler.stats.skipped) == (3, 3)


async def test_a_lagging_bridge_counts_every_frame_that_it_missed(tmp_path: Path) -> None:
    """The game goes on at its own pace, four frames for each that the bridge may take."""
    source = Busy(Consistency.UNGUARDED)
    guest(source)
    sampler = await Bench(tmp_path, GUARD, WATCHES).sampler(source, rate=50)
    first = await take(sampler)

    async def play() -> None:
        for number in range(101, 201):
            count(source, number)
            await asyncio.sleep(0.005)

    playing = asyncio.create_task(play())
    last = first
    while last.number < 195:
        last = await take(sampler)
    await playing
    taken, skipped = last.stats.frames, last.stats.skipped
    assert taken + skipped == last.number - first.number + 1
    assert skipped > taken
    assert (last.stats.torn, last.stats.unwhole, last.stats.resets) == (0, 0, 0)


async def test_a_counter_of_16_bits_that_runs_over_skips_nothing(tmp_path: Path) -> None:
    source = Busy(Consistency.SENDER)
    guest(source)
    sampler = await Bench(tmp_path, 'frame = "tick"', WATCHES).sampler(source)
    for number in (0xFFFE, 0xFFFF, 0x1_0000, 0x1_0001, 0x1_0004):
        source.poke(0x8000_0020, (number & 0xFFFF).to_bytes(2, "big"))
        source.next()
        assert (await take(sampler)).number == number
    assert (sampler.stats.skipped, sampler.stats.resets) == (2, 0)
