"""What pages ask of a past: where an expression turns true, what it is then, the nearest mark."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from adapters.sessions.added_watches import with_watches
from adapters.sessions.pasts.past import Past
from bridge.expressions.functions.table import FUNCTIONS
from bridge.readings.frame import Frame
from bridge.readings.reading import Reading
from schemas.loader import Bridge, load_bridge
from tests.adapters.pasts.looked_at import frames_of, past_of
from tests.adapters.pasts.made_recordings import (
    GAP,
    RESET,
    WITH_A_GAP_AND_A_RESET,
    demo_bridge,
    put_together,
)

EXPRESSIONS = (
    "courier.held != 0",
    "held_block == 2",
    "courier.position.x > 20",
    "change(ledger.rooms_entered) > 0",
    "frames_of(courier.held != 0) > 10",
    "len(blocks()) == 4",
    'layout("gull_in_place")',
)
VALUES = (
    "courier.held.position.x",
    "courier.position.x",
    "highest(courier.position.x)",
    "count(change(ledger.rooms_entered) > 0)",
)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Bridge, Path]:
    folder = tmp_path_factory.mktemp("asked")
    put_together(folder / "made.mcap", WITH_A_GAP_AND_A_RESET)
    return load_bridge(demo_bridge(folder, recording=folder / "made.mcap")), folder / "made.mcap"


def is_true(reading: Reading) -> bool:
    return reading.status.has_value and bool(reading.value)


async def stepped(past: Past, expr: str, count: int, *, backwards: bool) -> list[int]:
    """All places from one end to the other, as who presses a key again and again."""
    at = count if backwards else -1
    found: list[int] = []
    while True:
        answer = await past.next_rise(at, expr, backwards=backwards)
        assert answer["error"] is None
        if answer["place"] is None:
            assert answer["words"]
            return found
        at = answer["place"]
        found.append(at)


async def test_where_an_expression_turns_true(made: tuple[Bridge, Path]) -> None:
    """Against the engine's own watches of these expressions, in both directions."""
    bridge, recording = made
    frames = await frames_of(with_watches(bridge, EXPRESSIONS, FUNCTIONS), recording)
    async with past_of(recording, bridge) as past:
        for expr in EXPRESSIONS:
            true = [is_true(frame[expr]) for frame in frames]
            rises = [n for n, now in enumerate(true) if now and not (n and true[n - 1])]
            assert await stepped(past, expr, len(frames), backwards=False) == rises, expr
            assert await stepped(past, expr, len(frames), backwards=True) == rises[::-1], expr
            if rises:
                first = await past.next_rise(-1, expr, backwards=False)
                assert first["frame"] == frames[rises[0]].number
        assert await past.next_rise(0, "courier.position.x > 1e30", backwards=False) == {
            "place": None,
            "frame": None,
            "words": "it is never true",
            "error": None,
        }


async def test_faults_of_an_expression_are_told_with_their_place(made: tuple[Bridge, Path]) -> None:
    bridge, recording = made
    async with past_of(recording, bridge) as past:
        asked = {
            "courier.nowhere > 1": ("Actor has no field nowhere", 0),
            "1 +": ("is not an expression: invalid syntax", 3),
            "current_room.name": ("is a text, expected true or false", 0),
            "courier": ("is a whole Actor; name a field", 0),
        }
        for expr, (words, at) in asked.items():
            found = await past.next_rise(3, expr, backwards=False)
            assert found["place"] is None
            assert found["error"]["message"].startswith(words), found
            assert found["error"]["at"] == at, found
        answer = await past.answer(7, "courier.nowhere")
        assert answer["error"]["message"].startswith("Actor has no field nowhere")
        assert (answer["frame"], answer["steps"]) == ((await past.frame(7)).number, [])


def shown(found: dict[str, Any]) -> tuple[Any, ...]:
    return tuple(found[name] for name in ("status", "value", "reason", "address"))


def reading_of(frame: Frame, name: str) -> tuple[Any, ...]:
    return shown(frame[name].as_json())


async def test_answers_are_what_a_watch_of_them_would_say(made: tuple[Bridge, Path]) -> None:
    """At any moment, in any order, also of functions over frames and of stale pointers: as a watch
    that was there from the first frame on."""
    bridge, recording = made
    frames = await frames_of(with_watches(bridge, VALUES, FUNCTIONS), recording)
    async with past_of(recording, bridge) as past:
        for expr in VALUES:
            for place in (430, 431, 5, GAP - 1, GAP, RESET, 578, 0):
                answer = await past.answer(place, expr)
                assert answer["error"] is None
                assert answer["frame"] == frames[place].number
                assert shown(answer["result"]) == reading_of(frames[place], expr), (expr, place)
        changed = [n for n, frame in enumerate(frames) if str(frame[VALUES[0]].status) == "changed"]
        assert changed
        answer = await past.answer(changed[0], VALUES[0])
        assert answer["result"]["status"] == "changed"
        assert [step["kind"] for step in answer["steps"]][-2:] == ["value", "result"]


async def test_an_answer_to_a_watchs_name_is_its_reading(made: tuple[Bridge, Path]) -> None:
    bridge, recording = made
    frames = await frames_of(bridge, recording)
    async with past_of(recording, bridge) as past:
        for name in ("room", "held_block", "doors", "set_up"):
            for place in (440, 100):
                answer = await past.answer(place, name)
                assert answer["error"] is None
                assert shown(answer["result"]) == reading_of(frames[place], name), name


async def test_the_nearest_mark_is_found_in_both_directions(made: tuple[Bridge, Path]) -> None:
    bridge, recording = made
    async with past_of(recording, bridge) as past:
        last = len(WITH_A_GAP_AND_A_RESET) - 1
        await past.frame(last)
        marks = (await past.timeline())["marks"]
        for kind in ("attempt", "outcome", "step", "heap", "gap", "reset"):
            places = sorted({mark["place"] for mark in marks if mark["kind"] == kind})
            assert places
            at, found = -1, []
            while (answer := await past.next_mark(at, kind, backwards=False))["place"] is not None:
                at = answer["place"]
                found.append(at)
                assert answer["words"]
            assert found == places
            at, found = last + 1, []
            while (answer := await past.next_mark(at, kind, backwards=True))["place"] is not None:
                at = answer["place"]
                found.append(at)
            assert found == places[::-1]
        assert not (await past.timeline())["more_heap"]
