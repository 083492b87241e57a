"""A moment that is looked at again is what the engine gives for that frame of the recording."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

from adapters.outputs.web.snapshot import desk_reading
from schemas.loader import load_bridge
from tests.adapters.desk_daemon import SAMPLES, SCHEMA
from tests.adapters.pasts.looked_at import frames_of, looking_at
from tests.commands.command import lowhalf


def without_seconds(practice: dict[str, Any]) -> dict[str, Any]:
    steps = [{**step, "seconds": None} for step in practice["finished"]]
    return {**practice, "finished": steps}


def demo(folder: Path) -> Path:
    """The demo's recording and its bridge file, with pages on a free port."""
    shutil.copy(SAMPLES / "demo.mcap", folder)
    shutil.copy(SAMPLES / "demo.layout.toml", folder)
    text = (SAMPLES / "demo.bridge.toml").read_text("utf-8")
    text = text.replace("../schemas/games/tidewright.schema.toml", SCHEMA.as_posix())
    path = folder / "demo.bridge.toml"
    path.write_text(text.replace("127.0.0.1:7365", "127.0.0.1:0"), "utf-8")
    return path


def demo_events() -> list[str]:
    done = lowhalf("events", str(SAMPLES / "demo.mcap"))
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


async def test_every_moment_of_the_demo_is_as_followed(tmp_path: Path) -> None:
    """Every reading of every frame, statuses, words and practice, against ``followed``."""
    path = demo(tmp_path)
    bridge = load_bridge(path)
    expected = await frames_of(bridge, tmp_path / "demo.mcap")
    async with looking_at(path) as page:
        timeline = await page.whole()
        assert (timeline["count"], timeline["fault"]) == (len(expected), "")
        assert timeline["starts"][:2] == [[0, expected[0].number, 0.0], [60, 452, 1.0]]
        for place in [0, 1, 63, 64, *range(149, len(expected), 7), len(expected) - 1]:
            moment = await page.get("moment.json", place=place, parts="desk")
            frame = expected[place]
            assert "heap_events" not in moment
            assert (moment["place"], moment["frame"]) == (place, frame.number)
            assert moment["readings"] == [desk_reading(each) for each in frame.readings]
            # how long a step took is told by the recorded time; followed has that of the replay
            assert frame.practice is not None
            assert without_seconds(moment["practice"]) == without_seconds(frame.practice.as_json())
        # what had become of the heap's blocks by then, as the command prints it of the recording
        printed = [line.split("  ", 1) for line in demo_events()]
        for place in (570, 571, 1100):
            told = (await page.get("moment.json", place=place, parts="heap"))["heap_events"]
            number = expected[place].number
            by_then = [words for frame, words in printed if int(frame.split()[1]) <= number]
            assert told["count"] == len(by_then) > 3
            rows = [
                f"{words}, block {block} at 0x{start:08X}, 0x{size:X} bytes"
                for _, _, _, words, block, start, size in (e for e in told["told"] if e[0])
            ]
            assert rows == by_then
