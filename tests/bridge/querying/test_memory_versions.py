"""Versions of memory whose places and counts have no room in 32 bits together.

Before numpy 2 its own integers have 32 bits on Windows ("NumPy 2.0 migration guide").
"""

from __future__ import annotations

import struct

import numpy as np

from bridge.memory.address_map import MemoryMap, Region
from bridge.querying.known_memory import KnownMemory
from bridge.querying.memory_versions import MemoryVersions
from bridge.querying.stretch import Spans

SIZE = 4 << 20
AT = SIZE - 0x200
COUNT = 6000
"""Frames, each of which changes a word: a word's number times so many has more than 31 bits."""


def test_a_word_at_the_end_of_much_memory_in_each_of_many_frames() -> None:
    memory = KnownMemory(MemoryMap([Region("ram", 0x8000_0000, SIZE)]))
    memory.known[:] = 1
    memory.begin()
    frames = np.arange(COUNT, dtype=np.int64)
    values = [(7 * n) & 0xFFFF_FFFF for n in range(COUNT)]
    data = b"".join(struct.pack(">Q", value) for value in values)
    lengths = np.full(COUNT, 8, np.int64)
    parts = Spans(frames, np.full(COUNT, AT, np.int64), lengths, 8 * frames)
    versions = MemoryVersions(memory, parts, Spans.none(), np.frombuffer(data, np.uint8), COUNT)
    for flat in (AT, np.full(COUNT, AT, np.int64)):
        found, known = versions.read(flat, 8)
        assert known is None
        assert [int.from_bytes(row.tobytes()) for row in found] == values
    assert (AT >> 3) * COUNT > 1 << 31
