"""Recordings: written, read back, cut off, damaged, played, and read by a general MCAP reader."""

from __future__ import annotations

import asyncio
import io
import json
import os
import random
import struct
import time
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import zstandard
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from mcap.reader import SeekingReader, make_reader
from mcap.writer import CompressionType, Writer

from adapters.recordings import chunk, frame_message
from adapters.recordings.changed_lines import changed_lines, least
from adapters.recordings.chunk_index import chunk_index, everything
from adapters.recordings.frame_message import FrameKind, RecordedFrame
from adapters.recordings.header import About, decode_about
from adapters.recordings.reader import open_recording
from adapters.recordings.recorder import Parts, Recorder
from adapters.sessions.one_frame import may_be_recording
from adapters.sources.recording.player import RecordingPlayer
from adapters.system_clock import seconds
from bridge.memory.address_map import LINE_SIZE, MemoryMap, Region, Span
from bridge.memory.byte_order import ByteOrder
from bridge.memory.fetched import Partial
from bridge.ports.source import Cadence, Consistency
from schemas.errors import OutputError, SourceEnded, SourceError, SourceLost, SourceUnusable
from schemas.source_settings import RecordingSource

BASE = 0x8000_0000
SIZE = 0x4000
RAM = Region("ram", BASE, SIZE, (0xA000_0000,))
PAD = Region("pad", 0xBFC0_0000, 0x7C4)
MEMORY = MemoryMap([RAM, PAD])
ABOUT = About("[game]\n", 'schema = "a"\n', "first-print", "fake pier", [Region("ram", BASE, SIZE)])
STARTED = 1_700_000_000.0


@dataclass
class Moment:
    """A frame of the model: what must come back."""

    number: int
    time: float
    image: bytes


def moments(count: int, rate: float = 60.0, seed: int = 1) -> list[Moment]:
    """Random images, a few bytes of which change from frame to frame."""
    chance = random.Random(seed)
    image = bytearray(chance.randbytes(SIZE // 4) + bytes(SIZE - SIZE // 4))
    made = []
    for index in range(count):
        for _ in range(chance.randrange(5)):
            image[chance.randrange(SIZE)] = chance.randrange(256)
        made.append(Moment(100 + index, STARTED + index / rate, bytes(image)))
    return made


def write(path: Path, made: Sequence[Moment], close: bool = True) -> None:
    """Record the model as a live recorder would."""
    recorder = Recorder(path, ABOUT)
    before = b""
    for moment in made:
        whole: Parts = [(Span(BASE, SIZE), moment.image)]
        parts = changed_lines(BASE, before, moment.image) if before else whole
        recorder.frame(moment.number, moment.time, Consistency.GUARDED, parts)
        before = moment.image
    if close:
        recorder.close()
    else:
        recorder.abandon()


def replayed(path: Path) -> list[tuple[int, bytes]]:
    """Number and image of every frame, put together from the first key image on."""
    recording = open_recording(path)
    memory = recording.memory_before(0)
    found = []
    for group in range(len(recording.groups)):
        for frame in recording.frames(group):
            memory.apply(frame)
            image = memory.read(Span(BASE, SIZE))
            assert isinstance(image, bytes)
            found.append((frame.number, image))
    return found


def player(path: Path, speed: float = 1.0, repeat: bool = False) -> RecordingPlayer:
    wanted = RecordingSource(kind="recording", path=path.name, speed=speed, repeat=repeat)
    return RecordingPlayer(wanted, path.parent)


# written and read


def test_every_frame_comes_back(tmp_path: Path) -> None:
    made = moments(400)
    write(tmp_path / "a.mcap", made)
    assert replayed(tmp_path / "a.mcap") == [(m.number, m.image) for m in made]
    recording = open_recording(tmp_path / "a.mcap")
    assert recording.complete
    assert recording.about == ABOUT
    # 400 frames at 60 a second are 6.7 s: a group begins with each second
    assert [len(recording.frames(group)) for group in range(7)] == [60] * 6 + [40]
    assert len(recording.groups) == 7


def test_times_and_consistency_come_back(tmp_path: Path) -> None:
    whole = [(Span(BASE, SIZE), bytes(SIZE))]
    with Recorder(tmp_path / "a.mcap", ABOUT) as recorder:
        recorder.frame(7, 10.5, Consistency.STILL, whole)
        for number, consistency in enumerate(Consistency, 8):
            recorder.frame(number, 10.5 + number, consistency, [])
        recorder.frame(20, 3.0, Consistency.SENDER, [])
    recording = open_recording(tmp_path / "a.mcap")
    frames = [f for group in range(len(recording.groups)) for f in recording.frames(group)]
    assert [frame.consistency for frame in frames[1:-1]] == list(Consistency)
    assert frames[0].time == 10_500_000_000
    assert frames[1].time == 18_500_000_000
    # a clock that was set back brings no frame out of order
    assert frames[-1].time == frames[-2].time + 1


def test_every_group_is_reached_from_what_was_written_before_it(tmp_path: Path) -> None:
    """Also where a key image or what has changed since one lies between."""
    chance = random.Random(5)
    image = bytearray(chance.randbytes(SIZE))
    before, made = b"", []
    with Recorder(tmp_path / "a.mcap", ABOUT) as recorder:
        for number in range(3000):
            # now a few bytes, now many
            for _ in range(chance.choice((0, 1, 2, 20 if number // 300 % 2 else 3))):
                at = chance.randrange(SIZE - 200)
                image[at : at + 200] = chance.randbytes(200)
            whole: Parts = [(Span(BASE, SIZE), bytes(image))]
            parts = changed_lines(BASE, before, bytes(image)) if before else whole
            recorder.frame(number, STARTED + number / 60, Consistency.GUARDED, parts)
            before = bytes(image)
            made.append(before)
    recording = open_recording(tmp_path / "a.mcap")
    assert len(recording.groups) == 50
    assert len(recording.keys) > 1
    assert sum(group.since is not None for group in recording.groups) > 1
    order = list(range(50))
    chance.shuffle(order)
    for group in order:
        memory = recording.memory_before(group)
        for frame in recording.frames(group):
            memory.apply(frame)
            at = chance.randrange(SIZE - 300)
            assert memory.read(Span(BASE + at, 300)) == made[frame.number][at : at + 300]
        assert memory.read(Span(BASE, SIZE)) == made[frame.number]


def test_a_group_ends_sooner_where_much_changes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A reader unpacks a group as a whole, and refuses one that is too large."""
    monkeypatch.setattr("adapters.recordings.recorder._GROUP_SIZE", 3 * SIZE)
    monkeypatch.setattr("adapters.recordings.recorder._LEAST", 1)
    chance = random.Random(8)
    made = [Moment(n, STARTED + n / 60, chance.randbytes(SIZE)) for n in range(50)]
    write(tmp_path / "a.mcap", made)
    assert replayed(tmp_path / "a.mcap") == [(m.number, m.image) for m in made]
    recording = open_recording(tmp_path / "a.mcap")
    sizes = [len(recording.frames(group)) for group in range(len(recording.groups))]
    # the first frame's memory is in the key image
    assert sizes == [4, *[3] * 15, 1]


@pytest.mark.full
def test_a_second_in_which_more_changes_than_a_chunk_may_hold_is_read(tmp_path: Path) -> None:
    size = 5 << 20
    about = About("", "", "", "", [Region("ram", BASE, size)])
    with Recorder(tmp_path / "a.mcap", about) as recorder:
        for number in range(60):
            image = bytes([number]) * size
            recorder.frame(number, number / 60, Consistency.GUARDED, [(Span(BASE, size), image)])
    recording = open_recording(tmp_path / "a.mcap")
    memory, seen = recording.memory_before(0), 0
    for group in range(len(recording.groups)):
        for frame in recording.frames(group):
            memory.apply(frame)
            assert memory.read(Span(BASE, size)) == bytes([frame.number]) * size
            seen += 1
    assert seen == 60


def test_more_memory_than_can_be_recorded_is_refused_at_once(tmp_path: Path) -> None:
    about = About("", "", "", "", [Region("a", 0, 4 << 30), Region("b", 4 << 30, 4)])
    with pytest.raises(OutputError) as caught:
        Recorder(tmp_path / "a.mcap", about)
    assert caught.value.detail == (
        f"{tmp_path / 'a.mcap'} cannot be written: regions of 4294967300 bytes, "
        "more than the 4294967296 of a recording"
    )
    assert not (tmp_path / "a.mcap").exists()


def test_where_it_cannot_be_written(tmp_path: Path) -> None:
    with pytest.raises(OutputError) as caught:
        Recorder(tmp_path / "nowhere" / "a.mcap", ABOUT)
    assert caught.value.output == "recording a.mcap"
    assert "cannot be written" in caught.value.detail


@given(
    before=st.binary(min_size=2000, max_size=2000),
    edits=st.lists(st.tuples(st.integers(0, 1999), st.integers(0, 255)), max_size=8),
)
def test_changed_lines_are_the_least_whole_lines(
    before: bytes, edits: list[tuple[int, int]]
) -> None:
    after = bytearray(before)
    for at, value in edits:
        after[at] = value
    expected = {at // LINE_SIZE for at in range(2000) if before[at] != after[at]}
    found = changed_lines(BASE, before, bytes(after))
    lines = [
        line
        for span, _ in found
        for line in range((span.address - BASE) // LINE_SIZE, -(-(span.end - BASE) // LINE_SIZE))
    ]
    assert lines == sorted(expected)
    again = bytearray(before)
    for span, data in found:
        assert len(data) == span.length
        again[span.address - BASE : span.end - BASE] = data
    assert again == after


@given(
    st.lists(
        st.tuples(
            st.integers(1, 300),
            st.booleans(),
            st.lists(st.tuples(st.integers(0, 299), st.integers(0, 3)), max_size=12),
        ),
        max_size=6,
    )
)
def test_of_lines_no_more_is_told_than_has_changed(
    made: list[tuple[int, bool, list[tuple[int, int]]]],
) -> None:
    """Held against the same in plain words: 8 bytes at a time, a part at a time."""
    parts, befores, expected = [], [], []
    for number, (length, known, edits) in enumerate(made):
        before = bytes(length)
        after = bytearray(before)
        for at, value in edits:
            after[at % length] = value
        part = Span(BASE + 0x200 * number, length), bytes(after)
        parts.append(part)
        befores.append(before if known else None)
        runs: list[list[int]] = []
        for at in range(0, length, 8):
            if before[at : at + 8] != after[at : at + 8]:
                if runs and at - runs[-1][1] < 16:
                    runs[-1][1] = at + 8
                else:
                    runs.append([at, at + 8])
        dear = 2 * sum(12 + end - at for at, end in runs) >= length
        if not known or length % 8 or dear:
            expected.append(part)
        else:
            expected += [
                (Span(part[0].address + at, end - at), part[1][at:end]) for at, end in runs
            ]
    assert [(span, bytes(data)) for span, data in least(parts, befores)] == expected


def test_the_message_is_laid_out_as_documented() -> None:
    spans = [(Span(0x8000_0100, 4), b"abcd"), (Span(0x8000_0300, 2), b"ef")]
    gone = [Span(0x8000_0400, 3)]
    message = frame_message.encode(
        RecordedFrame(FrameKind.CHANGES, 0x1234, 5, Consistency.SENDER, spans, gone, in_part=True)
    )
    # written out by hand from the table in frame_message
    assert message == (
        struct.pack("<BBHIIIQ", 2, 3, 1, 2, 1, 0, 0x1234)
        + struct.pack("<QIQI", 0x8000_0100, 4, 0x8000_0300, 2)
        + struct.pack("<QI", 0x8000_0400, 3)
        + b"abcdef"
    )
    back = frame_message.decode(memoryview(message), 5)
    assert (back.kind, back.number, back.consistency) == (2, 0x1234, "sender")
    assert [(span, bytes(data)) for span, data in back.parts] == spans
    assert (back.gone, back.in_part) == (gone, True)


@given(st.binary(max_size=80))
def test_any_bytes_as_a_message_are_a_frame_or_a_value_error(message: bytes) -> None:
    try:
        frame = frame_message.decode(memoryview(message), 0)
    except ValueError:
        return
    kept = message[:2] + bytes([message[2] & 1, 0]) + message[4:12] + bytes(4) + message[16:]
    assert frame_message.encode(frame) == kept


# the container


def test_a_general_reader_lists_topics_schemas_and_counts(tmp_path: Path) -> None:
    made = moments(300)
    write(tmp_path / "a.mcap", made)
    # the reader of the mcap library, by the MCAP specification's summary section
    with (tmp_path / "a.mcap").open("rb") as stream:
        reader = make_reader(stream, validate_crcs=True)
        assert (reader.get_header().profile, reader.get_header().library) == ("", "lowhalf")
        summary = reader.get_summary()
        assert summary is not None
        assert summary.statistics is not None
        counts = {
            channel.topic: summary.statistics.channel_message_counts.get(number, 0)
            for number, channel in summary.channels.items()
        }
        assert counts == {
            "lowhalf/ram": 300,
            "lowhalf/ram/key": 1,
            "lowhalf/ram/since-key": 0,
            "lowhalf/bridge": 1,
            "lowhalf/readings": 0,
            "lowhalf/gaps": 0,
        }
        names = {schema.name for schema in summary.schemas.values()}
        assert names == {"lowhalf.bridge", "lowhalf.readings", "lowhalf.gaps"}
        assert {index.compression for index in summary.chunk_indexes} == {"zstd"}
        times = [message.log_time for _, _, message in reader.iter_messages("lowhalf/ram")]
        assert times == [round(moment.time * 1e9) for moment in made]
        (about,) = [message.data for _, _, message in reader.iter_messages("lowhalf/bridge")]
        assert json.loads(about)["bridge"] == ABOUT.bridge


def test_readings_are_json_that_a_general_reader_finds(tmp_path: Path) -> None:
    with Recorder(tmp_path / "a.mcap", ABOUT) as recorder:
        for number in range(3):
            recorder.frame(number, number, Consistency.STILL, [(Span(BASE, 4), b"abcd")])
            recorder.readings({"frame": number, "readings": []})
    with (tmp_path / "a.mcap").open("rb") as stream:
        found = list(make_reader(stream).iter_messages("lowhalf/readings"))
    assert [json.loads(message.data)["frame"] for _, _, message in found] == [0, 1, 2]
    schema, channel, _ = found[0]
    assert schema is not None
    assert (schema.encoding, channel.message_encoding) == ("jsonschema", "json")
    assert "readings" in json.loads(schema.data)["required"]
    # they do not disturb the frames
    recording = open_recording(tmp_path / "a.mcap")
    numbers = [f.number for g in range(len(recording.groups)) for f in recording.frames(g)]
    assert numbers == [0, 1, 2]


def test_a_frame_is_reached_without_reading_the_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = moments(1200)
    write(tmp_path / "a.mcap", made)
    recording = open_recording(tmp_path / "a.mcap")
    unpacked: list[int] = []
    real = chunk.unpacked

    def counted(stream: object, place: chunk.ChunkPlace) -> memoryview:
        unpacked.append(place.offset)
        return real(stream, place)  # type: ignore[arg-type]

    monkeypatch.setattr(chunk, "unpacked", counted)
    since = [place.offset for g in recording.groups if (place := g.since and g.since.place)]
    key = recording.keys[0].pieces[0].place.offset
    for index in (0, 119, 120, 777, 1199):
        moment = made[index]
        unpacked.clear()
        group = recording.group_at(round(moment.time * 1e9))
        assert group == index // 60
        memory = recording.memory_before(group)
        for frame in recording.frames(group):
            if frame.time <= round(moment.time * 1e9):
                number = frame.number
                memory.apply(frame)
        image = memory.read(Span(BASE, SIZE))
        assert (number, image) == (moment.number, moment.image)
        # nothing is read twice, nor anything before the last since-key
        last = max((at for at in since if at < recording.groups[group].place.offset), default=key)
        assert len(set(unpacked)) == len(unpacked)
        assert all(at == key or last <= at for at in unpacked), index
    assert recording.group_at(0) == 0


# cut off and damaged


def test_a_file_cut_off_anywhere_keeps_every_whole_group(tmp_path: Path) -> None:
    made = moments(400)
    write(tmp_path / "a.mcap", made)
    whole = (tmp_path / "a.mcap").read_bytes()
    recording = open_recording(tmp_path / "a.mcap")
    ends = [group.place.offset + group.place.length for group in recording.groups]
    chance = random.Random(3)
    lengths = {*chance.sample(range(len(whole)), 150), *range(40)}
    lengths |= {end + near for end in ends for near in (-1, 0, 1)}
    cut = tmp_path / "cut.mcap"
    for length in sorted(lengths):
        cut.write_bytes(whole[:length])
        groups = sum(end <= length for end in ends)
        if not groups:
            with pytest.raises(SourceUnusable):
                open_recording(cut)
            continue
        found = replayed(cut)
        assert found == [(m.number, m.image) for m in made[: min(400, 60 * groups)]]
        assert open_recording(cut).complete is False


def test_a_recording_that_was_never_closed_is_played(tmp_path: Path) -> None:
    made = moments(300)
    write(tmp_path / "a.mcap", made, close=False)
    # 300 frames are 5 s: the fifth group had no successor, so it was not written yet
    assert replayed(tmp_path / "a.mcap") == [(m.number, m.image) for m in made[:240]]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "expected an MCAP file, found one that begins with b''"),
        (
            b"PK\x03\x04 and more",
            "expected an MCAP file, found one that begins with b'PK\\x03\\x04",
        ),
        (b"\x89MCAP0\r\n", "no part of it is whole"),
        (b"\x89MCAP0\r\n" + b"\x01" + b"\xff" * 200, "no part of it is whole"),
    ],
)
def test_what_is_no_recording(tmp_path: Path, content: bytes, words: str) -> None:
    path = tmp_path / "a.mcap"
    path.write_bytes(content)
    with pytest.raises(SourceUnusable) as caught:
        open_recording(path)
    assert caught.value.detail.startswith(f"{path} is not a usable recording: {words}")
    assert caught.value.source == "recording a.mcap"


def test_an_mcap_file_of_something_else(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    with path.open("wb") as stream:
        writer = Writer(stream, compression=CompressionType.ZSTD)
        writer.start()
        channel = writer.register_channel("/tide", "json", 0)
        writer.add_message(channel, 1, b"{}", 1)
        writer.finish()  # type: ignore[no-untyped-call]
    with pytest.raises(SourceUnusable) as caught:
        open_recording(path)
    assert caught.value.detail == (
        f"{path} is not a usable recording: expected the channels lowhalf/bridge and lowhalf/ram"
    )


def test_a_file_that_is_shorter_than_it_was_when_it_was_opened(tmp_path: Path) -> None:
    write(tmp_path / "a.mcap", moments(100), close=False)
    whole = (tmp_path / "a.mcap").read_bytes()
    for length in (8, 12, 300, 2000):
        stream = io.BytesIO(whole[:length])
        for look in (chunk_index, everything):
            with pytest.raises(ValueError, match=r"^expected \d+ bytes at byte \d+, found \d+$"):
                look(stream, len(whole))


@pytest.mark.posix("has no pipes with paths like a file's")
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    os.mkfifo(path)
    for each in (path, Path("/dev/zero")):
        with pytest.raises(SourceUnusable) as caught:
            open_recording(each)
        assert caught.value.detail == f"{each} is not a usable recording: it is not a regular file"
        assert not may_be_recording(each)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(SourceLost) as caught:
        open_recording(tmp_path / "a.mcap")
    assert caught.value.detail == (
        f"{tmp_path / 'a.mcap'} is not there: is the path relative to the bridge file?"
    )


def test_a_damaged_group_is_refused_with_its_place(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    write(path, moments(300))
    recording = open_recording(path)
    place = recording.groups[1].place
    damaged = bytearray(path.read_bytes())
    damaged[place.offset + place.length - 9] ^= 0x10
    path.write_bytes(damaged)
    assert len(recording.frames(0)) == 60
    with pytest.raises(SourceUnusable) as caught:
        recording.frames(1)
    assert caught.value.detail.startswith(f"the part at byte {place.offset} is damaged: ")


def test_a_group_that_claims_too_much_is_refused(tmp_path: Path) -> None:
    zeros = zstandard.compress(bytes(chunk.MAX_CHUNK_SIZE // 16))

    def record(size: int) -> bytes:
        head = struct.pack("<QQQII", 0, 0, size, 0, 4) + b"zstd"
        content = head + struct.pack("<Q", len(zeros)) + zeros
        return struct.pack("<BQ", 6, len(content)) + content

    for size, words in (
        (
            chunk.MAX_CHUNK_SIZE + 1,
            "it unpacks to 268435457 bytes, more than the 268435456 allowed",
        ),
        (10, "expected 10 bytes unpacked, found 11"),
    ):
        (tmp_path / "bomb").write_bytes(record(size))
        length = len(record(size))
        with (tmp_path / "bomb").open("rb") as stream, pytest.raises(ValueError, match=words):
            chunk.unpacked(stream, chunk.ChunkPlace(0, length, 0, 0))


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_only_source_errors_escape_from_damaged_recordings(
    tmp_path: Path, data: st.DataObject
) -> None:
    pristine = tmp_path / "pristine.mcap"
    if not pristine.exists():
        write(pristine, moments(200))
    content = bytearray(pristine.read_bytes())
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(content) - 1))
        content[at] = data.draw(st.integers(0, 255))
    path = tmp_path / "damaged.mcap"
    path.write_bytes(content)
    try:
        found = replayed(path)
    except SourceError:
        return
    assert len(found) <= 200


@pytest.mark.parametrize(
    "message",
    [
        b"",
        b"[]",
        b"{}",
        b'{"version": 3}',
        b'{"version": 2, "regions": [{"name": "ram", "start": -1, "size": 4}]}',
        b'{"version": 2, "regions": 7}',
        b"\xff",
    ],
)
def test_what_it_says_of_itself_is_checked(message: bytes) -> None:
    with pytest.raises(ValueError):
        decode_about(message)


# played


async def play_out(source: RecordingPlayer) -> list[tuple[int | None, bytes | None]]:
    """Number and image of every frame until the source is lost, which it raises no more."""
    seen: list[tuple[int | None, bytes | None]] = []
    while True:
        try:
            number = await source.wait()
        except SourceEnded as ended:
            assert ended.detail == "has ended"  # noqa: PT017 - the frames are wanted, too
            return seen
        (image,) = await source.fetch([Span(BASE, SIZE)])
        assert not isinstance(image, Partial)
        seen.append((number, image))


async def test_it_is_played_frame_by_frame(tmp_path: Path) -> None:
    made = moments(30, rate=100.0)
    write(tmp_path / "a.mcap", made)
    source = player(tmp_path / "a.mcap")
    opened = await source.open(MEMORY)
    assert opened.memory.regions == (RAM,)
    assert (source.kind, source.cadence) == ("recording", Cadence.ANNOUNCED)
    assert source.declared_order is ByteOrder.BIG
    assert source.consistency == "guarded"
    assert await source.fetch([Span(BASE, SIZE)]) == [made[0].image]
    began = time.monotonic()
    seen = await play_out(source)
    taken = time.monotonic() - began
    images = {moment.number: moment.image for moment in made}
    assert all(number is not None and images[number] == image for number, image in seen)
    numbers = [number or 0 for number, _ in seen]
    assert (numbers[0], numbers[-1]) == (100, 129)
    assert numbers == sorted(set(numbers))
    assert taken > 0.289  # seconds of a clock have no exact differences
    await source.close()
    with pytest.raises(SourceLost):
        await source.wait()


async def test_twice_the_speed_takes_half_the_time(tmp_path: Path) -> None:
    write(tmp_path / "a.mcap", moments(81, rate=100.0))
    taken = []
    for speed in (1.0, 2.0):
        source = player(tmp_path / "a.mcap", speed)
        await source.open(MEMORY)
        began = time.monotonic()
        assert (await play_out(source))[-1][0] == 180
        taken.append(time.monotonic() - began)
        await source.close()
    # seconds of a clock have no exact differences
    assert taken[0] > 0.799
    assert 0.399 < taken[1] < taken[0]


async def test_late_frames_are_skipped_with_their_changes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = moments(600)
    write(tmp_path / "a.mcap", made)
    source = player(tmp_path / "a.mcap")
    await source.open(MEMORY)
    assert await source.wait() == 100
    clock = seconds
    read: list[int] = []
    recording = source._recording
    assert recording is not None
    for way in ("frames", "stretch"):
        reads = getattr(type(recording), way)

        def counted(self: object, group: int, reads: Any = reads) -> Any:
            read.append(group)
            return reads(self, group)

        monkeypatch.setattr(type(recording), way, counted)
    # seven and a quarter seconds of a busy machine: three groups, and most of the fourth
    monkeypatch.setattr("adapters.sources.recording.player.seconds", lambda: clock() + 7.25)
    number = await source.wait()
    assert number is not None
    assert 100 + 435 <= number < 100 + 480
    assert await source.fetch([Span(BASE, SIZE)]) == [made[number - 100].image]
    # the frames between are read, since nothing shorter was written, and none behind
    assert read == [0, 1, 2, 3, 4, 5, 6, 7]
    await source.close()


async def test_it_begins_again_at_its_end(tmp_path: Path) -> None:
    made = moments(150, rate=60.0)
    write(tmp_path / "a.mcap", made)
    source = player(tmp_path / "a.mcap", speed=20.0, repeat=True)
    await source.open(MEMORY)
    numbers: list[int] = []
    laps = 0
    async with asyncio.timeout(10):
        while laps < 3:
            number = await source.wait()
            assert number is not None
            if numbers and number < numbers[-1]:
                laps += 1
                assert numbers[-1] == 249
            numbers.append(number)
            assert await source.fetch([Span(BASE, SIZE)]) == [made[number - 100].image]
    await source.close()


async def test_only_what_was_recorded_is_served(tmp_path: Path) -> None:
    with Recorder(tmp_path / "a.mcap", ABOUT) as recorder:
        first = [(Span(BASE + 0x100, 0x100), b"a" * 0x100), (Span(BASE + 0x800, 8), b"b" * 8)]
        recorder.frame(1, 1.0, Consistency.SENDER, first)
        later = [(Span(BASE, 0x100), b"c" * 0x100)]
        gone = [Span(BASE + 0x100, 0x100), Span(BASE + 0x800, 8)]
        recorder.frame(2, 1.01, Consistency.SENDER, later, gone=gone)
    source = player(tmp_path / "a.mcap")
    await source.open(MEMORY)
    spans = [Span(BASE, 0x100), Span(BASE + 0x100, 0x100), Span(BASE + 0x800, 0x100)]
    *whole, part = await source.fetch(spans)
    assert whole == [None, b"a" * 0x100]
    assert isinstance(part, Partial)
    assert (part.data[:8], part.held) == (b"b" * 8, b"\1" * 8 + b"\0" * 0xF8)
    assert await source.wait() == 1
    assert await source.wait() == 2
    # what is gone is not there any more
    assert await source.fetch(spans) == [b"c" * 0x100, None, None]
    await source.close()


async def test_regions_that_were_not_recorded(tmp_path: Path) -> None:
    write(tmp_path / "a.mcap", moments(2))
    source = player(tmp_path / "a.mcap")
    larger = MemoryMap([Region("main", BASE, SIZE * 2)])
    assert (await source.open(larger)).memory.regions == (Region("main", BASE, SIZE),)
    await source.close()
    with pytest.raises(SourceUnusable) as caught:
        await source.open(MemoryMap([PAD]))
    assert caught.value.detail == "holds no byte of any region"


async def test_a_cut_off_recording_says_so(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    write(path, moments(300))
    path.write_bytes(path.read_bytes()[:-20])
    source = player(path)
    await source.open(MEMORY)
    assert source.notes == ["was cut off; what is whole of it is played"]
    assert await source.wait() == 100
    await source.close()


async def wait_for_ever(source: RecordingPlayer) -> None:
    while True:
        await source.wait()


Breaker = Callable[[Path], None]


@pytest.mark.parametrize(
    ("breaker", "error"),
    [
        (Path.unlink, SourceLost),
        (lambda path: path.write_bytes(b"\0" * 9000), SourceUnusable),
        (lambda path: path.write_bytes(path.read_bytes()[:9000]), SourceUnusable),
        (lambda path: path.write_bytes(b""), SourceUnusable),
    ],
)
async def test_a_file_that_goes_while_it_is_played(
    tmp_path: Path, breaker: Breaker, error: type[SourceError]
) -> None:
    path = tmp_path / "a.mcap"
    write(path, moments(300))
    source = player(path, speed=50.0)
    await source.open(MEMORY)
    breaker(path)
    with pytest.raises(error) as caught:
        await wait_for_ever(source)
    assert caught.value.source == "recording a.mcap"
    assert caught.value.detail != "has ended"
    await source.close()


def test_the_checksum_is_that_of_mcap(tmp_path: Path) -> None:
    # MCAP specification, Chunk: a CRC-32 (zlib's) of the unpacked records
    write(tmp_path / "a.mcap", moments(10))
    recording = open_recording(tmp_path / "a.mcap")
    with (tmp_path / "a.mcap").open("rb") as stream:
        summary = SeekingReader(stream).get_summary()
        assert summary is not None
        place = recording.groups[0].place
        data = chunk.unpacked(stream, place)
        stream.seek(place.offset)
        record = stream.read(place.length)
    assert struct.unpack_from("<I", record, 9 + 24)[0] == zlib.crc32(data)
    # the first says what is recorded, the second is the key image
    assert len(summary.chunk_indexes) == len(recording.groups) + 2
