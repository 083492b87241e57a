"""Which pasts there are: the recording that plays, what is kept of a running game, clips."""

from __future__ import annotations

import asyncio
import contextlib
import shutil
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from adapters.recordings.reader import open_recording
from adapters.sessions.pasts import asking
from adapters.sessions.recorded_bridge import recorded_bridge
from schemas.errors import SourceError
from tests.adapters.desk_daemon import SAMPLES, eventually
from tests.adapters.pasts.looked_at import Looking, frames_of, looking_at
from tests.adapters.pasts.made_recordings import DEMO, demo_bridge, put_together

KEPT = """
[outputs.recording]
path = "kept/{name}.mcap"
keep = "10 min"
"""
"""What the demo's recording gives while it plays is recorded itself."""


SHORT = range(140, 300)


@contextlib.asynccontextmanager
async def keeping(folder: Path) -> AsyncIterator[Looking]:
    """The demo, played and kept, of which some seconds are on the disk."""
    path = demo_bridge(folder, places=range(400), tables=KEPT, source="repeat = true")
    async with looking_at(path) as page:
        await eventually(lambda: recorded(folder) > 100, 60, "recorded")
        yield page


def recorded(folder: Path) -> int:
    """How many frames are on the disk."""
    try:
        found = open_recording(folder / "kept" / "demo-000001.mcap")
    except SourceError:
        return 0
    return sum(found.count(group) for group in range(len(found.groups)))


def held(folder: Path) -> list[Path]:
    return [*(folder / "kept").glob(f".{asking.HELD}-*")]


async def test_what_is_kept_of_a_running_game_is_held_and_let_go(tmp_path: Path) -> None:
    async with keeping(tmp_path) as page:
        listed = (await page.get("past.json"))["pasts"]
        assert [each["id"] for each in listed] == ["playing", "rolling-1", "rolling-1-minute"]
        assert (listed[1]["kind"], listed[1]["title"]) == ("rolling", "the last 10 min")
        assert (listed[2]["kind"], listed[2]["title"]) == ("rolling", "at least the last minute")
        page.name = "rolling-1"
        timeline = await page.whole()
        assert timeline["fault"] == ""
        assert timeline["count"] > 100
        (folder,) = held(tmp_path)
        (copy,) = folder.iterdir()
        # what is held is a recording of its own, of which the engine gives the same
        frames = await frames_of(recorded_bridge(copy), copy)
        assert len(frames) == timeline["count"]
        for place in (0, 90, len(frames) - 1):
            moment = await page.get("moment.json", place=place)
            told = [(each["status"], each["value"]) for each in moment["readings"]]
            assert told == [(str(r.status), r.as_json()["value"]) for r in frames[place].readings]
        # recording goes on meanwhile, and what is held does not change
        assert (await page.get("timeline.json"))["count"] == timeline["count"]
        assert [each["id"] for each in (await page.get("past.json"))["pasts"]][1] == "rolling-2"
        status, words = await page.raw("past/rolling-3/timeline.json")
        assert (status, list(words)) == (404, ["error"])
        page.name = "rolling-2"  # held anew, it has what came since
        assert (await page.whole())["count"] > timeline["count"]
        assert len(held(tmp_path)) == 2
        page.name = "rolling-3-minute"  # all is of the last minute here
        assert (await page.whole())["count"] > timeline["count"]
    assert held(tmp_path) == []


async def test_what_is_held_goes_when_nobody_asks_for_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with keeping(tmp_path) as page:
        pasts = page.served.overlay._desk.pasts  # type: ignore[union-attr]
        monkeypatch.setattr(pasts, "_held_for", 1.0)
        page.name = "rolling-1"
        await page.whole()
        assert len(held(tmp_path)) == 1
        await eventually(lambda: not held(tmp_path), 30, "removed")
        assert (await page.raw("timeline.json"))[0] == 404
        listed = (await page.get("past.json"))["pasts"]
        assert [each["id"] for each in listed] == ["playing", "rolling-2", "rolling-2-minute"]
        page.name = "rolling-2"
        assert (await page.whole())["count"] > 100


async def test_clips_are_listed_and_looked_at(tmp_path: Path) -> None:
    path = demo_bridge(tmp_path, places=SHORT, source="repeat = true")
    clips = tmp_path / "clips"
    clips.mkdir()
    put_together(clips / "demo-00012-failed.mcap", range(400, 520))
    put_together(clips / "demo-00013-given-up.mcap", range(430, 600))
    for other in (
        "demo-00014-success.mcap.part",
        "harbour-00001-failed.mcap",
        "demo-1-failed.mcap",
    ):
        (clips / other).write_bytes(b"")
    async with looking_at(path, "clip-00012-failed") as page:
        listed = (await page.get("past.json"))["pasts"]
        assert listed[1:] == [
            {
                "id": "clip-00013-given-up",
                "kind": "clip",
                "title": "attempt 13: given up",
                "attempt": 13,
                "outcome": "given-up",
            },
            {
                "id": "clip-00012-failed",
                "kind": "clip",
                "title": "attempt 12: failed",
                "attempt": 12,
                "outcome": "failed",
            },
        ]
        assert (await page.whole())["count"] == 120
        await page.get("moment.json", place=119, parts="heap,desk")
        # one that goes while it is looked at: what was evaluated stays
        await page.get("moment.json", place=60)
        (clips / "demo-00012-failed.mcap").unlink()
        status, words = await page.raw("moment.json", place=60)
        assert (status, "or no longer" in words["error"]) == (404, True)
        assert len((await page.get("past.json"))["pasts"]) == 2


async def test_two_clips_side_by_side(tmp_path: Path) -> None:
    """Aligned at their beginnings, a step and an expression; what differs first is told."""
    path = demo_bridge(tmp_path, places=SHORT, source="repeat = true")
    clips = tmp_path / "clips"
    clips.mkdir()
    put_together(clips / "demo-00001-failed.mcap", range(140, 395))
    put_together(clips / "demo-00002-success.mcap", range(430, 640))
    a, b = "clip-00001-failed", "clip-00002-success"
    async with looking_at(path) as page:
        for given in ({"step": "take it"}, {"expr": "courier.held != 0"}):
            found = await page.get("beside.json", a=a, b=b, memory="no", **given)
            assert found["error"] == ""
            offset = 54 if "step" in given else 69
            assert (found["a"], found["b"]) == (offset, offset + 10)
            assert (found["before"], found["count"]) == (offset, 210 - offset - 10)
            first = found["first"]
            assert first is not None
            for other in range(first["offset"] + 1):
                readings = []
                for page.name, start in ((a, found["a"]), (b, found["b"])):
                    moment = await page.get("moment.json", place=start + other)
                    readings.append({r["watch"]: r for r in moment["readings"]})
                differing = [
                    name
                    for name, ours in readings[0].items()
                    if any(ours[key] != readings[1][name][key] for key in ("shown", "status"))
                ]
                assert differing[:1] == [first["watch"]] * (other == first["offset"])
        found = await page.get("beside.json", a=a, b=a)
        assert (found["a"], found["b"], found["first"]) == (0, 0, None)
        assert (found["memory"], found["count"]) == (None, 255)
        pairs = found["memory_pairs"]
        if pairs < 255:  # a slow machine says how far it has come
            assert found["memory_error"] == f"compared for 6 s: no further than {pairs} frames"
        else:
            assert (pairs, found["memory_error"]) == (255, "")
        found = await page.get("beside.json", a=a, b=b, step="wait for the gull")
        assert (found["a"], found["error"]) == (
            None,
            "A: the step wait for the gull is never begun",
        )
        found = await page.get("beside.json", a=a, b=b, expr="courier.nowhere")
        assert found["error"].startswith("A: Actor has no field nowhere")
        found = await page.get("beside.json", a=a, b=b, expr="courier.held != 0")
        assert found["memory"]["path"]
        assert found["memory"]["a"] != found["memory"]["b"]
        assert (await page.raw("beside.json", a=a, b="nothing"))[0] == 404
        assert (await page.raw("beside.json", a=a, b=b, step="x", expr="y"))[0] == 400


async def test_a_past_of_another_game_is_read_by_its_own_schema(tmp_path: Path) -> None:
    """And one of a build that is not the one which the running bridge file names."""
    path = demo_bridge(tmp_path, places=SHORT)
    clips = tmp_path / "clips"
    clips.mkdir()
    put_together(clips / "demo-00001-failed.mcap", range(140, 200))
    put_together(clips / "demo-00002-failed.mcap", range(140, 200), game="Harbour lights")
    text = path.read_text("utf-8").replace("[source]", 'build = "export"\n[source]', 1)
    text = text.replace('kind = "recording"', 'kind = "file"')
    dump = (SAMPLES / "export-carry.bin.gz").as_posix()
    path.write_text(text.replace('path = "demo.mcap"', f'path = "{dump}"'), "utf-8")
    async with looking_at(path) as page:
        for name, why in (
            ("clip-00001-failed", "it is of build first-print, not of export"),
            ("clip-00002-failed", "it is of Harbour lights, not of Tidewright"),
        ):
            page.name = name
            assert (await page.whole())["fault"] == ""
            moment = await page.get("moment.json", place=30)
            assert moment["build"] == "first-print"
            assert moment["note"].startswith(
                f"read by the bridge file and schema that it was recorded with: {why}"
            )
            assert any(reading["status"] == "ok" for reading in moment["readings"])


async def test_no_more_than_three_are_open(tmp_path: Path) -> None:
    """The one that was asked for longest ago is closed, and evaluated anew when it is asked for."""
    path = demo_bridge(tmp_path, places=SHORT, source="repeat = true")
    clips = tmp_path / "clips"
    clips.mkdir()
    for number in range(1, 5):
        put_together(clips / f"demo-{number:05}-failed.mcap", range(20 * number, 20 * number + 25))
    async with looking_at(path) as page:
        for number in (1, 2, 3, 4, 1, 4, 2):
            page.name = f"clip-{number:05}-failed"
            assert (await page.whole())["count"] == 25
            moment = await page.get("moment.json", place=24)
            assert moment["frame"] == 392 + 20 * number + 24


async def test_a_recording_that_is_damaged_in_its_midst(tmp_path: Path) -> None:
    """What is before the damage is looked at; why there is no more is told."""
    damaged = tmp_path / "clips" / "demo-00001-failed.mcap"
    damaged.parent.mkdir()
    shutil.copy(DEMO, damaged)
    place = open_recording(damaged).groups[3].place
    data = bytearray(damaged.read_bytes())
    data[place.offset + place.length // 2] ^= 0xFF
    damaged.write_bytes(data)
    path = demo_bridge(tmp_path, places=SHORT, source="repeat = true")
    async with looking_at(path, "clip-00001-failed") as page:
        timeline = await page.whole()
        assert f"the part at byte {place.offset} is damaged" in timeline["fault"]
        assert timeline["count"] == timeline["ready"] == 180
        await page.get("moment.json", place=179, parts="heap,desk")
        status, words = await page.raw("moment.json", place=180)
        assert (status, "is damaged" in words["error"]) == (404, True)
        found = await page.get("next.json", place=179, way="next", expr="courier.position.x > 1e30")
        assert "is damaged" in found["words"]
        answer = await page.get("answer.json", place=170, expr="highest(courier.position.x)")
        assert answer["result"]["status"] == "ok"


async def test_requests_that_make_no_sense(tmp_path: Path) -> None:
    path = demo_bridge(tmp_path, places=SHORT, source="repeat = true")
    async with looking_at(path) as page:
        await page.whole()
        for text in ("", "x", "-1", "1.5", "1" * 40, "１", str(1 << 60)):
            assert (await page.raw("moment.json", place=text))[0] == 400, text
        for place in (160, 1 << 47):
            status, words = await page.raw("moment.json", place=place)
            assert (status, words["error"]) == (
                404,
                f"there is no place {place}: it has 160 frames",
            )
        assert (await page.raw("next.json", place=1, way="up", kind="heap"))[0] == 400
        assert (await page.raw("next.json", place=1, way="next", kind="lap"))[0] == 400
        assert (await page.raw("next.json", place=1, way="next", expr="x" * 500))[0] == 400
        assert (await page.raw("answer.json", place=1))[0] == 400
        assert (await page.raw("events.json", place=1, count=0))[0] == 400
        assert (await page.raw("moment.json", place=1, parts="sky"))[0] == 400
        for name in ("nothing", "clip-00001-failed", "..%2fdemo", "clip-..%2f..%2fx", "rolling-1"):
            status, words = await page.raw(f"past/{name}/timeline.json")
            assert status == 404, (name, words)
        answers = await asyncio.gather(
            *(page.raw("moment.json", place=place, parts="desk") for place in range(60))
        )
        assert {status for status, _ in answers} == {200}
        assert [found["place"] for _, found in answers] == [*range(60)]


async def test_only_the_pages_of_this_server_are_answered(tmp_path: Path) -> None:
    """As all of the desk's routes: not by another name, not for a page of another origin."""
    path = demo_bridge(tmp_path, places=range(140, 160), source="repeat = true")
    routes = (
        *("past.json", "past/playing/timeline.json", "past/playing/moment.json?place=1"),
        *("past/playing/events.json?place=1", "past/playing/next.json?place=1&way=next&kind=heap"),
        *("past/playing/answer.json?place=1&expr=x", "beside.json?a=playing&b=playing&memory=no"),
    )
    async with looking_at(path) as page:
        for route in routes:
            url = page.served.url + route
            for headers, expected in (
                ({}, 200),
                ({"Host": "tidewright.example"}, 421),
                ({"Origin": "http://tidewright.example"}, 403),
                ({"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors"}, 403),
            ):
                async with page.http.get(url, headers=headers) as answer:
                    assert answer.status == expected, (route, headers)
            async with page.http.post(url) as answer:
                assert answer.status == 405, route
