"""Recordings in other programs' hands: pymcap-cli's doctor, and what its recover and others write.

What a legal file is comes from the MCAP specification ("Record Framing", "Schema", "Channel",
"Chunk"): schemas and channels may stand in any chunk, in none, or in the summary; messages need no
chunk; a chunk may be packed with zstd, lz4 or not at all.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from mcap.reader import make_reader
from mcap.writer import CompressionType, Writer

from adapters.recordings import frame_message
from adapters.recordings.frame_message import FrameKind, RecordedFrame
from adapters.recordings.reader import Recording, open_recording
from adapters.recordings.recorder import Recorder
from bridge.memory.address_map import Span
from bridge.ports.source import Consistency
from schemas.errors import SourceError, SourceUnusable
from tests.adapters.test_recording import ABOUT, BASE, SIZE, moments, replayed, write

MEMORY = "lowhalf/ram", "lowhalf/ram/key", "lowhalf/ram/since-key"
DEMO = Path(__file__).parents[2] / "sample_dumps" / "demo.mcap"
PYMCAP = (sys.executable, "-c", "from pymcap_cli.cli import main; main()")
"""As its entry point starts it."""
NEEDS_PREAD = pytest.mark.posix("pymcap-cli's recover calls os.pread")


def pymcap(*words: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*PYMCAP, *words],
        capture_output=True,
        encoding="utf-8",
        timeout=120,
        stdin=subprocess.DEVNULL,
        env={**os.environ, "PYTHONUTF8": "1"},
    )


def findings(path: Path) -> list[dict[str, Any]]:
    """What pymcap-cli's doctor has to say of a file, also what is not serious."""
    done = pymcap("doctor", path, "--format", "jsonl", "--show-all", "--strict-message-order")
    found = [json.loads(line) for line in done.stdout.splitlines() if line.startswith("{")]
    assert (done.returncode == 0) == (not any(f.get("severity") == "error" for f in found)), done
    # a chunk a second is small, and is all that can be lost: this is told as information
    return [each for each in found if each.get("code") != "SMALL_CHUNKS" and "severity" in each]


def test_the_doctor_finds_what_is_wrong(tmp_path: Path) -> None:
    """The check can fail: it does on a file that is cut off."""
    write(tmp_path / "a.mcap", moments(10), close=False)
    assert "MISSING_FOOTER" in {found["code"] for found in findings(tmp_path / "a.mcap")}


@pytest.mark.parametrize("count", [0, pytest.param(1, marks=pytest.mark.full), 400])
def test_the_doctor_reports_nothing_on_a_recording(tmp_path: Path, count: int) -> None:
    path = tmp_path / "a.mcap"
    write(path, moments(count))
    assert findings(path) == []


def test_the_doctor_reports_nothing_on_a_recording_with_readings(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    with Recorder(path, ABOUT) as recorder:
        for number in range(3):
            recorder.frame(number, number + 1, Consistency.STILL, [(Span(BASE, 4), b"abcd")])
            recorder.readings({"frame": number, "readings": []})
    assert findings(path) == []


def test_general_readers_find_what_was_recorded_of_which_game(tmp_path: Path) -> None:
    write(tmp_path / "a.mcap", moments(3))
    with (tmp_path / "a.mcap").open("rb") as stream:
        reader = make_reader(stream, validate_crcs=True)
        attached = {a.name: (a.media_type, a.data) for a in reader.iter_attachments()}
        (about,) = reader.iter_metadata()
    assert attached["schema.toml"] == ("application/toml", ABOUT.schema.encode())
    assert attached["bridge.toml"] == ("application/toml", ABOUT.bridge.encode())
    kind, words = attached["lowhalf-ram.txt"]
    assert kind == "text/plain"
    assert words.startswith(b"The binary form of recorded memory")
    assert about.name == "lowhalf"
    assert about.metadata == {
        "version": "2",
        "build": "first-print",
        "source": "fake pier",
        "regions": "ram 0x80000000 0x4000",
    }


@NEEDS_PREAD
@pytest.mark.parametrize(
    ("packed", "anew"),
    [
        ("zstd", False),
        ("lz4", True),
        ("none", False),
        *(
            pytest.param(*each, marks=pytest.mark.full)
            for each in (("zstd", True), ("lz4", False), ("none", True))
        ),
    ],
)
def test_what_recover_writes_is_read(tmp_path: Path, packed: str, anew: bool) -> None:
    made = moments(400)
    write(tmp_path / "a.mcap", made)
    # small chunks, so that groups go over several and key images stand in their midst
    words = ["--compression", packed, "--chunk-size", "40000", *(["-a"] if anew else [])]
    done = pymcap("recover", tmp_path / "a.mcap", "-o", tmp_path / "b.mcap", *words)
    assert done.returncode == 0, done.stderr
    assert replayed(tmp_path / "b.mcap") == [(m.number, m.image) for m in made]
    recording = open_recording(tmp_path / "b.mcap")
    assert recording.complete
    assert recording.about == ABOUT
    # the same groups, however they are put into chunks
    found = [[f.number for f in recording.frames(g)] for g in range(len(recording.groups))]
    assert [number for group in found for number in group] == [m.number for m in made]
    for index in (0, 130, 399):
        at = recording.group_at(round(made[index].time * 1e9))
        assert made[index].number in found[at]


@NEEDS_PREAD
def test_what_recover_saves_of_a_file_that_was_cut_off_is_read(tmp_path: Path) -> None:
    made = moments(400)
    write(tmp_path / "a.mcap", made)
    whole = (tmp_path / "a.mcap").read_bytes()
    third = open_recording(tmp_path / "a.mcap").groups[5].place
    (tmp_path / "cut.mcap").write_bytes(whole[: third.offset + third.length // 2])
    done = pymcap("recover", tmp_path / "cut.mcap", "-o", tmp_path / "b.mcap")
    # 3 is documented by its --help: some data was lost
    assert done.returncode == 3, done.stderr
    found = replayed(tmp_path / "b.mcap")
    assert found == [(m.number, m.image) for m in made[: len(found)]]
    assert len(found) >= 240


@NEEDS_PREAD
def test_the_demo_recorded_anew_and_what_recover_makes_of_it(tmp_path: Path) -> None:
    """The demo game's own memory, 4 MiB a key image, by way of our recorder and theirs."""
    sample = open_recording(DEMO)
    before = [frame for group in range(4) for frame in sample.frames(group)]
    first = sample.memory_before(0).known(Span(sample.about.regions[0].start, 4 << 20))
    with Recorder(tmp_path / "a.mcap", sample.about) as recorder:
        for index, frame in enumerate(before):
            parts = frame.parts if index else first
            recorder.frame(frame.number, frame.time / 1e9, frame.consistency, parts)
    assert findings(tmp_path / "a.mcap") == []
    for source in (DEMO, tmp_path / "a.mcap"):
        copy = tmp_path / "b.mcap"
        done = pymcap("recover", source, "-o", copy, "--force")
        assert done.returncode == 0, done.stderr
        again = open_recording(copy)
        assert again.about == sample.about
        found = _memories(again, len(before))
        assert found == _memories(sample, len(before))
        assert len({memory for _, memory in found}) > len(before) / 2
        assert again.memory_before(0).known(Span(again.about.regions[0].start, 4 << 20)) == first


def _memories(recording: Recording, count: int) -> list[tuple[int, bytes]]:
    """The number of each of the first frames, and a digest of all memory in it."""
    span = Span(recording.about.regions[0].start, 4 << 20)
    memory = recording.memory_before(0)
    found = []
    for frame in [frame for group in range(4) for frame in recording.frames(group)][:count]:
        memory.apply(frame)
        data = memory.read(span)
        assert isinstance(data, bytes)
        found.append((frame.number, sha256(data).digest()))
    return found


def records(path: Path) -> Iterator[tuple[str, Any]]:
    """A recording's channels, schemas and messages, by the mcap library."""
    with path.open("rb") as stream:
        for schema, channel, message in make_reader(stream).iter_messages(log_time_order=False):
            yield channel.topic, (schema, channel, message)


@pytest.mark.parametrize("chunked", [False, True])
def test_any_arrangement_of_the_same_messages_is_read(tmp_path: Path, chunked: bool) -> None:
    """Without chunks; and with chunks of one message, that say they are ours."""
    made = moments(200)
    write(tmp_path / "a.mcap", made)
    with (tmp_path / "b.mcap").open("wb") as stream:
        writer = Writer(
            stream, chunk_size=1, use_chunking=chunked, compression=CompressionType.NONE
        )
        writer.start(library="lowhalf" if chunked else "pier")
        numbers = {
            topic: writer.register_channel(topic, "x", 0)
            for topic in ("/tide", *MEMORY, "lowhalf/bridge")
        }
        for topic, (_, _, message) in records(tmp_path / "a.mcap"):
            writer.add_message(numbers["/tide"], message.log_time, b"{}", message.log_time)
            writer.add_message(numbers[topic], message.log_time, message.data, message.log_time)
        writer.finish()  # type: ignore[no-untyped-call]
    assert replayed(tmp_path / "b.mcap") == [(m.number, m.image) for m in made]
    assert open_recording(tmp_path / "b.mcap").complete


def test_frames_before_the_first_key_image_are_left_out(tmp_path: Path) -> None:
    made = moments(200)
    write(tmp_path / "a.mcap", made)
    with (tmp_path / "b.mcap").open("wb") as stream:
        writer = Writer(stream)
        writer.start(library="pier")
        numbers: dict[str, int] = {}
        for topic, (_, _, message) in records(tmp_path / "a.mcap"):
            if topic not in numbers:
                numbers[topic] = writer.register_channel(topic, "x", 0)
            # the key image of before is not copied, and one comes with frame 220
            if topic == "lowhalf/ram/key":
                continue
            if topic == "lowhalf/ram" and message.log_time == round(made[120].time * 1e9):
                key = RecordedFrame(
                    *(FrameKind.KEY, 220, message.log_time, Consistency.GUARDED),
                    [(Span(BASE, SIZE), made[119].image)],
                )
                if (name := "lowhalf/ram/key") not in numbers:
                    numbers[name] = writer.register_channel(name, "x", 0)
                writer.add_message(numbers[name], message.log_time, frame_message.encode(key), 0)
            writer.add_message(numbers[topic], message.log_time, message.data, 0)
        writer.finish()  # type: ignore[no-untyped-call]
    assert replayed(tmp_path / "b.mcap") == [(m.number, m.image) for m in made[120:]]


@NEEDS_PREAD
def test_damage_in_a_copy_is_told_with_its_place(tmp_path: Path) -> None:
    write(tmp_path / "a.mcap", moments(300))
    done = pymcap("recover", tmp_path / "a.mcap", "-o", tmp_path / "b.mcap")
    assert done.returncode == 0, done.stderr
    path = tmp_path / "b.mcap"
    group = open_recording(path).groups[1].place
    damaged = bytearray(path.read_bytes())
    damaged[group.offset + group.length - 9] ^= 0x10
    path.write_bytes(damaged)
    with pytest.raises(SourceUnusable) as caught:
        open_recording(path)
    assert caught.value.detail.startswith(
        f"{path} is not a usable recording: the part at byte {group.offset} is damaged: "
    )


@pytest.fixture(scope="module")
def copies(tmp_path_factory: pytest.TempPathFactory) -> list[bytes]:
    """The same recording as recover packs it, in each way."""
    folder = tmp_path_factory.mktemp("copies")
    write(folder / "a.mcap", moments(130))
    found = []
    for packed in ("zstd", "lz4", "none"):
        words = ["--compression", packed, "--chunk-size", "9000", "-a", "--force"]
        done = pymcap("recover", folder / "a.mcap", "-o", folder / "b.mcap", *words)
        assert done.returncode == 0, done.stderr
        found.append((folder / "b.mcap").read_bytes())
    return found


@NEEDS_PREAD
@settings(
    max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_only_source_errors_escape_from_damaged_copies(
    tmp_path: Path, copies: list[bytes], data: st.DataObject
) -> None:
    content = bytearray(data.draw(st.sampled_from(copies)))
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(content) - 1))
        content[at] = data.draw(st.integers(0, 255))
    path = tmp_path / "damaged.mcap"
    path.write_bytes(content[: data.draw(st.integers(len(content) // 2, len(content)))])
    try:
        recording = open_recording(path)
        count = sum(len(recording.frames(group)) for group in range(len(recording.groups)))
    except SourceError:
        return
    assert 0 < count <= 130


def test_the_demo_passes_the_outside_checker() -> None:
    assert findings(DEMO) == []
