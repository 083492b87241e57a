"""Sampling: batches, order of reads, torn frames, resets, builds and byte orders."""

from __future__ import annotations

import asyncio
import bisect
from collections.abc import Sequence
from pathlib import Path

import pytest

from adapters.sources.fake import ScriptedSource
from bridge.memory.address_map import Span
from bridge.memory.byte_order import ByteOrder
from bridge.ports import source
from bridge.ports.clock import Clock
from bridge.ports.source import Cadence, Consistency
from bridge.prepared import PreparedBuild, memory_map, prepare
from bridge.readings.frame import Frame
from bridge.readings.reading import Reading
from bridge.sampling.continuity import Continuity
from bridge.sampling.sampler import MAX_TRIES, Sampler
from bridge.sampling.setup import SamplingSetup
from bridge.values.status import Status
from schemas.errors import SourceUnusable
from schemas.loader import load_bridge
from tests.virtual_clock import SetClock, VirtualClock

SCHEMA = """
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [ { name = "ram", start = 0x8000_0000, size = "64 KiB" } ]
[structs.Node]
size = 0x20
[structs.Node.fields]
value = { at = 0x0, type = "u32" }
next  = { at = 0x4, type = "Node*" }
[symbols]
head  = "Node*"
began = "u32"
ended = "u32"
tick  = "u16"
[builds.print]
recognise = [ { at = 0x8000_0400, text = "TIDE 1.0" } ]
at = { head = 0x8000_1000, began = 0x8000_0010, ended = 0x8000_0018, tick = 0x8000_0020 }
[builds.export]
recognise = [ { at = 0x8000_0400, text = "TIDE 1.1" } ]
at = { head = 0x8000_1800, began = 0x8000_0010, ended = 0x8000_0018, tick = 0x8000_0020 }
"""
BEGAN, ENDED, TICK = 0x8000_0010, 0x8000_0018, 0x8000_0020
FAR = "head.next.next.value"
GUARD = 'frame = "began"\nguard = { began = "began", ended = "ended" }'


class Torn(ScriptedSource):
    """A guest that works on a frame between reads: what it writes is told before each batch."""

    def __init__(self) -> None:
        super().__init__()
        self.script: dict[int, list[tuple[int, int]]] = {}
        self.always: list[tuple[int, int]] = []

    async def _fetch(self, spans: Sequence[Span]) -> list[bytes | None]:
        for address, value in self.script.pop(len(self.batches), self.always):
            self.poke(address, value.to_bytes(4, "big"))
        return await super()._fetch(spans)


class Bench:
    def __init__(self, directory: Path, sampling: str, watches: dict[str, str]) -> None:
        self.directory = directory
        self.sampling = sampling
        self.watches = watches
        self.schema = SCHEMA
        self.build = "auto"

    def prepared_builds(self) -> dict[str, PreparedBuild]:
        (self.directory / "g.schema.toml").write_text(self.schema, encoding="utf-8")
        text = f'schema = "g.schema.toml"\nbuild = "{self.build}"\n[source]\nkind = "fake"\n'
        text += f"[sampling]\nrate = 240\n{self.sampling}\n"
        for name, expression in self.watches.items():
            text += f"[[watches]]\nname = '{name}'\nexpr = '''{expression}'''\n"
        path = self.directory / "g.bridge.toml"
        path.write_text(text, encoding="utf-8")
        bridge = load_bridge(path)
        self.memory = memory_map(bridge.schema)
        return prepare(bridge)

    async def sampler(
        self,
        source: ScriptedSource,
        *,
        declared: ByteOrder | None = None,
        rate: float = 240,
        clock: Clock | None = None,
    ) -> Sampler:
        clock = clock or VirtualClock()
        self.continuity = Continuity(clock)
        made = self.prepared_builds()
        self.setup = SamplingSetup(made, self.memory, clock, declared=declared, rate=rate)
        return await Sampler.open(source, self.setup, self.continuity)


def guest(source: ScriptedSource, text: bytes = b"TIDE 1.0", head: int = 0x8000_1000) -> None:
    source.poke(0x8000_0400, text)
    source.poke(head, (0x8000_2000).to_bytes(4, "big"))
    source.poke(0x8000_2004, (0x8000_3000).to_bytes(4, "big"))
    source.poke(0x8000_3004, (0x8000_4000).to_bytes(4, "big"))
    source.poke(0x8000_4000, (42).to_bytes(4, "big"))
    count(source, 100)


def count(source: ScriptedSource, number: int) -> None:
    source.poke(BEGAN, number.to_bytes(4, "big"))
    source.poke(ENDED, number.to_bytes(4, "big"))


async def take(sampler: Sampler) -> Frame:
    return await asyncio.wait_for(sampler.next(), 5)


def reading(frame: Frame, name: str) -> Reading:
    return next(reading for reading in frame.readings if reading.watch.name == name)


def lines(batch: Sequence[Span]) -> set[int]:
    return {
        address >> 8 & 0xFFFF for span in batch for address in range(span.address, span.end, 256)
    }


async def test_a_chain_of_three_pointers_costs_three_batches_once_and_then_one(
    tmp_path: Path,
) -> None:
    source = ScriptedSource(cadence=Cadence.ANNOUNCED, consistency=Consistency.SENDER)
    guest(source)
    sampler = await Bench(tmp_path, "", {"far": FAR}).sampler(source)
    source.next()
    frame = await take(sampler)
    assert reading(frame, "far").value == 42
    assert reading(frame, "far").address == 0x8000_4000
    identify, *batches = source.batches
    assert [lines(batch) for batch in batches] == [{0x04, 0x10}, {0x20}, {0x30}, {0x40}]
    assert lines(identify) == {0x04}
    for number in range(2, 5):
        before = len(source.batches)
        source.frame(number)
        assert reading(await take(sampler), "far").value == 42
        assert [lines(batch) for batch in source.batches[before:]] == [
            {0x04, 0x10, 0x20, 0x30, 0x40}
        ]
    assert sampler.stats.batches == 4 + 3
    assert [span.address for span in source.wants[-1]] == [
        *(0x8000_0400, 0x8000_1000, 0x8000_2000, 0x8000_3000, 0x8000_4000)
    ]


async def test_lines_that_are_no_longer_touched_are_no_longer_fetched(tmp_path: Path) -> None:
    source = ScriptedSource(cadence=Cadence.ANNOUNCED, consistency=Consistency.SENDER)
    guest(source)
    sampler = await Bench(tmp_path, "", {"far": FAR}).sampler(source)
    source.next()
    await take(sampler)
    source.poke(0x8000_1000, bytes(4))
    source.next()
    frame = await take(sampler)
    assert (reading(frame, "far").status, reading(frame, "far").reason) == (
        Status.NULL,
        "head is null",
    )
    source.next()
    await take(sampler)
    assert lines(source.batches[-1]) == {0x04, 0x10}


async def test_the_guard_is_read_in_order_and_apart(tmp_path: Path) -> None:
    source = Torn()
    guest(source)
    sampler = await Bench(tmp_path, GUARD, {"far": FAR}).sampler(source)
    frame = await take(sampler)
    assert (frame.number, frame.consistency) == (100, "guarded")
    before = len(source.batches)
    count(source, 101)
    await take(sampler)
    # the poll for a new frame, then ended, lines, began
    *_, poll, ended, taken, began = source.batches[before:]
    assert [len(batch) for batch in (poll, ended, began)] == [1, 1, 1]
    assert [poll[0].address, ended[0].address, began[0].address] == [ENDED, ENDED, BEGAN]
    assert lines(taken) == {0x00, 0x04, 0x10, 0x20, 0x30, 0x40}


async def test_a_torn_sample_is_taken_again_and_state_moves_once(tmp_path: Path) -> None:
    source = Torn()
    guest(source)
    watches = {"far": FAR, "seen": f"count({FAR} == 43)", "was": f"previous({FAR})"}
    sampler = await Bench(tmp_path, GUARD, watches).sampler(source)
    await take(sampler)
    count(source, 101)
    now = len(source.batches)
    # batches to come: the poll, ended, lines, began; the next frame begins before began is read
    source.script[now + 3] = [(BEGAN, 102)]
    source.script[now + 4] = [(ENDED, 102), (0x8000_4000, 43)]
    frame = await take(sampler)
    assert frame.number == 102
    assert (sampler.stats.torn, sampler.stats.skipped, sampler.stats.frames) == (1, 1, 2)
    assert reading(frame, "far").value == 43
    assert reading(frame, "seen").value == 1
    assert reading(frame, "was").value == 42


async def test_retries_have_an_end_and_the_last_whole_frame_stays(tmp_path: Path) -> None:
    source = Torn()
    guest(source)
    bench = Bench(tmp_path, GUARD, {"far": FAR})
    sampler = await bench.sampler(source)
    await take(sampler)
    source.always = [(ENDED, 101), (BEGAN, 102), (0x8000_4000, 5)]
    clock = bench.setup.clock
    started = clock.now()
    frame = await take(sampler)
    assert clock.now() - started < 2
    assert frame.number == 100
    assert reading(frame, "far").value == 42
    assert 0 < sampler.stats.torn <= MAX_TRIES
    assert frame.note == "no whole frame: began and ended never agreed"
    assert frame.stats.unwhole == 1
    source.always = []
    count(source, 103)
    frame = await take(sampler)
    assert (frame.number, frame.note, reading(frame, "far").value) == (103, "", 5)


async def test_without_a_guard_a_frame_is_taken_twice(tmp_path: Path) -> None:
    source = Torn()
    guest(source)
    sampler = await Bench(tmp_path, 'frame = "began"', {"far": FAR}).sampler(source)
    assert (await take(sampler)).consistency == "unguarded"
    count(source, 101)
    now = len(source.batches)
    source.script[now + 2] = [(0x8000_4000, 43)]  # between the two copies
    frame = await take(sampler)
    assert (frame.number, reading(frame, "far").value) == (101, 43)
    assert sampler.stats.torn == 1


async def test_frames_that_were_not_sampled_are_counted(tmp_path: Path) -> None:
    source = ScriptedSource()
    guest(source)
    sampler = await Bench(tmp_path, GUARD, {"far": FAR}).sampler(source)
    for number in (100, 101, 105, 106):
        count(source, number)
        assert (await take(sampler)).number == number
    assert (sampler.stats.skipped, sampler.stats.frames, sampler.stats.resets) == (3, 4, 0)


async def test_a_counter_that_goes_back_clears_what_spans_frames(tmp_path: Path) -> None:
    source = ScriptedSource()
    guest(source)
    watches = {"was": f"previous({FAR})", "most": f"highest({FAR})"}
    sampler = await Bench(tmp_path, GUARD, watches).sampler(source)
    await take(sampler)
    count(source, 101)
    frame = await take(sampler)
    assert (reading(frame, "was").value, reading(frame, "most").value) == (42, 42)
    count(source, 3)
    source.poke(0x8000_4000, (7).to_bytes(4, "big"))
    frame = await take(sampler)
    assert frame.stats.resets == 1
    assert frame.stats.skipped == 0
    assert reading(frame, "was").status is Status.WAITING
    assert reading(frame, "most").value == 7


async def test_a_16_bit_counter_that_runs_over_is_no_reset(tmp_path: Path) -> None:
    source = ScriptedSource(consistency=Consistency.HALTED)
    guest(source)
    source.poke(TICK, (0xFFFF).to_bytes(2, "big"))
    sampler = await Bench(tmp_path, 'frame = "tick"', {"most": f"highest({FAR})"}).sampler(source)
    await take(sampler)
    source.poke(TICK, (0).to_bytes(2, "big"))
    source.poke(0x8000_4000, (7).to_bytes(4, "big"))
    frame = await take(sampler)
    assert (frame.stats.resets, frame.stats.skipped) == (0, 0)
    assert reading(frame, "most").value == 42


async def test_the_build_is_recognised_again_when_it_changes(tmp_path: Path) -> None:
    source = ScriptedSource()
    guest(source)
    sampler = await Bench(tmp_path, GUARD, {"far": FAR}).sampler(source)
    assert (await take(sampler)).build == "print"
    source.poke(0x8000_1000, bytes(4))
    guest(source, b"TIDE 1.1", 0x8000_1800)
    count(source, 5)
    frame = await take(sampler)
    assert (frame.build, frame.number, reading(frame, "far").value) == ("export", 5, 42)
    source.poke(0x8000_0400, b"TIDE 9.9")
    count(source, 6)
    frame = await take(sampler)
    assert (frame.build, reading(frame, "far").status) == ("", Status.WAITING)


async def test_a_build_text_over_the_end_of_a_line_is_watched_whole(tmp_path: Path) -> None:
    source = ScriptedSource()
    guest(source)
    bench = Bench(tmp_path, GUARD, {"far": FAR})
    bench.schema = SCHEMA.replace("0x8000_0400", "0x8000_04F9")
    source.poke(0x8000_04F9, b"TIDE 1.0")
    sampler = await bench.sampler(source)
    assert (await take(sampler)).build == "print"
    guest(source, b"TIDE 1.1", 0x8000_1800)
    source.poke(0x8000_04F9, b"TIDE 1.1")
    count(source, 101)
    assert (await take(sampler)).build == "export"


UNKNOWN = (
    'no build is recognised: print wants "TIDE 1.0" at 0x80000400, found 00 00 00 00 00 00 00 00; '
    'export wants "TIDE 1.1" at 0x80000400, found 00 00 00 00 00 00 00 00'
)


async def test_a_build_that_no_one_knows_is_told_once_and_waited_for(tmp_path: Path) -> None:
    source = ScriptedSource()
    sampler = await Bench(tmp_path, GUARD, {"far": FAR}).sampler(source)
    frame = await take(sampler)
    assert (frame.build, frame.note) == ("", UNKNOWN)
    assert (reading(frame, "far").status, reading(frame, "far").reason) == (
        Status.WAITING,
        UNKNOWN,
    )
    waiting = asyncio.create_task(sampler.next())
    await asyncio.sleep(0.05)
    assert not waiting.done()
    guest(source)
    assert (await asyncio.wait_for(waiting, 5)).build == "print"


async def test_a_build_whose_bytes_are_not_held_is_told(tmp_path: Path) -> None:
    source = ScriptedSource()
    source.refuse(0x8000_0400)
    bench = Bench(tmp_path, GUARD, {"far": FAR})
    bench.build = "print"
    sampler = await bench.sampler(source)
    assert (await take(sampler)).note == (
        'no build is recognised: print wants "TIDE 1.0" at 0x80000400, found nothing'
    )


async def test_two_builds_that_are_both_recognised_are_refused(tmp_path: Path) -> None:
    source = ScriptedSource()
    guest(source)
    bench = Bench(tmp_path, GUARD, {"far": FAR})
    bench.schema = SCHEMA.replace("TIDE 1.1", "TIDE")
    sampler = await bench.sampler(source)
    with pytest.raises(SourceUnusable) as caught:
        await take(sampler)
    assert caught.value.detail == (
        "builds print and export are both recognised; name one with build in the bridge file, "
        "or give the schema better recognise bytes"
    )


@pytest.mark.parametrize("order", list(ByteOrder))
@pytest.mark.parametrize("consistency", [Consistency.STILL, Consistency.UNGUARDED])
async def test_the_byte_order_is_found_by_the_evidence(
    tmp_path: Path, order: ByteOrder, consistency: Consistency
) -> None:
    source = ScriptedSource(byte_order=order, consistency=consistency)
    guest(source)
    watches = {"far": FAR, "low": "low(head.next.next.value)", "ticks": "tick"}
    source.poke(TICK, b"\x12\x34")
    sampler = await Bench(tmp_path, GUARD, watches).sampler(source)
    frame = await take(sampler)
    assert sampler.order is order
    assert (frame.build, frame.number) == ("print", 100)
    assert [reading.value for reading in frame.readings] == [42, 42, 0x1234]
    assert reading(frame, "low").address == 0x8000_4002


async def test_a_declared_order_is_obeyed_with_a_warning(tmp_path: Path) -> None:
    source = ScriptedSource(byte_order=ByteOrder.SWAP32)
    guest(source)
    bench = Bench(tmp_path, "", {"ticks": "tick"})
    bench.build = "print"
    source.poke(TICK, b"\x12\x34\x56\x78")
    sampler = await bench.sampler(source, declared=ByteOrder.BIG)
    frame = await take(sampler)
    assert source.notes == [
        "byte_order is big, but print is recognised in swap32; big is used as declared"
    ]
    assert (frame.build, reading(frame, "ticks").value) == ("print", 0x7856)


async def test_without_evidence_the_order_must_be_declared(tmp_path: Path) -> None:
    bench = Bench(tmp_path, "", {"ticks": "tick"})
    bench.build = "print"
    bench.schema = SCHEMA.replace('recognise = [ { at = 0x8000_0400, text = "TIDE 1.0" } ]\n', "")
    sampler = await bench.sampler(ScriptedSource())
    with pytest.raises(SourceUnusable) as caught:
        await take(sampler)
    assert caught.value.detail == (
        "build print has no recognise bytes to tell the byte order by; set byte_order in [source]"
    )
    sampler = await bench.sampler(ScriptedSource(), declared=ByteOrder.BIG)
    assert (await take(sampler)).build == "print"


async def test_lines_that_are_not_held_make_a_status_and_come_back(tmp_path: Path) -> None:
    source = ScriptedSource(cadence=Cadence.ANNOUNCED, consistency=Consistency.SENDER)
    guest(source)
    watches = {"far": FAR, "near": "head.next"}
    sampler = await Bench(tmp_path, "", watches).sampler(source)
    source.refuse(0x8000_3000, 0x100)
    source.next()
    frame = await take(sampler)
    assert reading(frame, "near").value == 0x8000_3000
    assert (reading(frame, "far").status, reading(frame, "far").reason) == (
        Status.UNMAPPED,
        "head.next.next: 0x80003004 is not in what the source holds",
    )
    source.allow()
    source.next()
    assert reading(await take(sampler), "far").value == 42


async def test_a_part_of_a_long_span_that_is_not_held_costs_only_its_lines(tmp_path: Path) -> None:
    source = ScriptedSource(cadence=Cadence.ANNOUNCED, consistency=Consistency.SENDER)
    guest(source)
    watches = {f"w{n}": f'at({0x8000_5000 + 256 * n}, "u32")' for n in range(4)}
    sampler = await Bench(tmp_path, "", watches).sampler(source)
    for n in range(4):
        source.poke(0x8000_5000 + 256 * n, n.to_bytes(4, "big"))
    source.refuse(0x8000_5100, 4)
    for _ in range(2):
        source.next()
        frame = await take(sampler)
        assert [reading.value for reading in frame.readings] == [0, None, 2, 3]
        assert reading(frame, "w1").status is Status.UNMAPPED


async def test_a_source_that_stands_still_is_fetched_once(tmp_path: Path) -> None:
    source = ScriptedSource(consistency=Consistency.STILL)
    guest(source)
    sampler = await Bench(tmp_path, GUARD, {"far": FAR}).sampler(source)
    frame = await take(sampler)
    assert (frame.consistency, frame.number, reading(frame, "far").value) == ("still", 100, 42)
    _, whole = source.batches
    assert [span.length for span in whole] == [64 << 10]


async def test_a_short_dump_has_what_it_holds(tmp_path: Path) -> None:
    source = ScriptedSource(consistency=Consistency.STILL, held={"ram": 0x3800})
    guest(source)
    sampler = await Bench(tmp_path, GUARD, {"far": FAR, "near": "head.next"}).sampler(source)
    frame = await take(sampler)
    assert reading(frame, "near").value == 0x8000_3000
    assert reading(frame, "far").status is Status.UNMAPPED


async def test_the_rate_is_kept_without_a_counter(tmp_path: Path) -> None:
    source = ScriptedSource()
    guest(source)
    clock = VirtualClock()
    sampler = await Bench(tmp_path, "", {"far": FAR}).sampler(source, rate=50, clock=clock)
    started, taken = clock.now(), 0
    while clock.now() - started < 0.5:
        await take(sampler)
        taken += 1
    assert 5 <= taken <= 29  # 25 frames, and a few early ones while the rhythm is found


async def test_a_sender_numbers_its_own_frames(tmp_path: Path) -> None:
    source = ScriptedSource(cadence=Cadence.ANNOUNCED, consistency=Consistency.SENDER)
    guest(source)
    sampler = await Bench(tmp_path, "", {"far": FAR}).sampler(source)
    for number in (7, 8, 12):
        source.frame(number)
        assert (await take(sampler)).number == number
    assert sampler.stats.skipped == 3


class Played(ScriptedSource):
    """A game that ends its frames at given times of a clock that moves while it is waited for."""

    def __init__(self, ends: Sequence[float]) -> None:
        super().__init__()
        self.ends = ends
        self.clock = VirtualClock()
        self.clock.ahead = ends[0]
        guest(self)

    async def _fetch(self, spans: Sequence[Span]) -> list[bytes | None]:
        count(self, 100 + bisect.bisect_right(self.ends, self.clock.now()))
        return await super()._fetch(spans)


async def test_lag_is_counted_against_the_games_own_pace(
    tmp_path: Path,
) -> None:
    # frame 30 takes three frames' time
    source = Played([100 + (number + 2 * (number >= 30)) / 60 for number in range(60)])
    bench = Bench(tmp_path, GUARD, {"far": FAR})
    sampler = await bench.sampler(source, clock=source.clock)
    frame = await take(sampler)
    while frame.number < 145:
        assert frame.stats.lag == (2 if frame.number > 130 else 0)
        frame = await take(sampler)
    assert frame.stats.skipped == 0
    # what was lost stays counted when the source is opened again
    after = await Sampler.open(source, bench.setup, bench.continuity)
    assert (await take(after)).stats.lag == 2


async def test_what_a_sender_sends_late_is_not_called_lag(
    tmp_path: Path,
) -> None:
    clock = SetClock(100.0)
    source = ScriptedSource(cadence=Cadence.ANNOUNCED, consistency=Consistency.SENDER)
    guest(source)
    sampler = await Bench(tmp_path, "", {"far": FAR}).sampler(source, clock=clock)
    for number in range(1, 41):
        # the way from the game to here may have been slow, or a recording's player
        clock.seconds += 3 / 60 if number == 30 else 1 / 60
        source.frame(number)
        assert (await take(sampler)).stats.lag == 0


class Slipping(Torn):
    """A guest that cannot be held for as long as a sample takes, for the next few samples."""

    slips = 0

    async def _fetch(self, spans: Sequence[Span]) -> list[bytes | None]:
        if self.slips:
            self.slips -= 1
            raise source.Torn("no whole frame: the guest went on inside a sample")
        return await super()._fetch(spans)


async def test_a_sample_that_the_source_itself_gives_up_is_taken_again(tmp_path: Path) -> None:
    slipping = Slipping()
    guest(slipping)
    sampler = await Bench(tmp_path, "", {"far": FAR}).sampler(slipping)
    await take(sampler)
    slipping.slips = 3
    frame = await take(sampler)
    assert (frame.note, frame.readings[0].value, frame.readings[0].reason) == ("", 42, "")
    assert (frame.stats.frames, frame.stats.torn, frame.stats.unwhole) == (2, 3, 0)
