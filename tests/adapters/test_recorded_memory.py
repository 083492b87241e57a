"""Recorded memory: what is known of it, and key images of which only what is asked for is unpacked.

What must be read is held by a plain array of bytes, each known or not.
"""

from __future__ import annotations

from functools import partial

from hypothesis import given
from hypothesis import strategies as st

from adapters.recordings.changed_lines import Snapshot
from adapters.recordings.frame_message import FrameKind, RecordedFrame
from adapters.recordings.recorded_memory import BLOCK_SIZE, RecordedMemory, blocks
from bridge.memory.address_map import LINE_SIZE, Region, Span
from bridge.memory.fetched import Part, Partial
from bridge.ports.source import Consistency

BASE = 0x8000_0000
SIZE = BLOCK_SIZE + 3 * LINE_SIZE + 0x80
REGIONS = [Region("ram", BASE, SIZE), Region("pad", 0xBFC0_0000, 0x7C4)]
# near the end of the first block, where one of these goes over into the next
NEAR = BLOCK_SIZE - 2 * LINE_SIZE


def test_blocks_are_those_of_each_region() -> None:
    assert blocks(REGIONS) == [
        Span(BASE, BLOCK_SIZE),
        Span(BASE + BLOCK_SIZE, 3 * LINE_SIZE + 0x80),
        Span(0xBFC0_0000, 0x7C4),
    ]


def bytes_of(part: Part, length: int) -> list[int | None]:
    if part is None:
        return [None] * length
    if isinstance(part, Partial):
        return [b if h else None for b, h in zip(part.data, part.held, strict=True)]
    return list(part)


step = st.one_of(
    st.tuples(
        st.sampled_from(["write", "drop", "read", "known"]),
        st.integers(0, 5 * LINE_SIZE),
        st.integers(1, 3 * LINE_SIZE),
    ),
    st.tuples(st.just("key"), st.integers(0, 255), st.just(0)),
)


@given(st.lists(step, max_size=12))
def test_it_is_as_an_array_in_which_all_is_written_at_once(
    steps: list[tuple[str, int, int]],
) -> None:
    memory = RecordedMemory(REGIONS)
    model: list[int | None] = [None] * SIZE
    unpacked: list[int] = []

    def block(span: Span, fill: int) -> list[tuple[Span, bytes]]:
        assert span.address not in unpacked
        unpacked.append(span.address)
        return [(span, bytes([fill]) * span.length)]

    for number, (what, at, length) in enumerate(steps):
        if what == "key":
            unpacked.clear()
            memory.set_key((span, partial(block, span, at)) for span in blocks(REGIONS[:1]))
            model = [at] * SIZE
            continue
        first = min(NEAR + at, SIZE - 1)
        span = Span(BASE + first, min(length, SIZE - first))
        if what == "write":
            data = bytes((number + i) % 256 for i in range(span.length))
            memory.write(span, data)
            model[first : first + span.length] = data
        elif what == "drop":
            gone = RecordedFrame(
                FrameKind.CHANGES, number, number, Consistency.STILL, [], gone=[span]
            )
            memory.apply(gone)
            model[first : first + span.length] = [None] * span.length
        elif what == "read":
            found = bytes_of(memory.read(span), span.length)
            assert found == model[first : first + span.length]
            assert not memory.packed(span)
        else:
            seen: list[int | None] = [None] * span.length
            for part, there in memory.known(span):
                seen[part.address - span.address : part.end - span.address] = there
            assert seen == model[first : first + span.length]
    whole = Span(BASE + NEAR, SIZE - NEAR)
    assert bytes_of(memory.read(whole), whole.length) == model[NEAR:]


def test_what_is_not_asked_for_is_not_unpacked() -> None:
    memory = RecordedMemory(REGIONS)
    unpacked: list[Span] = []

    def block(span: Span) -> list[tuple[Span, bytes]]:
        unpacked.append(span)
        return [(span, bytes(span.length))]

    memory.set_key((span, partial(block, span)) for span in blocks(REGIONS))
    memory.write(Span(BASE + 3 * LINE_SIZE, LINE_SIZE), b"n" * LINE_SIZE)
    assert unpacked == []
    assert memory.packed(Span(BASE, 4))
    assert memory.read(Span(0xBFC0_0000, 4)) == bytes(4)
    assert unpacked == [Span(0xBFC0_0000, 0x7C4)]
    assert memory.read(Span(BASE + 3 * LINE_SIZE - 2, 4)) == b"\0\0nn"
    assert unpacked[1:] == [Span(BASE, BLOCK_SIZE)]
    assert memory.read(Span(BASE + SIZE, 4)) is None


@given(
    size=st.integers(1, 300_000),
    steps=st.lists(
        st.lists(st.tuples(st.integers(0, 1 << 20), st.integers(0, 255)), max_size=20), max_size=5
    ),
)
def test_a_snapshot_owes_the_lines_that_differ_until_it_is_settled(
    size: int, steps: list[list[tuple[int, int]]]
) -> None:
    snapshot = Snapshot(size)
    now = bytearray(size)
    known = bytearray(size)
    snapshot.look(now)
    assert snapshot.owed() == [(0, bytes(size))]
    snapshot.settle()
    wanted: set[int] = set()
    for number, places in enumerate(steps):
        before = bytes(now)
        for at, value in places:
            now[at % size] = value
        wanted |= {
            at % size // LINE_SIZE for at, _ in places if now[at % size] != before[at % size]
        }
        # in two pieces, the first of which is lines
        half = size // 2 // LINE_SIZE * LINE_SIZE
        snapshot.look(memoryview(now)[:half])
        snapshot.look(memoryview(now)[half:], half)
        found = snapshot.owed()
        lines = [
            line
            for at, data in found
            for line in range(at // LINE_SIZE, -(-(at + len(data)) // LINE_SIZE))
        ]
        assert lines == sorted(wanted)
        if number % 2:
            for at, data in found:
                known[at : at + len(data)] = data
            assert known == now
            snapshot.settle()
            wanted.clear()
