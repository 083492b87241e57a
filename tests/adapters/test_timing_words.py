"""Windows in words: early, right, late, in doubt and too soon, on every output alike."""

from __future__ import annotations

import json
import logging
from dataclasses import replace

import pytest

from adapters.outputs.mqtt.homie_practice import PracticeTopics
from adapters.outputs.terminal.line import Alphabet, Line, Style
from adapters.outputs.terminal.plain_lines import PlainLines
from adapters.outputs.terminal.practice_lines import score_line, step_line
from adapters.outputs.web.server import OverlayServer
from adapters.words.practice import (
    marked_words,
    practice_words,
    timed_words,
    timing_words,
    window_words,
)
from bridge.practice.attempts import Attempt, Outcome
from bridge.practice.progress import Phase, Practice
from bridge.practice.steps import StepOutcome, StepResult
from bridge.practice.totals import Rate, Score
from bridge.practice.windows import StepTiming, Window
from schemas.output_settings import OverlayOutput
from tests.adapters.browser import Page
from tests.adapters.canned_desk import DeskServer, full_desk, snapshot
from tests.adapters.desk_hands import show, text, texts
from tests.adapters.made_frames import listening, three

LOG = logging.getLogger("lowhalf.test")
WINDOW = Window(11, 14)
EARLY, RIGHT, LATE = WINDOW.judge(9), WINDOW.judge(12), WINDOW.judge(17)
DOUBTED, UNKNOWN = WINDOW.judge(17, unsure=2), WINDOW.judge(14, unsure=None)
BEFORE = WINDOW.judge(None)
SAID = [
    (EARLY, "early by 2 (frame 9 of 11 to 14)"),
    (RIGHT, "right (frame 12 of 11 to 14)"),
    (LATE, "late by 3 (frame 17 of 11 to 14)"),
    (DOUBTED, "late by 3, give or take 2 (frame 17 of 11 to 14)"),
    (UNKNOWN, "right, unsure (frame 14 of 11 to 14)"),
    (BEFORE, "early: done before it could be"),
    (replace(BEFORE, unsure=None), "early: done before it could be, unsure"),
    (Window(0, 0).judge(1), "late by 1 (frame 1 of 0 to 0)"),
]


def result(timing: StepTiming | None, name: str = "turn", outcome: str = "failed") -> StepResult:
    return StepResult(name, StepOutcome(outcome), 0, 40, 1.3, 40, timing=timing)


def failed(timing: StepTiming) -> Attempt:
    return Attempt(
        *(16, "export", 1, 1.0, Outcome.FAILED, "turn", timing.reason),
        frames=80,
        seconds=1.3,
        steps=(result(None, "corner", "done"), result(timing)),
        frames_seen=80,
    )


SUCCESS = replace(
    failed(RIGHT),
    outcome=Outcome.SUCCESS,
    step="",
    reason="",
    steps=(result(RIGHT, outcome="done"),),
)
IN_TIME = Practice(
    *(Phase.RUNNING, "turn", 2, 3, 14, "half a turn", "", 18, 61),
    last=failed(LATE),
    score=Score(Rate(9, 17)),
    window=WINDOW,
    since=7,
    finished=(result(RIGHT, "corner", "done"),),
)
YET = replace(IN_TIME, since=None, finished=())
TOO_SOON = replace(YET, phase=Phase.WAITING, too_soon=3, window=None)


@pytest.mark.parametrize(("timing", "words"), SAID)
def test_a_verdict(timing: StepTiming, words: str) -> None:
    assert timing_words(timing) == words


def test_an_attempt_tells_its_last_window() -> None:
    assert marked_words(failed(LATE)) == "failed at turn, late by 3 (frame 17 of 11 to 14)"
    assert marked_words(SUCCESS) == "success, turn right (frame 12 of 11 to 14)"
    # it failed at something else, behind a window that was right
    elsewhere = replace(failed(RIGHT), step="door", reason="", frames_seen=77)
    assert marked_words(elsewhere) == (
        "failed at door, turn right (frame 12 of 11 to 14), 3 of 80 frames missed"
    )


def test_the_line() -> None:
    rest = "last failed at turn, late by 3 (frame 17 of 11 to 14)  9 of 17, 53 % (31 to 74 %)"
    assert practice_words(IN_TIME) == (
        "attempt 18, 61 frames: step 2 of 3, turn, 14 frames after 40  frame 7 of 11 to 14  "
        f"corner right (frame 12 of 11 to 14)  half a turn  {rest}"
    )
    assert practice_words(YET) == (
        f"attempt 18, 61 frames: step 2 of 3, turn, 14 frames  window 11 to 14  half a turn  {rest}"
    )
    assert practice_words(TOO_SOON) == (
        "attempt 18, 61 frames: step 2 of 3, turn, acted too soon: done before it began, "
        f"14 frames  half a turn  {rest}"
    )


def test_plain_lines_tell_it_once_and_do_not_count() -> None:
    lines = PlainLines()

    def changes(number: int, practice: Practice) -> str:
        return lines.changes(replace(three(number), practice=practice))

    assert "step 2 of 3, turn, yet to begin" in changes(1, replace(TOO_SOON, too_soon=None))
    assert "acted too soon: done before it began" in changes(2, replace(TOO_SOON, too_soon=0))
    assert "turn" not in changes(3, replace(TOO_SOON, too_soon=1))
    assert "window 11 to 14" in changes(4, YET)
    assert "turn" not in changes(5, replace(YET, since=0))
    assert "corner right (frame 12 of 11 to 14)" in changes(6, IN_TIME)
    assert "turn" not in changes(7, replace(IN_TIME, since=8))
    assert "early by 2 (frame 9" in changes(8, replace(IN_TIME, last=failed(EARLY)))


def styled(line: Line) -> dict[str, Style]:
    return {words.strip(): style for words, style in line if words.strip()}


def test_the_terminal_s_lines() -> None:
    alphabet = Alphabet("utf-8")
    shown = styled(step_line(IN_TIME, alphabet, 200))
    assert shown["frame 7 of 11 to 14"] is Style.STRONG
    assert "corner right (frame 12 of 11 to 14)" in shown
    assert styled(step_line(TOO_SOON, alphabet, 200))["acted too soon: done before it began"] is (
        Style.WARNING
    )
    late = "last failed at turn, late by 3 (frame 17 of 11 to 14)"
    assert styled(score_line(IN_TIME, alphabet, 200))[late] is Style.WARNING
    # on a narrow screen what is cut comes behind it
    assert next(iter(styled(score_line(IN_TIME, alphabet, 60)))) == late
    assert "half a turn" in styled(step_line(IN_TIME, alphabet, 80))
    right = styled(score_line(replace(IN_TIME, last=SUCCESS), alphabet, 200))
    assert right["last success, turn right (frame 12 of 11 to 14)"] is Style.FAINT


def test_topics_of_a_window() -> None:
    topics = PracticeTopics(steps=True, attempts=True)
    found = topics.payloads(replace(IN_TIME, show="held_x_low", next_step="door", next_hint="push"))
    assert json.loads(found["window"]) == {"frames": [11, 14], "since": 7}
    assert json.loads(found["timing"]) == {
        "step": "turn",
        "verdict": "late",
        "by": 3,
        "frames": 17,
        "window": [11, 14],
        "unsure": 0,
    }
    assert [found[name] for name in ("show", "next", "next-hint", "too-soon")] == [
        *(b"held_x_low", b"door", b"push", b"false"),
    ]
    assert json.loads(found["step-frames"])[0]["timing"] == RIGHT.as_json()
    assert topics.payloads(TOO_SOON)["too-soon"] == b"true"
    assert json.loads(topics.payloads(YET)["window"])["since"] is None


# pages

FROM_PYTHON = [IN_TIME, YET, TOO_SOON, replace(IN_TIME, last=SUCCESS, finished=())] + [
    replace(IN_TIME, last=failed(timing)) for timing, _ in SAID
]
WORDS = """
(async () => {
  const say = await import("/pages/shared/practice_words.js");
  return PRACTICES.map((each) => [
    say.timedWords(each), say.windowWords(each), say.lastTimingWords(each.last), say.where(each),
  ]);
})()
"""


@pytest.mark.needs("chromium", "chromium")
@pytest.mark.asyncio(loop_scope="module")
async def test_pages_say_the_same_words(page: Page, server: DeskServer) -> None:
    async with server.showing(full_desk()) as desk:
        await page.open(desk.url.replace("/desk", "/bare"))
        given = json.dumps([practice.as_json() for practice in FROM_PYTHON])
        found = await page.evaluate(WORDS.replace("PRACTICES", given))
    for practice, said in zip(FROM_PYTHON, found, strict=True):
        assert practice.last is not None
        outcome, _, timing = marked_words(practice.last).partition(", ")
        assert outcome in ("failed at turn", "success")
        where, _, _ = practice_words(practice, frames=False).partition("  ")
        assert said == [timed_words(practice), window_words(practice), timing, where]


@pytest.mark.needs("chromium", "chromium")
@pytest.mark.asyncio(loop_scope="module")
async def test_the_desk_tells_it(page: Page, server: DeskServer) -> None:
    async with server.showing(full_desk()) as desk:
        await show(page, desk)
        made = snapshot()
        made["practice"].update(window={"frames": [11, 14], "since": None}, last=None)
        made["practice"]["finished"][0]["timing"] = RIGHT.as_json()
        desk.tell(made)
        await page.wait_for(text("#practice .length"), "61 frames so far, window 11 to 14")
        assert await page.evaluate(texts(".steps .said")) == [
            "done, right (frame 12 of 11 to 14)", "now", "ahead"
        ]  # fmt: skip
        for since in (0, 1, 2):  # it goes on with every picture
            made["practice"]["window"]["since"] = since
            desk.tell(made)
            said = f"61 frames so far, frame {since} of 11 to 14"
            await page.wait_for(text("#practice .length"), said)
        made["practice"].update(phase="waiting", too_soon=1, window=None)
        made["practice"]["last"] = replace(IN_TIME, last=failed(LATE)).as_json()["last"]
        made["practice"]["last"]["attempt"] = 17
        desk.tell(made)
        await page.wait_for(
            text("#practice .sentence"),
            "attempt 18: step 2 of 3, turn, acted too soon: done before it began",
        )
        assert (await page.evaluate(texts(".past .words")))[1] == (
            "failed at turn, late by 3 (frame 17 of 11 to 14)"
        )


@pytest.mark.needs("chromium", "chromium")
@pytest.mark.asyncio(loop_scope="module")
async def test_the_overlay_tells_it(page: Page) -> None:
    server = OverlayServer(OverlayOutput(listen="127.0.0.1:0"), LOG)
    async with listening(server):
        server.publish(replace(three(1), practice=IN_TIME))
        await page.open(f"{server.url}overlay?show=steps,attempts")
        await page.wait_for(text("#steps .count"), "14 frames after 40, frame 7 of 11 to 14")
        hint = "corner right (frame 12 of 11 to 14); half a turn"
        assert await page.evaluate(text("#steps .hint")) == hint
        past = "last failed at turn, late by 3 (frame 17 of 11 to 14)"
        assert await page.evaluate(text("#attempts .past")) == past
        server.publish(replace(three(2), practice=TOO_SOON))
        await page.wait_for(
            text("#steps .where"),
            "attempt 18: step 2 of 3, turn, acted too soon: done before it began",
        )
        assert await page.evaluate(text("#steps .count")) == "14 frames"
