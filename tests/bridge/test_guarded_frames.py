"""What the guard refuses, what a reset clears, and what a lost source must not lose."""

from __future__ import annotations

from pathlib import Path

import pytest

from adapters.sources.fake import ScriptedSource
from bridge.memory.byte_order import ByteOrder
from bridge.sampling.sampler import Sampler
from bridge.values.status import Status
from schemas.errors import SourceUnusable
from tests.bridge.test_sampler import BEGAN, ENDED, FAR, GUARD, Bench, Torn, count, guest, take

GUARD_ONLY = 'guard = { began = "began", ended = "ended" }'


async def test_a_guard_whose_counters_are_not_held_is_refused(tmp_path: Path) -> None:
    source = ScriptedSource(held={"ram": 0x1_0000})
    guest(source)
    bench = Bench(tmp_path, GUARD_ONLY, {"far": FAR})
    ram = 'regions = [ { name = "ram", start = 0x8000_0000, size = "64 KiB" } ]'
    pad = ram.replace(" ]", ', { name = "pad", start = 0x9000_0000, size = 0x100 } ]')
    assert ram in bench.schema
    bench.schema = bench.schema.replace(ram, pad)
    bench.schema = bench.schema.replace("ended = 0x8000_0018", "ended = 0x9000_0018")
    sampler = await bench.sampler(source)
    frame = await take(sampler)
    assert frame.note == "no whole frame: the source does not hold ended"
    assert frame.readings[0].status is Status.WAITING


async def test_with_a_guard_alone_its_counter_numbers_the_frames(tmp_path: Path) -> None:
    source = ScriptedSource()
    guest(source)
    watches = {"most": f"highest({FAR})", "since": f"frames_since({FAR} == 42)"}
    sampler = await Bench(tmp_path, GUARD_ONLY, watches).sampler(source)
    assert (await take(sampler)).number == 100
    source.poke(0x8000_4000, (9).to_bytes(4, "big"))
    count(source, 107)
    frame = await take(sampler)
    assert (frame.number, frame.stats.skipped) == (107, 6)
    assert [reading.value for reading in frame.readings] == [42, 7]
    count(source, 3)
    frame = await take(sampler)
    assert frame.stats.resets == 1
    assert frame.readings[0].value == 9
    assert frame.readings[1].status is Status.WAITING


async def test_nothing_is_evaluated_before_the_guard_has_passed(tmp_path: Path) -> None:
    source = Torn()
    guest(source)
    sampler = await Bench(tmp_path, GUARD, {"far": FAR}).sampler(source)
    await take(sampler)
    count(source, 101)
    source.batches.clear()
    await take(sampler)
    # the change of the counter; then ended, all lines in one batch, began: and no more
    kinds = ["counter" if batch[0].length == 8 else "lines" for batch in source.batches[-3:]]
    assert kinds == ["counter", "lines", "counter"]
    assert [batch[0].address for batch in source.batches[-3:]][0::2] == [ENDED, BEGAN]


async def test_a_frame_that_is_never_whole_says_so_in_every_reading(tmp_path: Path) -> None:
    source = Torn()
    guest(source)
    sampler = await Bench(tmp_path, GUARD_ONLY, {"far": FAR}).sampler(source)
    await take(sampler)
    source.poke(BEGAN, (101).to_bytes(4, "big"))
    frame = await take(sampler)
    reason = "no whole frame: began and ended never agreed"
    (reading,) = frame.readings
    assert (reading.status, reading.value, reading.reason) == (Status.OK, 42, reason)
    assert reading.age > 0
    assert frame.as_json()["readings"][0]["reason"] == reason
    assert (frame.number, frame.note, frame.stats.unwhole) == (100, reason, 1)
    source.poke(ENDED, (101).to_bytes(4, "big"))
    frame = await take(sampler)
    assert (frame.number, frame.note, frame.readings[0].reason) == (101, "", "")


async def test_a_game_of_one_build_that_becomes_another_is_noticed(tmp_path: Path) -> None:
    source = ScriptedSource()
    guest(source)
    bench = Bench(tmp_path, GUARD, {"far": FAR})
    bench.build = "print"
    sampler = await bench.sampler(source)
    assert (await take(sampler)).build == "print"
    source.poke(0x8000_0400, b"OTHER   ")
    count(source, 101)
    frame = await take(sampler)
    assert frame.build == ""
    assert frame.readings[0].status is Status.WAITING
    assert 'found "OTHER   "' in frame.note


async def test_evidence_that_fits_several_byte_orders_asks_for_one(tmp_path: Path) -> None:
    source = ScriptedSource()
    guest(source, bytes.fromhex("ABABABAB"))
    bench = Bench(tmp_path, GUARD, {"far": FAR})
    bench.schema = bench.schema.replace('text = "TIDE 1.0"', 'bytes = "AB AB AB AB"')
    with pytest.raises(SourceUnusable) as caught:
        await take(await bench.sampler(source))
    assert caught.value.detail == (
        "the recognise bytes of print are found in byte orders "
        "big and swap16 and swap32 and halfswap; set byte_order in [source]"
    )
    frame = await take(await bench.sampler(source, declared=ByteOrder.BIG))
    assert frame.readings[0].value == 42


@pytest.mark.parametrize(("number", "resets", "most"), [(130, 0, 42), (5, 1, 9)])
async def test_state_goes_on_after_a_lost_source_unless_the_game_was_reset(
    tmp_path: Path, number: int, resets: int, most: int
) -> None:
    source = ScriptedSource()
    guest(source)
    bench = Bench(tmp_path, GUARD, {"most": f"highest({FAR})"})
    await take(await bench.sampler(source))
    source.poke(0x8000_4000, (9).to_bytes(4, "big"))
    count(source, number)
    frame = await take(await Sampler.open(source, bench.setup, bench.continuity))
    assert frame.readings[0].value == most
    assert (frame.stats.frames, frame.stats.resets) == (2, resets)
