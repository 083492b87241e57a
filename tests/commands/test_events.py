"""``lowhalf events``, against each frame's heap read by itself, and against the demo's story."""

from __future__ import annotations

import contextlib
import io
import json
from pathlib import Path
from typing import Any

import pytest

from adapters.commands.main import main
from adapters.recordings.reader import open_recording
from adapters.recordings.recorder import Recorder
from bridge.memory.address_map import Span
from lowhalf import load_bridge, read

SAMPLES = Path(__file__).parents[2] / "sample_dumps"
DEMO = SAMPLES / "demo.mcap"


def printed(capsys: pytest.CaptureFixture[str], *words: str | Path, code: int = 0) -> list[str]:
    assert main(["events", *map(str, words)]) == code, capsys.readouterr().err
    return capsys.readouterr().out.splitlines()


@pytest.fixture(scope="module")
def of_demo() -> list[dict[str, Any]]:
    """What ``--json`` prints of the demo's recording."""
    with contextlib.redirect_stdout(io.StringIO()) as out:
        assert main(["events", str(DEMO), "--json"]) == 0
    return [json.loads(line) for line in out.getvalue().splitlines()]


def test_the_story_of_the_demo(
    capsys: pytest.CaptureFixture[str], of_demo: list[dict[str, Any]]
) -> None:
    """One lantern is put down and one is lost to a gull, which gets its block (make_samples)."""
    lines = printed(capsys, DEMO)
    put_down = lines.index("frame 961  lantern released, block 2 at 0x802003D0, 0x1C0 bytes")
    taken = lines.index("frame 1021  gull allocated, block 2 at 0x802003D0, 0x1D0 bytes")
    assert put_down < taken
    assert len(lines) == len(of_demo)


def test_they_are_what_tells_the_heap_of_one_frame_from_the_next(
    capsys: pytest.CaptureFixture[str], of_demo: list[dict[str, Any]]
) -> None:
    events = of_demo
    frames = {event["frame"] for event in events}
    for number in sorted(frames)[:4]:
        seen = []
        for each in (number - 1, number):
            words = ["heap", str(SAMPLES / "demo.bridge.toml"), "--frame", str(each), "--json"]
            assert main(words) == 0
            blocks = json.loads(capsys.readouterr().out)["blocks"]
            seen.append({b["start"]: b for b in blocks if b["used"]})
        before, after = seen
        of_frame = [event for event in events if event["frame"] == number]
        gone = {e["start"] for e in of_frame if e["event"] == "released"}
        came = {e["start"] for e in of_frame if e["event"] == "allocated"}
        assert (gone, came) == (before.keys() - after.keys(), after.keys() - before.keys())
        other = {s for s in before.keys() & after.keys() if before[s]["owner"] != after[s]["owner"]}
        assert other <= {e["start"] for e in of_frame if e["event"] == "reused"}
        for event in of_frame:
            block = (before if event["event"] == "released" else after)[event["start"]]
            for key in ("size", "owner"):
                assert event[key] == block[key]
            assert event["block"] == block["index"]
            was = before[event["start"]]["owner"] if event["event"] == "reused" else None
            assert event["was"] == was


def changed_copy(path: Path, frames: int) -> None:
    """The demo's recording, without what it holds behind so many frames."""
    sample = open_recording(DEMO)
    memory = sample.memory_before(0)
    region = sample.about.regions[0]
    first = memory.known(Span(region.start, region.size))
    done = 0
    with Recorder(path, sample.about) as recorder:
        for group in range(len(sample.groups)):
            for frame in sample.frames(group):
                if done == frames:
                    return
                parts = frame.parts if done else first
                recorder.frame(frame.number, frame.time / 1e9, frame.consistency, parts)
                done += 1


def test_where_two_recordings_part_is_told(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, of_demo: list[dict[str, Any]]
) -> None:
    all_events = of_demo
    assert printed(capsys, DEMO, DEMO) == [f"all {len(all_events)} events are the same"]
    changed_copy(tmp_path / "short.mcap", 300)
    recording = open_recording(DEMO)
    last = recording.frames(0)[0].number + 299
    there = sum(event["frame"] <= last for event in all_events)
    lines = printed(capsys, DEMO, tmp_path / "short.mcap", code=1)
    assert lines[0] == f"{there} events are the same; then"
    assert lines[2] == "B: no more events"
    (found,) = printed(capsys, DEMO, tmp_path / "short.mcap", "--json", code=1)
    assert json.loads(found) == {"event": there + 1, "a": all_events[there], "b": None}


def test_a_game_without_a_heap(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    schema = (SAMPLES.parent / "schemas/games/tidewright.schema.toml").read_text("utf-8")
    begin = schema.index("[heap]")
    end = schema.index("# -- builds", begin)
    (tmp_path / "t.schema.toml").write_text(schema[:begin] + schema[end:], "utf-8")
    bridge = f'schema = "t.schema.toml"\n[source]\nkind = "recording"\npath = "{DEMO.as_posix()}"\n'
    (tmp_path / "t.bridge.toml").write_text(bridge, "utf-8")
    assert main(["events", str(tmp_path / "t.bridge.toml")]) == 2
    assert "describes no heap" in capsys.readouterr().err


def test_a_recording_that_is_damaged_is_no_bridge_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = tmp_path / "bad.mcap"
    bad.write_bytes(DEMO.read_bytes()[:9999])
    assert main(["events", str(bad)]) == 3
    assert f"{bad} is not a usable recording: " in capsys.readouterr().err


def test_more_than_two_files(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["events", *[str(DEMO)] * 3]) == 2
    assert "expected one file, or two recordings, found 3" in capsys.readouterr().err


def test_the_recorded_bridge_is_the_samples_own() -> None:
    """What the recording holds is read as the file beside it is."""
    from adapters.sessions.recorded_bridge import recorded_bridge

    inside, beside = recorded_bridge(DEMO), load_bridge(SAMPLES / "demo.bridge.toml")
    assert inside.text.text == beside.text.text
    found, expected = (
        [(r.watch.name, r.status, r.value) for r in read(each, DEMO, frame=1000).readings]
        for each in (inside, beside)
    )
    assert found == expected
