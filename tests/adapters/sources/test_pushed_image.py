"""What a producer sent, seen through the guest's regions."""

from __future__ import annotations

import pytest

from adapters.sources.pushed.pushed_image import PushedImage
from bridge.memory.address_map import MemoryMap, Region, Span
from bridge.memory.fetched import Partial

RAM = Region("ram", 0x8000_0000, 0x1000, (0xA000_0000,))
PAD = Region("pad", 0x8000_1000, 0x800)
MEMORY = MemoryMap([RAM, PAD])
FIRST = Span(0x8000_0000, 0x100)
LINE = bytes(range(256))


def test_what_was_never_sent_is_absent() -> None:
    image = PushedImage(MEMORY, 0x8000_0000, 0x1000)
    image.apply([(0x8000_0000, LINE[:255])])
    assert image.read(RAM, FIRST) is None
    image.show()
    part = image.read(RAM, FIRST)
    assert isinstance(part, Partial)
    assert (part.data[:255], part.held) == (LINE[:255], b"\1" * 255 + b"\0")
    image.apply([(0x8000_00FF, LINE[255:])])
    assert image.read(RAM, FIRST) == part
    image.show()
    assert image.read(RAM, FIRST) == LINE


def test_what_has_arrived_is_not_read_before_it_is_shown() -> None:
    image = PushedImage(MEMORY, 0x8000_0000, 0x1000)
    image.apply([(0x8000_0000, LINE)])
    assert image.read(RAM, FIRST) is None
    image.show()
    image.apply([(0x8000_0000, b"new")])
    assert image.read(RAM, FIRST) == LINE
    image.show()
    assert image.read(RAM, FIRST) == b"new" + LINE[3:]


@pytest.mark.parametrize("base", [0x8000_0000, 0xA000_0000])
def test_a_base_may_be_a_mirror(base: int) -> None:
    image = PushedImage(MEMORY, base, 0x1000)
    assert image.sizes["ram"] == 0x1000
    image.apply([(base + 0x100, LINE)])
    image.show()
    assert image.read(RAM, Span(0x8000_0100, 0x100)) == LINE
    assert image.ranges([Span(0x8000_0100, 0x100)]) == [(base + 0x100, 0x100)]


def test_a_base_may_lie_inside_a_region() -> None:
    image = PushedImage(MEMORY, 0xA000_0400, 0x200)
    assert image.sizes == {"ram": 0x600}
    image.apply([(0xA000_0400, LINE * 2)])
    image.show()
    assert image.read(RAM, Span(0x8000_0300, 0x100)) is None
    assert image.read(RAM, Span(0x8000_0400, 0x200)) == LINE * 2
    assert image.ranges([Span(0x8000_0000, 0x1000)]) == [(0xA000_0400, 0x200)]


def test_ram_over_two_regions_and_beyond() -> None:
    image = PushedImage(MEMORY, 0x8000_0000, 0x10000)
    assert image.sizes == {"ram": 0x1000, "pad": 0x800}
    image.apply([(0x8000_0F00, LINE * 2), (0x8000_8000, LINE)])
    image.show()
    assert image.read(RAM, Span(0x8000_0F00, 0x100)) == LINE
    assert image.read(PAD, Span(0x8000_1000, 0x100)) == LINE


def test_ram_elsewhere_meets_no_region() -> None:
    assert PushedImage(MEMORY, 0x9000_0000, 0x1000).sizes == {}


def test_the_later_of_two_changes_wins() -> None:
    image = PushedImage(MEMORY, 0x8000_0000, 0x1000)
    image.apply([(0x8000_0000, LINE), (0x8000_0080, b"later")])
    image.show()
    assert image.read(RAM, FIRST) == LINE[:0x80] + b"later" + LINE[0x85:]
