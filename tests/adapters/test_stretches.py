"""A group's frames as arrays are the same frames, and what is damaged is told in the same words."""

from __future__ import annotations

import random
import struct
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.recordings import chunk
from adapters.recordings.contents import messages
from adapters.recordings.frame_message import FrameKind, RecordedFrame, decode, encode
from adapters.recordings.header import About
from adapters.recordings.reader import Recording, open_recording
from adapters.recordings.recorded_memory import RecordedMemory
from adapters.recordings.recorder import Recorder
from adapters.recordings.stretches import last_written, stretch_of
from bridge.memory.address_map import Region, Span
from bridge.ports.source import Consistency
from bridge.querying.stretch import Spans, Stretch, joined

BASE, SIZE = 0x8000_0000, 0x2000
Told = tuple[int, int, bool, list[tuple[int, bytes]], list[tuple[int, int]]]


def recorded(path: Path) -> Recording:
    """Frames that change some bytes anywhere, and now and then know less than before."""
    chance = random.Random(3)
    with Recorder(path, About("", "", "made", "pier", [Region("ram", BASE, SIZE)])) as recorder:
        for number in range(200):
            parts = [(Span(BASE, SIZE), chance.randbytes(SIZE))]
            if number:
                spans = [
                    Span(BASE + 8 * chance.randrange(SIZE // 8 - 40), 8 * chance.randrange(1, 40))
                    for _ in range(chance.randrange(4))
                ]
                parts = [(span, chance.randbytes(span.length)) for span in spans]
            gone = [Span(BASE + 0x100, chance.randrange(1, 400))] if number % 9 == 3 else []
            recorder.frame(
                *(number, 1.7e9 + number / 60, Consistency.GUARDED, parts),
                gone=gone,
                in_part=number % 7 == 2,
            )
    return open_recording(path)


def told(frames: list[RecordedFrame]) -> list[Told]:
    return [
        (
            *(frame.number, frame.time, frame.in_part),
            [(span.address, bytes(data)) for span, data in frame.parts],
            [(span.address, span.length) for span in frame.gone],
        )
        for frame in frames
    ]


def told_of_arrays(stretch: Stretch) -> list[Told]:
    found: list[Told] = [
        (number, time, in_part, [], [])
        for number, time, in_part in zip(
            stretch.numbers, stretch.times.tolist(), stretch.in_part.tolist(), strict=True
        )
    ]
    for frame, at, length, data in rows(stretch.parts):
        found[frame][3].append((at, stretch.data[data : data + length].tobytes()))
    for frame, at, length, _ in rows(stretch.gone):
        found[frame][4].append((at, length))
    return found


def rows(spans: Spans) -> list[tuple[int, int, int, int]]:
    columns = (spans.frame, spans.at, spans.length, spans.data)
    found = zip(*(column.tolist() for column in columns), strict=True)
    # an address of 64 bits that no guest has is below 0
    return [(frame, at % (1 << 64), length, data) for frame, at, length, data in found]


def test_the_same_frames(tmp_path: Path) -> None:
    recording = recorded(tmp_path / "a.mcap")
    groups = range(len(recording.groups))
    assert len(groups) > 2
    for group in groups:
        assert told_of_arrays(recording.stretch(group)) == told(recording.frames(group))
    together = joined([recording.stretch(group) for group in groups])
    assert told_of_arrays(together) == [
        each for group in groups for each in told(recording.frames(group))
    ]


def test_some_messages_of_a_chunk(tmp_path: Path) -> None:
    recording = recorded(tmp_path / "a.mcap")
    piece = recording.groups[1].piece
    with recording.path.open("rb") as stream:
        data = chunk.unpacked(stream, piece.place)
    whole = told(recording.frames(1))
    assert told_of_arrays(stretch_of(data, piece.channel, 3, 10)) == whole[3:10]
    assert told_of_arrays(stretch_of(data, piece.channel, 50)) == whole[50:]
    assert told_of_arrays(stretch_of(data, piece.channel + 1)) == []


@pytest.mark.parametrize("seed", range(6))
def test_damage_is_told_in_the_same_words(tmp_path: Path, seed: int) -> None:
    recording = recorded(tmp_path / "a.mcap")
    piece = recording.groups[0].piece
    with recording.path.open("rb") as stream:
        data = bytearray(chunk.unpacked(stream, piece.place))
    chance = random.Random(seed)
    differing = 0
    for _ in range(300):
        place, bit = chance.randrange(len(data)), 1 << chance.randrange(8)
        data[place] ^= bit
        outcomes: list[object] = []
        for read in (by_message, by_arrays):
            try:
                outcomes.append(read(memoryview(bytes(data)), piece.channel))
            except ValueError as fault:
                outcomes.append(str(fault))
        if isinstance(outcomes[0], str):
            differing += 1
            # of several faults each may come upon another one first
            assert isinstance(outcomes[1], str)
        else:
            assert outcomes[0] == outcomes[1]
        data[place] ^= bit
    assert differing


def by_message(data: memoryview, channel: int) -> list[Told]:
    return told([decode(each.data, each.time) for each in messages(data, channel)])


def by_arrays(data: memoryview, channel: int) -> list[Told]:
    return told_of_arrays(stretch_of(data, channel))


SOME = st.tuples(st.sampled_from([0, 4, 8, 0x100, 0x104, 0xFFF0]), st.sampled_from([4, 8, 0x104]))


@given(st.lists(st.lists(SOME, max_size=4), min_size=1, max_size=6), st.booleans())
def test_what_was_written_last_is_what_all_frames_come_to(
    frames: list[list[tuple[int, int]]], high: bool
) -> None:
    """Spans that overlap among them, below and above half of all addresses of 64 bits."""
    start = (1 << 64) - 0x1_0000 if high else BASE
    region = Region("ram", start, 0x1_0000)
    chance = random.Random(5)
    one_by_one, at_once = RecordedMemory([region]), RecordedMemory([region])
    content = bytearray()
    for number, spans in enumerate(frames):
        places = [(min(at, 0x1_0000 - size), size) for at, size in spans]
        frame = RecordedFrame(
            *(FrameKind.CHANGES, number, number, Consistency.STILL),
            [(Span(start + at, size), chance.randbytes(size)) for at, size in places],
        )
        one_by_one.apply(frame)
        message = struct.pack("<HIQQ", 3, 0, number, number) + encode(frame)
        content += chunk.RECORD.pack(chunk.MESSAGE, len(message)) + message
    last = last_written(stretch_of(memoryview(content), 3))
    assert last is not None
    assert len({span for span, _ in last.parts}) == len(last.parts)
    at_once.apply(last)
    everything = Span(start, 0x1_0000)
    assert at_once.read(everything) == one_by_one.read(everything)


def test_frames_in_which_bytes_are_known_no_more_are_told_one_by_one(tmp_path: Path) -> None:
    recording = recorded(tmp_path / "a.mcap")
    gone = [bool(len(recording.stretch(group).gone)) for group in range(len(recording.groups))]
    assert any(gone)
    assert [last_written(recording.stretch(group)) is None for group in range(len(gone))] == gone
