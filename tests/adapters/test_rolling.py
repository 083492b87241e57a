"""The last minutes on disk, and clips of them, against the frames that were recorded."""

from __future__ import annotations

import json
import logging
import os
import random
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from mcap.reader import make_reader

from adapters.outputs.recording.clips import Clip, Clips
from adapters.recordings.changed_lines import changed_lines
from adapters.recordings.copying import copy_part
from adapters.recordings.recorder import Parts, Recorder
from adapters.recordings.rolling import RollingRecorder
from bridge.memory.address_map import Span
from bridge.ports.source import Consistency
from lowhalf import load_bridge
from tests.adapters.test_recording import ABOUT, BASE, SIZE, STARTED, replayed
from tests.commands import practice_files

RATE = 20


@dataclass
class Story:
    """Random frames, as they were handed over."""

    images: dict[int, bytes] = field(default_factory=dict)
    before: bytes = b""

    def play(self, recorder: RollingRecorder, first: int, last: int) -> None:
        chance = random.Random(first)
        image = bytearray(self.before or chance.randbytes(SIZE))
        for number in range(first, last):
            for _ in range(chance.randrange(4)):
                image[chance.randrange(SIZE)] = chance.randrange(256)
            whole: Parts = [(Span(BASE, SIZE), bytes(image))]
            parts = changed_lines(BASE, self.before, bytes(image)) if self.before else whole
            if number % 50 == 7:
                recorder.gap(number, number - 1, None, "tried")
            recorder.frame(number, STARTED + number / RATE, Consistency.GUARDED, parts)
            recorder.readings({"frame": number})
            self.before = self.images[number] = bytes(image)


def test_only_the_last_seconds_are_kept(tmp_path: Path) -> None:
    story = Story()
    recorder = RollingRecorder(tmp_path, "pier", ABOUT, keep=50.0)
    story.play(recorder, 0, 120 * RATE)
    recorder.close()
    found = [each for path in recorder.files for each in replayed(path)]
    assert found == list(story.images.items())[-len(found) :]
    # all of the last 50 s, and no more than a file's 5 s and the one that was begun
    assert 50 * RATE <= len(found) <= 61 * RATE
    assert sorted(tmp_path.iterdir()) == recorder.files


def test_two_that_keep_their_last_minutes_in_one_folder(tmp_path: Path) -> None:
    stories = [Story(), Story()]
    recorders = [RollingRecorder(tmp_path, "pier", ABOUT, keep=20.0) for _ in stories]
    for second in range(0, 42, 3):
        for recorder, story in zip(recorders, stories, strict=True):
            story.play(recorder, second * RATE, (second + 3) * RATE)
    for recorder, story in zip(recorders, stories, strict=True):
        recorder.close()
        found = [each for path in recorder.files for each in replayed(path)]
        assert found == list(story.images.items())[-len(found) :]
        assert len(found) >= 20 * RATE
    mine, others = (set(recorder.files) for recorder in recorders)
    assert not mine & others
    assert {*tmp_path.iterdir()} == mine | others


def test_what_is_held_of_the_last_seconds_is_all_of_them_and_little_before(tmp_path: Path) -> None:
    kept, story = tmp_path / "kept", Story()
    kept.mkdir()
    recorder = RollingRecorder(kept, "pier", ABOUT, keep=60.0)  # in files of 6 seconds
    story.play(recorder, 0, 50 * RATE)
    for seconds, least, most in ((None, 50, 50), (15.0, 15, 21), (1.0, 1, 7)):
        folder = tmp_path / f"{seconds}"
        folder.mkdir()
        held = recorder.hold(folder, seconds)
        assert sorted(folder.iterdir()) == held
        found = [each for path in held for each in replayed(path)]
        assert found == list(story.images.items())[-len(found) :]
        assert least * RATE <= len(found) <= most * RATE
    recorder.close()


def test_what_another_lowhalf_writes_still_is_not_removed(tmp_path: Path) -> None:
    theirs = tmp_path / "pier-000001.mcap"
    theirs.touch()
    os.utime(theirs, (STARTED, STARTED))
    story = Story()
    recorder = RollingRecorder(tmp_path, "pier", ABOUT, keep=20.0)
    os.utime(theirs, (STARTED + 20, STARTED + 20))
    story.play(recorder, 0, 35 * RATE)
    assert theirs.exists()
    story.play(recorder, 35 * RATE, 50 * RATE)
    assert not theirs.exists()
    recorder.close()


def test_a_file_that_cannot_be_removed_goes_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on Windows, where another program has it open."""
    held = tmp_path / "pier-000001.mcap"
    remove = Path.unlink

    def unlink(self: Path, missing_ok: bool = False) -> None:
        if self == held:
            raise PermissionError(13, "it is in use", str(self))
        remove(self, missing_ok)

    story = Story()
    recorder = RollingRecorder(tmp_path, "pier", ABOUT, keep=20.0)
    with monkeypatch.context() as patched:
        patched.setattr(Path, "unlink", unlink)
        story.play(recorder, 0, 40 * RATE)
        assert held.exists()
        assert len(recorder.files) <= 8
    story.play(recorder, 40 * RATE, 46 * RATE)
    recorder.close()
    assert not held.exists()
    assert sorted(tmp_path.iterdir()) == recorder.files


@pytest.mark.posix("writes to /dev/full")
def test_a_clip_for_which_the_disk_has_no_room_costs_that_clip_alone(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """full(4): each write fails as on a full disk."""
    story = Story()
    recorder = RollingRecorder(tmp_path / "kept", "pier", ABOUT, keep=50.0)
    story.play(recorder, 0, 10 * RATE)
    bridge = load_bridge(practice_files.write(tmp_path))
    clips = Clips(bridge, 1 << 20, logging.getLogger("clips"))
    path = tmp_path / "clips" / "p-00001-success.mcap"
    path.parent.mkdir()
    path.symlink_to("/dev/full")
    clips.keep(recorder, Clip(path, STARTED, STARTED + 5))
    (said,) = caplog.messages
    assert said.startswith("the clip p-00001-success.mcap is not kept: ")
    assert said.endswith("cannot be written (No space left on device)")
    assert not path.is_symlink()
    story.play(recorder, 10 * RATE, 20 * RATE)
    clips.keep(recorder, Clip(path, STARTED, STARTED + 15))
    assert len(replayed(path)) == 15 * RATE + 1
    recorder.close()
    assert [n for each in recorder.files for n, _ in replayed(each)] == list(range(20 * RATE))


@pytest.mark.parametrize(("first", "last"), [(3.0, 4.0), (2.5, 17.2), (18.0, 99.0), (0.0, 19.0)])
def test_a_clip_holds_its_frames_and_what_is_said_of_them(
    tmp_path: Path, first: float, last: float
) -> None:
    story = Story()
    recorder = RollingRecorder(tmp_path, "pier", ABOUT, keep=50.0)
    story.play(recorder, 0, 19 * RATE)
    target = tmp_path / "clips" / "a.mcap"
    count = recorder.clip(target, STARTED + first, STARTED + last)
    wanted = {n: i for n, i in story.images.items() if first <= n / RATE <= last}
    assert count == len(wanted)
    assert replayed(target) == list(wanted.items())
    with target.open("rb") as stream:
        said = [
            (c.topic, json.loads(m.data))
            for _, c, m in make_reader(stream).iter_messages()
            if c.topic in ("lowhalf/readings", "lowhalf/gaps")
        ]
    assert [told["frame"] for topic, told in said if topic == "lowhalf/readings"] == list(wanted)
    gaps = [told["frame"] for topic, told in said if topic == "lowhalf/gaps"]
    assert gaps == [n for n in list(wanted)[1:] if n % 50 == 7]
    # recording goes on as if nothing had been
    story.play(recorder, 19 * RATE, 25 * RATE)
    recorder.close()
    assert [each for path in recorder.files for each in replayed(path)] == [*story.images.items()]


@pytest.mark.parametrize("flushed", [False, True], ids=["at once", "after a rest"])
@pytest.mark.parametrize("grown", [False, True], ids=["changes", "a new key image"])
def test_a_gap_between_two_groups_goes_along(tmp_path: Path, flushed: bool, grown: bool) -> None:
    """A game that rested for seconds begins a group anew, before which the gap is told."""
    path = tmp_path / "a.mcap"
    noise = [random.Random(n).randbytes(SIZE if grown else 16) for n in range(130)]
    numbers = [n for n in range(130) if n % 30 or not n]
    seconds = 0.0
    with Recorder(path, ABOUT) as recorder:
        for last, number in zip([None, *numbers], numbers, strict=False):
            seconds += 1 / RATE
            if last is not None and number - last > 1:
                seconds += 3
                if flushed:
                    recorder.flush()
                recorder.gap(number, last, 1, "tried")
            part = (Span(BASE, SIZE if grown or not number else 16), noise[number])
            whole = (Span(BASE, SIZE), bytes(SIZE))
            recorder.frame(
                number, STARTED + seconds, Consistency.GUARDED, [part if number else whole]
            )
            recorder.readings({"frame": number})
    target = tmp_path / "b.mcap"
    assert copy_part([path], target, STARTED, STARTED + 1000) == len(numbers)
    for file in (path, target):
        with file.open("rb") as stream:
            told = [
                json.loads(message.data)["frame"]
                for _, channel, message in make_reader(stream).iter_messages()
                if channel.topic == "lowhalf/gaps"
            ]
        assert told == [31, 61, 91, 121], file.name


def test_what_an_earlier_run_left_is_kept_as_long(tmp_path: Path) -> None:
    first = RollingRecorder(tmp_path, "pier", ABOUT, keep=50.0)
    Story().play(first, 0, 8 * RATE)
    first.abandon()
    (tmp_path / "pier-notes.mcap").write_bytes(b"not ours")
    again = RollingRecorder(tmp_path, "pier", ABOUT, keep=50.0)
    left = again.files
    assert [path.name for path in left] == ["pier-000001.mcap", "pier-000002.mcap"]
    story = Story()
    # long after, by the time that the files have
    later = round(left[-1].stat().st_mtime - STARTED) * RATE + 100 * RATE
    story.play(again, later, later + 2 * RATE)
    again.close()
    assert [path.name for path in again.files] == ["pier-000003.mcap"]
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "pier-000003.mcap",
        "pier-notes.mcap",
    ]


def test_a_part_without_frames_makes_no_file(tmp_path: Path) -> None:
    story = Story()
    recorder = RollingRecorder(tmp_path, "pier", ABOUT, keep=50.0)
    story.play(recorder, 0, 3 * RATE)
    recorder.close()
    assert copy_part(recorder.files, tmp_path / "none.mcap", STARTED + 50, STARTED + 60) == 0
    assert not (tmp_path / "none.mcap").exists()
