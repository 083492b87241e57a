"""Files that MCAP allows and that our recorder never writes: played as the one they were made of.

What is legal comes from the MCAP specification ("Chunk", "Attachment", "Summary Section"): chunks
may be empty and in any order, attachments and metadata stand anywhere between them, a file may have
no summary, and several channels may have one topic.
"""

from __future__ import annotations

import random
import struct
from collections.abc import Callable
from pathlib import Path

import pytest
from mcap.reader import make_reader
from mcap.writer import CompressionType, Writer

from adapters.recordings.reader import open_recording
from schemas.errors import SourceUnusable
from tests.adapters.test_recording import moments, replayed, write
from tests.outside.fuzz_recordings import CHANNEL, CHUNK, INDEX, MESSAGE, Record, file_of, of_file
from tests.outside.fuzz_recordings import packed as pack

ATTACHMENT, METADATA = 9, 12
Arrange = Callable[[list[Record]], list[Record]]


def unchanged(records: list[Record]) -> list[Record]:
    return records


def empty_chunks(records: list[Record]) -> list[Record]:
    """One behind each record."""
    return [each for record in records for each in (record, Record(CHUNK, b"", []))]


def backwards(records: list[Record]) -> list[Record]:
    """The chunks in turned order, but for the first, which has the channels."""
    first, *chunks = [record for record in records if record.inside is not None]
    others = [record for record in records if record.inside is None]
    return [*others, first, *reversed(chunks)]


def shuffled(records: list[Record]) -> list[Record]:
    """Each message in a chunk of its own, in any order."""
    chunks = [each for record in records for each in record.inside or []]
    messages = [Record(CHUNK, b"", [each]) for each in chunks if each.opcode == MESSAGE]
    random.Random(4).shuffle(messages)
    channels = Record(CHUNK, b"", [each for each in chunks if each.opcode != MESSAGE])
    others = [record for record in records if record.inside is None]
    return [*others, channels, *messages]


def attachments_last(records: list[Record]) -> list[Record]:
    last = [record for record in records if record.opcode in (ATTACHMENT, METADATA)]
    return [record for record in records if record not in last] + last


def channels_outside(records: list[Record]) -> list[Record]:
    """Before all chunks, and none inside."""
    outside: list[Record] = []
    for record in records:
        inside = record.inside or []
        outside += [each for each in inside if each.opcode != MESSAGE]
        if record.inside is not None:
            record.inside = [each for each in inside if each.opcode == MESSAGE]
    return [records[0], *outside, *records[1:]]


def another_channel(records: list[Record]) -> list[Record]:
    """From the second half on all is in channels of other numbers with the same topics."""
    chunks = [record for record in records if record.inside is not None]
    late = chunks[len(chunks) // 2 :]
    told: list[Record] = []
    for each in (each for record in chunks for each in record.inside or []):
        if each.opcode == CHANNEL:
            (number,) = struct.unpack_from("<H", each.content)
            told.append(Record(CHANNEL, struct.pack("<H", number + 40) + each.content[2:]))
    for record in late:
        assert record.inside is not None
        record.inside = [*told, *record.inside]
        for each in record.inside:
            if each.opcode == MESSAGE:
                (number,) = struct.unpack_from("<H", each.content)
                each.content = struct.pack("<H", number + 40) + each.content[2:]
    return records


@pytest.mark.parametrize("compression", ["zstd", "lz4", ""])
@pytest.mark.parametrize("end", [True, False])
@pytest.mark.parametrize(
    "arrange",
    [
        *(unchanged, empty_chunks, backwards, shuffled, attachments_last, channels_outside),
        another_channel,
    ],
)
def test_it_is_played_as_the_one_it_was_made_of(
    tmp_path: Path, arrange: Arrange, end: bool, compression: str
) -> None:
    made = moments(200)
    write(tmp_path / "a.mcap", made)
    records = [r for r in of_file((tmp_path / "a.mcap").read_bytes()) if r.opcode != INDEX]
    path = tmp_path / "b.mcap"
    path.write_bytes(file_of([pack(each, compression) for each in arrange(records)], end=end))
    assert replayed(path) == [(m.number, m.image) for m in made]
    recording = open_recording(path)
    assert recording.complete is end
    for index in (0, 77, 199):
        group = recording.group_at(round(made[index].time * 1e9))
        assert made[index].number in [frame.number for frame in recording.frames(group)]


def merged(target: Path, *sources: Path) -> None:
    """What general tools make of several files: all messages by time, channels of one topic one."""
    rows = []
    for source in sources:
        with source.open("rb") as stream:
            for _, channel, message in make_reader(stream).iter_messages(log_time_order=False):
                rows.append((message.log_time, channel.topic, message.data))
    with target.open("wb") as stream:
        writer = Writer(stream, compression=CompressionType.LZ4)
        writer.start()
        numbers: dict[str, int] = {}
        for time, topic, data in sorted(rows, key=lambda row: row[0]):
            if topic not in numbers:
                numbers[topic] = writer.register_channel(topic, "x", 0)
            writer.add_message(numbers[topic], time, data, time)
        writer.finish()  # type: ignore[no-untyped-call]


def test_one_that_was_written_by_another_program_is_the_same(tmp_path: Path) -> None:
    made = moments(200)
    write(tmp_path / "a.mcap", made)
    merged(tmp_path / "c.mcap", tmp_path / "a.mcap")
    assert replayed(tmp_path / "c.mcap") == [(m.number, m.image) for m in made]


def test_two_recordings_in_one_file_are_refused(tmp_path: Path) -> None:
    """Also two halves of one: what changed between them stands in neither."""
    made = moments(200)
    write(tmp_path / "a.mcap", made[:90])
    write(tmp_path / "b.mcap", made[90:])
    merged(tmp_path / "c.mcap", tmp_path / "a.mcap", tmp_path / "b.mcap")
    with pytest.raises(SourceUnusable) as caught:
        open_recording(tmp_path / "c.mcap")
    assert caught.value.detail == (
        f"{tmp_path / 'c.mcap'} is not a usable recording: it holds 2 recordings, expected one"
    )
