"""Steps and attempts on every output: MQTT by a real broker, pages, JSON, terminal."""

from __future__ import annotations

import asyncio
import io
import json
import logging
import re
from collections.abc import AsyncIterator
from dataclasses import replace
from functools import partial
from pathlib import Path

import aiohttp
import pytest

from adapters.outputs.mqtt import homie
from adapters.outputs.mqtt.homie_practice import NO_PRACTICE, PracticeTopics
from adapters.outputs.mqtt.output import MqttOutput
from adapters.outputs.terminal.line import Alphabet
from adapters.outputs.terminal.output import TerminalOutput
from adapters.outputs.terminal.plain_lines import PlainLines
from adapters.outputs.terminal.practice_lines import step_line
from adapters.outputs.web.server import OverlayServer
from adapters.outputs.web.snapshot import frame_snapshot
from adapters.words.practice import marked_words, practice_words, rate_words, seen_words
from bridge.practice.attempts import Attempt, Outcome
from bridge.practice.progress import Phase, Practice
from bridge.practice.steps import StepOutcome, StepResult
from bridge.practice.totals import Rate, Score
from bridge.readings.frame import Frame
from bridge.readings.reading import Watch
from bridge.values.value_type import INTEGER
from schemas.errors import OutputError
from schemas.output_settings import MqttOutput as MqttSettings
from schemas.output_settings import OverlayOutput
from schemas.output_settings import TerminalOutput as TerminalSettings
from tests.adapters.browser import new_page
from tests.adapters.made_frames import EAST, HALF, OIL, listening, three
from tests.adapters.mosquitto import (
    Listener,
    Mosquitto,
    needs_clients,
    needs_mosquitto,
    retained,
    until,
)
from tests.adapters.running import running

LOG = logging.getLogger("lowhalf.test")
BOTH = PracticeTopics(steps=True, attempts=True)
FAILED = Attempt(16, "export", 1, 1.0, Outcome.FAILED, "turn", frames=80, seconds=1.3)
SCORE = Score(Rate(9, 17), 2, 1, (("corner", Rate(12, 17)), ("turn", Rate(0, 0))))
PRACTICE = Practice(
    Phase.RUNNING, "turn", 2, 3, 14, "half a turn", "", 18, 61, last=FAILED, score=SCORE
)
DONE = StepResult("corner", StepOutcome.DONE, 0, 47, 0.8, 45)
LATER = replace(PRACTICE, finished=(DONE,))
MISSED = replace(FAILED, frames_seen=77)
NODE = "homie/5/lowhalf-desk/practice"


def practised(number: int, practice: Practice | None = PRACTICE) -> Frame:
    return replace(three(number), practice=practice)


# words


@pytest.mark.parametrize(
    ("practice", "words"),
    [
        (
            PRACTICE,
            "attempt 18, 61 frames: step 2 of 3, turn, 14 frames  half a turn  "
            "last failed at turn  9 of 17, 53 % (31 to 74 %)  2 in a row",
        ),
        (
            Practice(Phase.WAITING, "turn", 2, 3, 1, reason="begin: lamp is null"),
            "step 2 of 3, turn, yet to begin, 1 frame  (begin: lamp is null)",
        ),
        (Practice(), "before the first step"),
        (Practice(score=Score(), last=replace(FAILED, outcome=Outcome.CUT_OFF, step="")),
         "between attempts  last cut off"),
        (Practice(Phase.DONE, steps=3, attempt=2, attempt_frames=1, score=Score()),
         "attempt 2, 1 frame: all 3 steps done"),
        (replace(PRACTICE, attempt_frames=1234, attempt_frames_seen=1230, attempt_whole=False,
                 attempt_long=True, hint="", score=replace(SCORE, not_whole=3),
                 last=replace(FAILED, frames_seen=78)),
         "attempt 18, 1,234 frames, 4 missed, unusually long: step 2 of 3, turn, 14 frames  "
         "last failed at turn, 2 of 80 frames missed  9 of 17, 53 % (31 to 74 %)  2 in a row  "
         "3 with frames missed"),
        (Practice(Phase.RUNNING, attempt=2, attempt_frames=7, attempt_frames_seen=7, score=Score(),
                  attempt_whole=False, last=replace(FAILED, frames_seen=80, doubtful=True)),
         "attempt 2, frames missed: under way, 7 frames  "
         "last failed at turn, frames missed before it"),
        (Practice(Phase.RUNNING, attempt=2, attempt_frames=7, score=Score()),
         "attempt 2: under way, 7 frames"),
        (replace(LATER, score=None, last=None),
         "attempt 18, 61 frames: step 2 of 3, turn, 14 frames after 47  half a turn"),
        (Practice(Phase.WAITING, "turn", 9, 9, 1, finished=(DONE,) * 8),
         "step 9 of 9, turn, yet to begin, 1 frame after … + 47 + 47 + 47 + 47 + 47 + 47"),
        (Practice(Phase.DONE, steps=2, finished=(DONE, replace(DONE, frames=3))),
         "all 2 steps done in 47 + 3 frames"),
    ],
)  # fmt: skip
def test_the_line(practice: Practice, words: str) -> None:
    assert practice_words(practice) == words


def test_a_rate_in_words() -> None:
    assert rate_words(Rate(0, 20)) == "0 of 20, 0 % (0 to 16 %)"
    assert rate_words(Rate(0, 0)) == "0 of 0"


# terminal and JSON


def test_plain_lines_say_it_when_it_changes() -> None:
    lines = PlainLines()
    assert "attempt 18: step 2 of 3, turn  half a turn" in lines.changes(practised(1))
    # a frame more in the step is no change
    assert "attempt" not in lines.changes(practised(2, replace(PRACTICE, frames=15)))
    # a frame that is missed is, once
    missed = replace(PRACTICE, attempt_frames=70, attempt_frames_seen=69, attempt_whole=False)
    assert "attempt 18, frames missed: step 2 of 3" in lines.changes(practised(2, missed))
    more = replace(missed, attempt_frames=80, attempt_frames_seen=75)
    assert "attempt" not in lines.changes(practised(2, more))
    assert lines.changes(practised(3, replace(PRACTICE, index=3, step="door"))).startswith(
        "frame 3: attempt 18: step 3 of 3, door"
    )


class Screen(io.StringIO):
    encoding = "utf-8"

    def isatty(self) -> bool:
        return True


def _has(screen: Screen, words: str) -> bool:
    return words in screen.getvalue()


def test_json_has_the_frames_of_each_step_of_the_open_attempt() -> None:
    shown = practised(1, replace(LATER, last=MISSED)).as_json()["practice"]
    assert (shown["step"], shown["frames"]) == ("turn", 14)
    assert shown["finished"] == [
        {"step": "corner", "outcome": "done", "waited": 0, "frames": 47, "seconds": 0.8,
         "frames_seen": 45, "whole": False, "timing": None, "too_soon": 0}
    ]  # fmt: skip
    assert (shown["last"]["frames_seen"], shown["last"]["whole"]) == (77, False)
    assert practised(1).as_json()["practice"]["finished"] == []


def test_the_terminal_s_line_tells_the_frames_of_the_steps_before() -> None:
    def line(practice: Practice) -> str:
        return "".join(text for text, _ in step_line(practice, Alphabet("utf-8"), 100)).rstrip()

    assert line(LATER) == "step 2 of 3  turn  14 frames  after 47  half a turn"
    assert line(PRACTICE) == "step 2 of 3  turn  14 frames  half a turn"
    assert (
        line(Practice(Phase.DONE, steps=1, finished=(DONE,))) == "● all 1 steps done  in 47 frames"
    )


async def test_the_table_has_the_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    # a console is asked for it, and here is none
    monkeypatch.setattr("adapters.outputs.terminal.output.detect_legacy_windows", lambda: False)
    for practice, shown in [(PRACTICE, True), (None, False)]:
        screen = Screen()
        output = TerminalOutput(TerminalSettings(), screen)
        assert output.live
        output.announce([OIL, EAST, HALF])
        async with running(output):
            output.publish(practised(1, practice))
            await until(partial(_has, screen, "Lamp oil"), 3, "table")
        # the colours lie between the words
        words = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", screen.getvalue())
        assert ("step 2 of 3  turn  14 frames" in words) is shown, words


def test_without_steps_nothing_changes() -> None:
    frame = three(1)
    assert "practice" not in frame.as_json()
    assert "practice_words" not in frame_snapshot(frame)
    assert "attempt" not in PlainLines().changes(frame)
    device = homie.Device("lowhalf-desk", "desk", [OIL])
    assert set(device.content["nodes"]) == {"oil", "bridge"}
    assert NO_PRACTICE.payloads(PRACTICE) == {}


# pages


async def test_the_page_s_data_and_its_line() -> None:
    server = OverlayServer(OverlayOutput(listen="127.0.0.1:0"), LOG)
    async with listening(server), aiohttp.ClientSession() as http:
        server.publish(practised(5))
        async with http.get(f"{server.url}frame.json") as answer:
            found = await answer.json()
        assert found["practice"] == json.loads(json.dumps(PRACTICE.as_json()))
        async with http.ws_connect(f"{server.url}live") as socket:
            snapshot = json.loads((await socket.receive()).data)
        assert snapshot["practice"] == found["practice"]
        assert snapshot["practice_words"] == practice_words(PRACTICE)


@pytest.mark.needs("chromium", "chromium")
async def test_the_first_page_shows_the_line(browser: str) -> None:
    server = OverlayServer(OverlayOutput(listen="127.0.0.1:0"), LOG)
    text = "document.getElementById('practice').textContent"
    display = "getComputedStyle(document.getElementById('practice')).display"
    async with listening(server), new_page(browser) as page:
        server.publish(three(1))
        await page.open(server.url)
        await page.wait_for("document.querySelectorAll('.watch').length", 3)
        assert await page.evaluate(text) == ""
        assert await page.evaluate(display) == "none"
        practice = replace(PRACTICE, hint="<b>half</b> a turn")
        server.publish(practised(2, practice))
        await page.wait_for(text, practice_words(practice))
        assert await page.evaluate(display) == "block"
        server.publish(three(3))
        await page.wait_for(text, "")
        assert page.faults == []


# MQTT


def test_the_description() -> None:
    node = homie.Device("lowhalf-desk", "desk", [OIL], BOTH).content["nodes"]["practice"]
    assert node["type"] == "lowhalf-practice"
    assert node["properties"]["phase"] == {
        "name": "Phase",
        "datatype": "enum",
        "format": "between,waiting,running,done",
    }
    assert node["properties"]["outcome"]["format"] == "none,success,failed,given-up,cut-off"
    published = set(BOTH.payloads(PRACTICE)) | {"event", "events-dropped"}
    assert set(node["properties"]) == published
    steps_only, attempts_only = PracticeTopics(steps=True), PracticeTopics(attempts=True)
    assert "rate" not in steps_only.node()["properties"]
    assert "hint" not in attempts_only.node()["properties"]
    for topics in (steps_only, attempts_only, BOTH):
        for practice in (None, Practice(), PRACTICE):
            assert set(topics.payloads(practice)) <= set(topics.node()["properties"])


def test_payloads() -> None:
    assert BOTH.payloads(PRACTICE) == {
        "phase": b"running",
        "reason": b"\0",
        "outcome": b"failed",
        "stopped-at": b"turn",
        "whole": b"unknown",
        "timing": b"{}",
        "step": b"turn",
        "index": b"2",
        "frames": b"14",
        "step-frames": b"[]",
        "hint": b"half a turn",
        "show": b"\0",
        "next": b"\0",
        "next-hint": b"\0",
        "window": b"{}",
        "too-soon": b"false",
        "attempt": b"18",
        "attempts": b"17",
        "successes": b"9",
        "streak": b"2",
        "rate": b"0.529412",
        "rate-low": b"0.309632",
        "rate-high": b"0.738349",
        "step-rates": json.dumps(
            [{"step": name, **rate.as_json()} for name, rate in SCORE.steps],
            separators=(",", ":"),
        ).encode(),
    }


def test_payloads_of_steps_that_are_done_and_of_frames_missed() -> None:
    # Homie convention 5, Payloads: an enum's value is one of its format, exactly
    format = BOTH.node()["properties"]["whole"]["format"].split(",")
    for last, word in [
        (None, b"unknown"), (FAILED, b"unknown"), (MISSED, b"no"),
        (replace(FAILED, frames_seen=80), b"yes"),
    ]:  # fmt: skip
        found = BOTH.payloads(replace(LATER, last=last))
        assert found["whole"] == word
        assert word.decode() in format
        assert json.loads(found["step-frames"]) == [DONE.as_json()]


def test_a_watch_must_not_have_the_node_s_name() -> None:
    watch = Watch("Practice", "", "0", INTEGER)
    assert homie.Device("d", "d", [watch]).nodes == {"Practice": "homie/5/d/practice"}
    with pytest.raises(OutputError) as caught:
        homie.Device("d", "d", [watch], BOTH)
    assert str(caught.value) == (
        "mqtt: watch Practice has the topic id practice, which is that of the steps and attempts; "
        "rename it"
    )


@pytest.fixture
async def broker(tmp_path: Path) -> AsyncIterator[Mosquitto]:
    broker = Mosquitto(tmp_path)
    broker.start()
    yield broker
    broker.kill()


@needs_mosquitto
@needs_clients
async def test_by_a_real_broker(broker: Mosquitto) -> None:
    output = MqttOutput(MqttSettings(url=broker.url), "desk", log=LOG, practice=BOTH)
    async with Listener(broker.port, f"{NODE}/#") as listener:
        output.announce([OIL, EAST, HALF])
        async with running(output):
            await until(lambda: listener.newest(f"{NODE}/phase") == b"between", 5, "before frames")
            for number in range(200):
                output.publish(practised(number, replace(PRACTICE, frames=number)))
                await asyncio.sleep(0.005)
            await until(lambda: listener.newest(f"{NODE}/frames") == b"199", 3, "the last frame")
            await until(lambda: listener.newest(f"{NODE}/rate") == b"0.529412", 3, "the rate")
            # what changes goes out at most ten times a second, the rest when it is described
            assert len(listener.payloads(f"{NODE}/frames")) < 40
            assert set(listener.payloads(f"{NODE}/successes")) <= {b"9"}
            assert len(listener.payloads(f"{NODE}/successes")) <= 3
            await asyncio.sleep(1.3)
            kept = await retained(broker.port)
    assert kept[f"{NODE}/step"] == b"turn"
    assert kept[f"{NODE}/hint"] == b"half a turn"
    assert kept[f"{NODE}/outcome"] == b"failed"
    assert json.loads(kept[f"{NODE}/step-rates"])[0]["good"] == 12
    description = json.loads(kept["homie/5/lowhalf-desk/$description"])
    assert set(description["nodes"]["practice"]["properties"]) - {"event"} == {
        topic.removeprefix(f"{NODE}/") for topic in kept if topic.startswith(NODE)
    }


def test_nobody_knows_how_many_frames_were_missed_where_the_counter_went_round() -> None:
    attempt = Attempt(7, "export", 1, 1.0, Outcome.FAILED, "turn", doubtful=True)
    assert marked_words(attempt) == "failed at turn, frames missed, nobody knows how many"
    assert seen_words(attempt) == "not known"


def test_a_step_over_an_unknown_gap_is_no_best() -> None:
    known = StepResult("turn", StepOutcome.DONE, 0, 9, 1.0, 8, doubtful=True)
    least = StepResult("turn", StepOutcome.DONE, 0, 2, 1.0, None, doubtful=True)
    assert (known.known_frames, least.known_frames) == (9, None)
