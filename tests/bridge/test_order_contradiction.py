"""Fault 16: a declared byte order that the evidence contradicts is told of, and obeyed."""

from __future__ import annotations

from pathlib import Path

import pytest

from adapters.sources.fake import ScriptedSource
from bridge.memory.byte_order import ByteOrder
from bridge.readings.frame import Frame
from bridge.sampling.sampler import Sampler
from bridge.values.status import Status
from tests.bridge.test_sampler import TICK, Bench, guest, take

WATCHES = {"ticks": "tick"}


class Declaring(ScriptedSource):
    """A source whose other side says in which order it holds the guest's bytes."""

    says: ByteOrder | None = None

    @property
    def declared_order(self) -> ByteOrder | None:
        return self.says


async def first(
    directory: Path, source: ScriptedSource, declared: ByteOrder | None, build: str = "auto"
) -> tuple[Sampler, Frame]:
    bench = Bench(directory, "", WATCHES)
    bench.build = build
    sampler = await bench.sampler(source, declared=declared)
    return sampler, await take(sampler)


@pytest.mark.parametrize("text", [b"TIDE 1.0", b"TIDE 1.1"])
async def test_with_several_builds(tmp_path: Path, text: bytes) -> None:
    source = ScriptedSource(byte_order=ByteOrder.SWAP32)
    guest(source, text)
    source.poke(TICK, b"\x12\x34\x56\x78")
    sampler, frame = await first(tmp_path, source, ByteOrder.BIG)
    build = "print" if text.endswith(b"0") else "export"
    assert source.notes == [
        f"byte_order is big, but {build} is recognised in swap32; big is used as declared"
    ]
    assert sampler.order is ByteOrder.BIG
    assert (frame.build, frame.readings[0].value) == (build, 0x7856)
    # it is told once, and obeyed from then on
    for number in range(1, 4):
        source.poke(TICK, bytes([0x12, 0x34, 0, number]))
        frame = await take(sampler)
        assert (frame.build, frame.readings[0].value) == (build, number << 8)
    assert len(source.notes) == 1


async def test_a_right_declaration_is_no_news(tmp_path: Path) -> None:
    source = ScriptedSource(byte_order=ByteOrder.SWAP32)
    guest(source)
    source.poke(TICK, b"\x12\x34")
    _, frame = await first(tmp_path, source, ByteOrder.SWAP32)
    assert (source.notes, frame.build, frame.readings[0].value) == ([], "print", 0x1234)


async def test_two_builds_in_other_orders_decide_nothing(tmp_path: Path) -> None:
    source = ScriptedSource()
    bench = Bench(tmp_path, "", WATCHES)
    # what stands there is the first one's evidence in swap32, and the second one's in swap16
    bench.schema = bench.schema.replace('text = "TIDE 1.1"', 'text = "DETI.0 1"')
    source.poke(0x8000_0400, b"EDIT0.1 ")
    sampler = await bench.sampler(source, declared=ByteOrder.HALFSWAP)
    frame = await take(sampler)
    assert (frame.build, frame.readings[0].status) == ("", Status.WAITING)
    assert frame.note.startswith("no build is recognised: print wants")
    assert source.notes == []


async def test_memory_without_evidence_in_any_order_is_waited_for(tmp_path: Path) -> None:
    source = ScriptedSource()
    sampler, frame = await first(tmp_path, source, ByteOrder.SWAP16)
    assert (frame.build, source.notes) == ("", [])
    guest(source)
    source.poke(TICK, b"\x12\x34\x56\x78")
    frame = await take(sampler)
    assert (frame.build, frame.readings[0].value) == ("print", 0x3412)
    assert len(source.notes) == 1


@pytest.mark.parametrize("build", ["auto", "print"])
async def test_an_order_that_the_source_gives_is_not_called_declared(
    tmp_path: Path, build: str
) -> None:
    source = Declaring(byte_order=ByteOrder.SWAP32)
    source.says = ByteOrder.BIG
    guest(source)
    source.poke(TICK, b"\x12\x34\x56\x78")
    _, frame = await first(tmp_path, source, None, build)
    assert source.notes == [
        "byte order big comes from the source, but print is recognised in swap32; big is used, "
        "set byte_order in [source] for another one"
    ]
    assert (frame.build, frame.readings[0].value) == ("print", 0x7856)


async def test_recognise_bytes_that_are_not_there_are_told_without_a_declaration(
    tmp_path: Path,
) -> None:
    source = Declaring()
    source.says = ByteOrder.BIG
    source.poke(TICK, b"\x12\x34")
    _, frame = await first(tmp_path, source, None, "print")
    assert source.notes == [
        "the recognise bytes of print are not there; it is used all the same, in big, the "
        "source's byte order"
    ]
    assert (frame.build, frame.readings[0].value) == ("print", 0x1234)
