"""Regions, mirrors and lines."""

from __future__ import annotations

import pytest

from bridge.memory.address_map import LINE_SIZE, MemoryMap, Region, Span

RAM = Region("ram", 0x8000_0000, 0x1000, (0xA000_0000, 0x0))
PAD = Region("pad", 0xBFC0_0000, 0x7C4)
"""0x7C4 is not a whole number of lines."""


@pytest.fixture
def memory() -> MemoryMap:
    return MemoryMap([RAM, PAD])


def test_a_region_lies_in_the_flat_buffer_behind_the_one_before_it(memory: MemoryMap) -> None:
    assert memory.flat_starts == {"ram": 0, "pad": 0x1000}


def test_the_flat_buffer_has_whole_lines(memory: MemoryMap) -> None:
    assert memory.flat_size == 0x1000 + 0x800
    assert memory.flat_size % LINE_SIZE == 0


def test_a_region_after_an_odd_one_begins_on_a_line() -> None:
    memory = MemoryMap([PAD, RAM])
    assert memory.flat_starts == {"pad": 0, "ram": 0x800}


@pytest.mark.parametrize("start", [0x8000_0000, 0xA000_0000, 0x0])
def test_every_mirror_is_the_same_place(memory: MemoryMap, start: int) -> None:
    # KSEG0 at 0x80000000 and KSEG1 at 0xA0000000 show the same physical bytes (MIPS32
    # Architecture volume III, "Virtual Memory")
    assert memory.flat(start + 0x123, 4) == 0x123
    region = memory.region_at(start + 0x123)
    assert region is not None
    assert region.name == "ram"


def test_the_last_byte_is_inside_and_the_next_is_not(memory: MemoryMap) -> None:
    assert memory.flat(0x8000_0FFF) == 0xFFF
    assert memory.flat(0x8000_1000) is None
    assert memory.flat(0x8000_0FFD, 4) is None
    assert memory.flat(0x7FFF_FFFF) is None
    assert memory.region_at(0x8000_1000) is None
    assert memory.flat(0xBFC0_07C3) == 0x17C3
    assert memory.flat(0xBFC0_07C4) is None


def test_a_flat_index_gives_the_canonical_address(memory: MemoryMap) -> None:
    for address in (0x8000_0000, 0x8000_0FFF, 0xBFC0_0000, 0xBFC0_07C3):
        flat = memory.flat(address)
        assert flat is not None
        assert memory.address(flat) == address


@pytest.mark.parametrize("flat", [0x17C4, 0x1800, -1])
def test_a_flat_index_in_no_region_is_refused(memory: MemoryMap, flat: int) -> None:
    with pytest.raises(ValueError) as caught:
        memory.address(flat)
    assert str(caught.value) == f"flat index {flat} is outside every region"


def test_neighbouring_lines_become_one_span(memory: MemoryMap) -> None:
    assert memory.spans([2, 0, 1, 1, 5]) == [
        Span(0x8000_0000, 0x300),
        Span(0x8000_0500, 0x100),
    ]


def test_a_span_never_joins_two_regions(memory: MemoryMap) -> None:
    assert memory.spans([15, 16]) == [Span(0x8000_0F00, 0x100), Span(0xBFC0_0000, 0x100)]


def test_a_span_never_joins_two_regions_that_touch() -> None:
    memory = MemoryMap([Region("low", 0x0, 0x100), Region("high", 0x100, 0x100)])
    assert memory.spans([0, 1]) == [Span(0x0, 0x100), Span(0x100, 0x100)]


def test_the_last_line_of_an_odd_region_is_cut_to_it(memory: MemoryMap) -> None:
    assert memory.spans([22, 23]) == [Span(0xBFC0_0600, 0x1C4)]
    assert memory.whole() == [Span(0x8000_0000, 0x1000), Span(0xBFC0_0000, 0x7C4)]


def test_spans_cover_exactly_the_lines_asked_for(memory: MemoryMap) -> None:
    for mask in range(1, 1 << 10):
        lines = {14 + n for n in range(10) if mask >> n & 1}
        covered = set()
        for span in memory.spans(lines):
            flat = memory.flat(span.address, span.length)
            assert flat is not None
            covered |= {byte // LINE_SIZE for byte in range(flat, flat + span.length)}
        assert covered == lines


def test_a_truncated_map_keeps_what_is_held(memory: MemoryMap) -> None:
    held = memory.truncated({"ram": 0x280})
    assert held.regions == (Region("ram", 0x8000_0000, 0x280, (0xA000_0000, 0x0)),)
    assert held.flat(0x8000_027F) == 0x27F
    assert held.flat(0xA000_0280) is None
    assert held.spans([2]) == [Span(0x8000_0200, 0x80)]


def test_a_truncated_map_never_grows(memory: MemoryMap) -> None:
    assert memory.truncated({"ram": 1 << 30, "pad": 0}).regions == (RAM,)
