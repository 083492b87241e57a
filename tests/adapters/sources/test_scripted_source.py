"""The fake source, as users' own tests meet it."""

from __future__ import annotations

import asyncio
import tracemalloc

import pytest

from adapters.sources.fake import ScriptedSource
from bridge.memory.address_map import MemoryMap, Region, Span
from bridge.memory.byte_order import ByteOrder
from bridge.ports.guest_reader import GuestReader
from bridge.ports.source import Cadence, Consistency
from schemas.errors import SourceLost, SourceUnusable

MEMORY = MemoryMap([Region("ram", 0x8000_0000, 0x1000, (0xA000_0000,))])
FIRST = Span(0x8000_0000, 0x100)


async def test_memory_is_zero_where_nothing_is_poked() -> None:
    source = ScriptedSource()
    source.poke(0x8000_0010, b"lamp")
    await source.open(MEMORY)
    source.poke(0xA000_0020, b"gull")
    assert await source.fetch([FIRST]) == [
        bytes(16) + b"lamp" + bytes(12) + b"gull" + bytes(256 - 36)
    ]


async def test_batches_and_wants_are_recorded() -> None:
    source = ScriptedSource()
    await source.open(MEMORY)
    other = Span(0x8000_0200, 0x100)
    await source.fetch([FIRST, other])
    await source.fetch([other])
    source.want([FIRST])
    assert source.batches == [[FIRST, other], [other]]
    assert source.wants == [[FIRST]]


async def test_pokes_that_overlap_are_made_again_in_their_order() -> None:
    """Also where the place of the last was poked before."""
    source = ScriptedSource()
    source.poke(0x8000_0002, b"lamp")
    source.poke(0x8000_0000, b"gull")
    source.poke(0x8000_0002, b"tide")
    await source.open(MEMORY)
    (data,) = await source.fetch([FIRST])
    assert isinstance(data, bytes)
    assert data[:6] == b"gutide"
    source.poke(0x8000_0000, b"lamp")
    await source.close()
    await source.open(MEMORY)
    (data,) = await source.fetch([FIRST])
    assert isinstance(data, bytes)
    assert data[:6] == b"lampde"


async def test_a_place_that_is_poked_for_a_day_is_remembered_once() -> None:
    source = ScriptedSource()
    await source.open(MEMORY)
    source.poke(0x8000_0000, bytes(4))
    tracemalloc.start()
    try:
        for number in range(10_000):
            source.poke(0x8000_0000, number.to_bytes(4, "big"))
        held, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert held < 10_000, "bytes: one for each poke would be 100 times as much"


async def test_pokes_are_kept_over_a_reopen() -> None:
    source = ScriptedSource()
    await source.open(MEMORY)
    source.poke(0x8000_0000, b"lamp")
    await source.close()
    await source.open(MEMORY)
    (data,) = await source.fetch([FIRST])
    assert isinstance(data, bytes)
    assert data[:4] == b"lamp"


async def test_frames_are_waited_for_in_order() -> None:
    source = ScriptedSource(cadence=Cadence.ANNOUNCED, consistency=Consistency.STILL)
    await source.open(MEMORY)
    assert source.next() == 1
    source.frame(40)
    assert source.next() == 41
    assert [await source.wait() for _ in range(3)] == [1, 40, 41]
    waiting = asyncio.create_task(source.wait())
    await asyncio.sleep(0)
    assert not waiting.done()
    source.next()
    assert await waiting == 42
    assert (source.cadence, source.consistency) == (Cadence.ANNOUNCED, Consistency.STILL)


def test_it_says_of_itself_what_the_test_wants() -> None:
    source = ScriptedSource()
    assert (source.cadence, source.consistency) == (Cadence.POLLED, Consistency.UNGUARDED)
    assert ScriptedSource(consistency=Consistency.STILL).cadence is Cadence.ONCE
    source.cadence, source.consistency = Cadence.SPARING, Consistency.HALTED
    assert (source.cadence, source.consistency) == (Cadence.SPARING, Consistency.HALTED)


async def test_lost_and_restored() -> None:
    source = ScriptedSource(cadence=Cadence.ANNOUNCED)
    await source.open(MEMORY)
    waiting = asyncio.create_task(source.wait())
    await asyncio.sleep(0)
    source.lose("the lamp went out")
    for use in (waiting, source.fetch([FIRST]), source.open(MEMORY)):
        with pytest.raises(SourceLost) as caught:
            await use
        assert str(caught.value) == "fake: the lamp went out"
    source.restore()
    await source.open(MEMORY)
    assert await source.fetch([FIRST]) == [bytes(256)]


async def test_refused_spans_are_absent() -> None:
    source = ScriptedSource()
    await source.open(MEMORY)
    source.refuse(0x8000_00FF)
    assert await source.fetch([FIRST, Span(0x8000_0100, 0x100)]) == [None, bytes(256)]
    source.allow()
    assert await source.fetch([FIRST]) == [bytes(256)]


async def test_bytes_in_another_order_come_out_in_the_guests() -> None:
    source = ScriptedSource(byte_order=ByteOrder.SWAP32)
    source.poke(0x8000_0000, b"lamp")
    opened = await source.open(MEMORY)
    (held,) = await source.fetch([FIRST])
    (turned,) = await GuestReader(source, opened, ByteOrder.SWAP32).fetch([FIRST])
    assert isinstance(held, bytes)
    assert isinstance(turned, bytes)
    assert (held[:4], turned[:4]) == (b"pmal", b"lamp")


async def test_only_part_of_a_region() -> None:
    source = ScriptedSource(held={"ram": 0x280})
    assert (await source.open(MEMORY)).memory.regions[0].size == 0x280
    assert await source.fetch([Span(0x8000_0200, 0x80)]) == [bytes(0x80)]


async def test_bytes_outside_every_region() -> None:
    message = "0x80000FFE: 4 bytes here are outside every region"
    early = ScriptedSource()
    early.poke(0x8000_0FFE, b"lamp")
    with pytest.raises(SourceUnusable) as unusable:
        await early.open(MEMORY)
    assert unusable.value.detail == message
    late = ScriptedSource()
    await late.open(MEMORY)
    with pytest.raises(ValueError) as caught:
        late.poke(0x8000_0FFE, b"lamp")
    assert str(caught.value) == message
