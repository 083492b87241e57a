"""The worked examples of a sheet stay within memory, and carry wherever that can be."""

from __future__ import annotations

import random

from bridge.sheet.worked import example
from schemas.schema_file import Memory, RegionTable


def memory(start: int, size: int) -> Memory:
    return Memory(endian="big", regions=(RegionTable(name="ram", start=start, size=size),))


def carries(address: int, add: int) -> bool:
    """Whether two digits come to sixteen or more, as on paper."""
    return any((address >> 4 * place & 15) + (add >> 4 * place & 15) >= 16 for place in range(8))


def test_the_example_of_a_field_is_in_memory_and_carries() -> None:
    draw = random.Random(7)
    for _ in range(300):
        add = draw.randrange(2, 0x230, 2)
        ram = memory(0x8000_0000, draw.choice([0x40_0000, 0x80_0000, 0x20_0000]))
        address = example(ram, add)
        assert address >= 0x8000_0000
        assert address + add < 0x8000_0000 + ram.regions[0].size
        assert carries(address, add), hex(add)
        assert address >> 12 == (address + add) >> 12  # and no further than a person likes


def test_a_small_memory_a_far_field_and_one_before_the_pointer() -> None:
    for size, add in ((0x100, 0x2E), (0x100, 0xF0), (0x4000, 0x3000), (0x4000, -0x18)):
        address = example(memory(0x2000, size), add)
        assert 0x2000 <= address < 0x2000 + size
        assert 0x2000 <= address + add < 0x2000 + size
