"""A moment that is looked at again is what the engine gives for that frame of the recording."""

from __future__ import annotations

import contextlib
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from adapters.outputs.web.heap import SeenHeap
from adapters.outputs.web.snapshot import desk_reading, heap_snapshot
from adapters.sessions.recorded_query import QuerySettings, RecordedQuery
from bridge.querying.rows import STATUSES
from schemas.errors import PastNotReady
from schemas.loader import load_bridge
from tests.adapters.desk_daemon import SAMPLES
from tests.adapters.pasts.looked_at import frames_of, looking_at, past_of
from tests.adapters.pasts.made_recordings import (
    GAP,
    RESET,
    WITH_A_GAP_AND_A_RESET,
    demo_bridge,
    put_together,
)
from tests.commands.command import lowhalf

MADE = "made.mcap"
MOST_KEPT = 10_000_000 / 36_000
"""Bytes that are kept of a frame: 10 MB of ten minutes."""


def without_seconds(practice: dict[str, Any]) -> dict[str, Any]:
    """How long a step took is told by the recorded time; ``followed`` has that of the replay."""
    steps = [{**step, "seconds": None} for step in practice["finished"]]
    return {**practice, "finished": steps}


@pytest.fixture(params=["demo", "made"])
def recorded(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[Path, Path]:
    """A bridge file and its recording: the demo's own, and one with a gap and a reset."""
    if request.param == "demo":
        return demo_bridge(tmp_path), tmp_path / "demo.mcap"
    put_together(tmp_path / MADE, WITH_A_GAP_AND_A_RESET)
    return demo_bridge(tmp_path, recording=tmp_path / MADE), tmp_path / MADE


async def test_every_moment_is_as_the_engine_has_it(recorded: tuple[Path, Path]) -> None:
    """Every reading, the practice and the heap of every frame, against ``followed``; values and
    statuses of every watch also against a query, which evaluates most of them vectorised."""
    path, recording = recorded
    bridge = load_bridge(path)
    expected = await frames_of(bridge, recording)
    rows = list(RecordedQuery(recording, QuerySettings(), bridge).rows())
    columns = [
        list(
            zip(
                *(
                    [each for row in rows for each in row.columns[number].given()],
                    [STATUSES[s] for row in rows for s in row.columns[number].status],
                ),
                strict=True,
            )
        )
        for number in range(len(bridge.file.watches))
    ]
    numbers = [number for row in rows for number in row.frames]
    async with past_of(recording, bridge) as past:
        for place, frame in enumerate(expected):
            moment = await past.moment(place, frozenset({"desk"}))
            assert (moment["place"], moment["frame"]) == (place, numbers[place])
            assert moment["frame"] == frame.number
            assert moment["readings"] == [desk_reading(each) for each in frame.readings]
            assert frame.practice is not None
            assert without_seconds(moment["practice"]) == without_seconds(frame.practice.as_json())
            assert "from the beginning of this recording" in moment["note"]
            kept = (await past.frame(place)).readings
            found = [(each.value if each.status.has_value else None, each.status) for each in kept]
            assert found == [column[place] for column in columns]
        for place in range(0, len(expected), 37):
            frame = expected[place]
            moment = await past.moment(place, frozenset({"heap", "desk"}))
            assert frame.heap is not None
            seen = SeenHeap(frame.heap, frame.number, frame.build)
            assert moment["heap"] == heap_snapshot(replace(frame, heap=None), seen)
        timeline = await past.timeline()
        assert (timeline["ready"], timeline["count"]) == (len(expected), len(expected))
        known = past.evaluation
        assert known.frames.size + known.events.size < MOST_KEPT * len(expected)


async def test_where_groups_begin_tells_the_number_of_every_frame(tmp_path: Path) -> None:
    recording = tmp_path / MADE
    put_together(recording, WITH_A_GAP_AND_A_RESET)
    bridge = load_bridge(demo_bridge(tmp_path, recording=recording))
    expected = [frame.number for frame in await frames_of(bridge, recording)]
    async with past_of(recording, bridge) as past:
        await past.frame(len(expected) - 1)
        starts = (await past.timeline())["starts"]
    ends = [*starts[1:], (len(expected), 0, 0.0)]
    told = [
        number + offset
        for (place, number, _), (end, *_) in zip(starts, ends, strict=True)
        for offset in range(end - place)
    ]
    assert told == expected
    assert [seconds for *_, seconds in starts] == sorted(seconds for *_, seconds in starts)
    assert all(later[0] - earlier[0] <= 62 for earlier, later in pairwise(starts))


async def test_marks_are_where_the_practice_changes(recorded: tuple[Path, Path]) -> None:
    """Attempts, outcomes and the current step, as each frame's own practice tells them."""
    path, recording = recorded
    bridge = load_bridge(path)
    expected = await frames_of(bridge, recording)
    async with past_of(recording, bridge) as past:
        await past.frame(len(expected) - 1)
        marks = (await past.timeline())["marks"]
    practice = [frame.practice for frame in expected]
    assert None not in practice
    told = [each for each in practice if each is not None]
    changes = list(enumerate(pairwise(told), 1))
    begun = [n for n, (was, now) in changes if now.attempt and now.attempt != was.attempt]
    ended = [n for n, (was, now) in changes if now.ended > was.ended]

    def places(kind: str) -> list[int]:
        return [mark["place"] for mark in marks if mark["kind"] == kind]

    assert begun
    assert ended
    assert (places("attempt"), places("outcome")) == (begun, ended)
    assert all(mark["frame"] == expected[mark["place"]].number for mark in marks)
    steps = [mark for mark in marks if mark["kind"] == "step"]
    for mark in steps:
        now = told[mark["place"]]
        assert mark["words"] in (now.step, *(each.name for each in now.finished))
    numbers = [frame.number for frame in expected]
    resets = [n for n, (was, now) in enumerate(pairwise(numbers), 1) if now < was]
    gaps = [n for n, (was, now) in enumerate(pairwise(numbers), 1) if now > was + 1]
    assert (places("reset"), places("gap")) == (resets, gaps)
    if recording.name == MADE:
        assert (resets, gaps) == ([RESET], [GAP])
        (gap,) = (mark for mark in marks if mark["kind"] == "gap")
        assert gap["words"] == "41 frames missed"


async def test_a_page_gets_the_same_from_the_process(tmp_path: Path) -> None:
    path = demo_bridge(tmp_path, places=range(500, 640))
    expected = await frames_of(load_bridge(path), tmp_path / "demo.mcap")
    async with looking_at(path) as page:
        timeline = await page.whole()
        assert (timeline["count"], timeline["fault"]) == (140, "")
        for place in (0, 63, 64, 139):
            moment = await page.get("moment.json", place=place, parts="heap,desk")
            assert moment["readings"] == [desk_reading(each) for each in expected[place].readings]
            assert moment["heap"]["frame"] == moment["frame"] == expected[place].number
            events = await page.get("events.json", place=place, count=1000)
            assert moment["heap_events"]["count"] == len(events["events"])


def demo_events(bridge: Path) -> list[str]:
    # by the same schema: that of the recording knows no identity of an object
    done = lowhalf("events", str(SAMPLES / "demo.mcap"), "--bridge", str(bridge))
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


async def test_a_moment_has_the_heap_events_up_to_it(tmp_path: Path) -> None:
    """What had become of the heap's blocks by then, as the command prints it of the recording."""
    path = demo_bridge(tmp_path)
    printed = [line.split("  ", 1) for line in demo_events(path)]
    async with past_of(tmp_path / "demo.mcap", load_bridge(path)) as past:
        assert "heap_events" not in await past.moment(570, frozenset({"desk"}))
        for place in (570, 571, 1100):
            moment = await past.moment(place, frozenset({"heap"}))
            told, number = moment["heap_events"], moment["frame"]
            by_then = [words for frame, words in printed if int(frame.split()[1]) <= number]
            assert told["count"] == len(by_then) > 3
            rows = [
                f"{words}, block {block} at 0x{start:08X}, 0x{size:X} bytes"
                for _, _, _, words, block, start, size in (e for e in told["told"] if e[0])
            ]
            assert rows == by_then


async def test_frames_before_the_build_is_known_have_their_places(tmp_path: Path) -> None:
    """Over several groups: what comes behind them is of its own frame, its heap as well."""
    recording, unknown = tmp_path / MADE, 150
    put_together(recording, range(300, 620), unknown=unknown)
    bridge = load_bridge(demo_bridge(tmp_path, recording=recording))
    async with past_of(recording, bridge) as past:
        for place in (0, 70, unknown - 1):
            moment = await past.moment(place, frozenset({"heap"}))
            assert {each["status"] for each in moment["readings"]} == {"waiting"}
            assert moment["heap"] is None
            assert moment["note"].startswith("no build is recognised")
        for place in (unknown, 171, 200, 260, 319):
            moment = await past.moment(place, frozenset({"heap"}))
            assert moment["frame"] == moment["heap"]["frame"] == 392 + 300 + place
            answer = await past.answer(place, "courier.position.x")
            assert answer["frame"] == moment["frame"]
            x = next(each for each in moment["readings"] if each["watch"] == "x")
            assert answer["result"]["value"] == x["value"]
        assert (await past.timeline())["count"] == 320


@pytest.mark.full
async def test_ten_minutes_of_fifty_watches_take_some_megabytes(tmp_path: Path) -> None:
    recording = tmp_path / MADE
    put_together(recording, [*range(1200)] * 30)
    paths = ("position.x", "position.y", "position.z", "kind", "next.kind")
    texts = [f"{each}.{path}" for each in ("courier.held", "actor_head") for path in paths]
    more = (
        f'[[watches]]\nname = "more_{n}"\nexpr = "{texts[n % len(texts)]}"\n' for n in range(35)
    )
    bridge = load_bridge(demo_bridge(tmp_path, recording=recording, tables="\n" + "".join(more)))
    async with past_of(recording, bridge) as past:
        known = past.evaluation
        while not known.reached.over:
            with contextlib.suppress(PastNotReady):
                await known.reached.wait(1 << 40)
        assert (known.fault, known.reached.count) == ("", 36_000)
        assert known.frames.size + known.events.size < MOST_KEPT * 36_000
        print(f"kept: {known.frames.size} bytes of frames, {known.events.size} of events")
