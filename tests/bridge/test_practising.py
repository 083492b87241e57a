"""Steps and attempts in a daemon that runs: what frames show, what is kept, what cuts off."""

from __future__ import annotations

import asyncio
import logging
from pathlib import Path

import pytest

from bridge.attempts import Attempt, Kept, Outcome
from bridge.practice import Phase, Practice
from bridge.steps import StepOutcome
from bridge.totals import Rate
from tests.bridge.made_practice import ATTEMPTS, STEPS, Remembering, Rig

LAMP = 0x8000_2000


def where(practice: Practice) -> tuple[str, str, int, int]:
    return str(practice.phase), practice.step, practice.index, practice.frames


async def test_a_whole_attempt(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    rig.source.poke(LAMP, (5).to_bytes(4, "big"))
    async with rig.running():
        before = await rig.shown()
        assert where(before) == ("between", "", 0, 0)
        assert (before.steps, before.attempt, before.last) == (3, 0, None)
        begun = await rig.shown(room=1)
        assert where(begun) == ("running", "to the corner", 1, 0)
        assert (begun.hint, begun.attempt) == ("hug the wall", 1)
        assert [attempt.outcome for attempt in rig.keeper.begun] == [Outcome.OPEN]
        assert where(await rig.shown()) == ("running", "to the corner", 1, 1)
        # frames that are never sampled count too
        assert where(await rig.shown(10)) == ("running", "to the corner", 1, 8)
        waiting = await rig.shown(corner=1)
        assert where(waiting) == ("waiting", "turn", 2, 0)
        assert waiting.reason == "begin: lamp is null"
        assert where(await rig.shown(turned=1)) == ("waiting", "turn", 2, 1)
        assert where(await rig.shown(lamp=LAMP)) == ("running", "turn", 2, 0)
        assert (await rig.shown()).reason == ""
        # the turn became one before the step began; a second one counts
        at_door = await rig.shown(turned=2, token=0x1234_2B6D)
        assert where(at_door) == ("running", "through the door", 3, 0)
        assert at_door.attempt_frames == 13
        done = await rig.shown(door=1)
        assert where(done) == ("between", "", 0, 0)
    (ended,) = rig.keeper.ends
    assert done.last == ended
    assert (ended.outcome, ended.began_frame, ended.frames) == (Outcome.SUCCESS, 2, 14)
    assert ended.seconds == pytest.approx(9 * 0.25 - 0.25)
    assert [(s.name, s.outcome, s.waited, s.frames) for s in ended.steps] == [
        ("to the corner", StepOutcome.DONE, 0, 9),
        ("turn", StepOutcome.DONE, 2, 2),
        ("through the door", StepOutcome.DONE, 0, 1),
    ]
    assert ended.kept == (Kept("half", "ok", 0x2B6D, "0x2B6D"), Kept("oil", "ok", 5, "5"))
    assert done.score is not None
    assert (done.score.all, done.score.streak) == (Rate(1, 1), 1)
    assert rig.keeper.closed


async def test_a_failed_step_and_a_value_that_is_not_there(tmp_path: Path) -> None:
    rig = Rig(tmp_path, STEPS.replace('begin = "lamp.oil > 0"', "") + ATTEMPTS)
    async with rig.running():
        await rig.shown()
        await rig.shown(room=1)
        await rig.shown(corner=1)
        failed = await rig.shown(fell=1)
    (ended,) = rig.keeper.ends
    assert (ended.outcome, ended.step) == (Outcome.FAILED, "turn")
    assert ended.kept == (Kept("half", "ok", 0, "0x0000"), Kept("oil", "null", None, ""))
    assert failed.last == ended
    assert failed.score is not None
    assert dict(failed.score.steps) == {
        "to the corner": Rate(1, 1),
        "turn": Rate(0, 1),
        "through the door": Rate(0, 0),
    }


async def test_reset_keeps_no_values(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    async with rig.running():
        await rig.shown()
        await rig.shown(room=1)
        given_up = await rig.shown(room=9)
    (ended,) = rig.keeper.ends
    assert (ended.outcome, ended.step, ended.kept) == (Outcome.RESET, "to the corner", ())
    assert given_up.phase is Phase.BETWEEN


async def test_an_expression_without_a_value_is_not_true_and_says_so(tmp_path: Path) -> None:
    rig = Rig(tmp_path, STEPS + ATTEMPTS.replace('"room == 1"', '"lamp.oil == 3"'))
    async with rig.running():
        absent = await rig.shown()
        assert absent.reason == "start: lamp is null"
        rig.source.poke(LAMP, (3).to_bytes(4, "big"))
        # it had no value before: it was not true
        assert (await rig.shown(lamp=LAMP)).attempt == 1
        away = await rig.shown(lamp=0x7000_0000)
        assert away.reason == ""
        away = await rig.shown(corner=1)
        assert away.reason == "begin: lamp.oil: 0x70000000 is outside ram"
    assert [attempt.outcome for attempt in rig.keeper.ends] == [Outcome.CUT_OFF]


async def test_the_daemon_s_end_cuts_off(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    async with rig.running():
        await rig.shown()
        await rig.shown(room=1)
        await rig.shown()
    (ended,) = rig.keeper.ends
    assert (ended.outcome, ended.reason, ended.frames) == (Outcome.CUT_OFF, "lowhalf ended", 1)
    assert ended.step == "to the corner"
    # outputs are told as well
    practice = rig.output.frames[-1].practice
    assert practice is not None
    assert (practice.last, practice.ended) == (ended, 1)


async def test_a_guest_that_is_reset_cuts_off(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    async with rig.running():
        await rig.shown(500)
        await rig.shown(room=1)
        after = await rig.shown(3)
        # room is still 1: what was before the reset is not known
        assert after.phase is Phase.BETWEEN
        assert after.last is not None
        assert (after.last.outcome, after.last.reason) == (Outcome.CUT_OFF, "the game was reset")
        assert after.score is not None
        assert (after.score.all, after.score.cut_off) == (Rate(0, 0), 1)
        await rig.shown(room=0)
        assert (await rig.shown(room=1)).attempt == 2


async def test_a_source_that_is_lost_cuts_off(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    async with rig.running():
        await rig.shown()
        await rig.shown(room=1)
        count = len(rig.output.frames)
        rig.source.lose("went dark")
        gone = await rig.published(count)
        assert gone.practice is not None
        assert gone.practice.phase is Phase.BETWEEN
        assert gone.practice.last is not None
        assert gone.practice.last.reason == "the source was lost"
        rig.source.restore()
        count = len(rig.output.frames)
        back = await rig.frame()
        while not back.number or back.note:
            count += 1
            back = await rig.published(count)
        assert back.practice is not None
        assert back.practice.attempt == 0
    assert [attempt.outcome for attempt in rig.keeper.ends] == [Outcome.CUT_OFF]


async def test_another_build_cuts_off(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    async with rig.running():
        await rig.shown()
        await rig.shown(room=1)
        rig.source.poke(0x8000_0400, b"TIDE 1.1")
        count = len(rig.output.frames)
        rig.number += 1
        rig.poke(frame=rig.number)
        rig.source.frame(rig.number)
        await asyncio.sleep(0.05)
        rig.number += 1
        rig.source.frame(rig.number)
        after = await rig.published(count)
        assert after.build == "export"
        assert after.practice is not None
        assert after.practice.attempt == 0
    (ended,) = rig.keeper.ends
    assert (ended.outcome, ended.build) == (Outcome.CUT_OFF, "print")
    assert ended.reason == "the game is not recognised any more"


async def test_totals_go_on_from_what_is_kept(tmp_path: Path) -> None:
    good = Attempt(6, "print", 1, 1.0, Outcome.SUCCESS, frames=9, seconds=1.0)
    cut = Attempt(7, "print", 1, 1.0, Outcome.CUT_OFF)
    rig = Rig(tmp_path, keeper=Remembering([good, cut]))
    async with rig.running():
        first = await rig.shown()
        assert first.last == cut
        assert first.score is not None
        assert (first.score.all, first.score.streak, first.score.cut_off) == (Rate(1, 1), 1, 1)
        assert (await rig.shown(room=1)).attempt == 8


async def test_where_nothing_can_be_kept_all_goes_on(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.ERROR)
    rig = Rig(tmp_path, keeper=Remembering(fault="a.sqlite cannot be written: no"))
    async with rig.running():
        await rig.shown()
        assert (await rig.shown(room=1)).attempt == 1
        assert (await rig.shown(room=9)).last is not None
    assert [record.getMessage() for record in caplog.records] == [
        "attempts: a.sqlite cannot be written: no; nothing is kept in this run"
    ]
    assert rig.keeper.begun == rig.keeper.ends == []


async def test_all_that_ended_is_there_for_who_looks_seldom(tmp_path: Path) -> None:
    """``last`` shows one attempt at a time; what ended in between is counted, and among recent."""
    rig = Rig(tmp_path)
    async with rig.running():
        before = await rig.shown()
        assert (before.ended, before.recent) == (0, ())
        await rig.shown(room=1)
        await rig.shown(room=0)
        await rig.shown(room=1)
        await rig.shown(room=0)
        now = await rig.shown(room=1)
        assert (now.attempt, now.ended) == (3, 2)
        assert [(a.number, str(a.outcome)) for a in now.recent] == [(1, "reset"), (2, "reset")]
        assert now.last == now.recent[-1]
        # a frame in which none ends says the same
        assert (await rig.shown()).ended == 2


async def test_steps_alone_begin_again(tmp_path: Path) -> None:
    rig = Rig(tmp_path, STEPS.replace('begin = "lamp.oil > 0"', ""))
    async with rig.running():
        first = await rig.shown()
        assert where(first) == ("running", "to the corner", 1, 0)
        assert (first.score, first.attempt) == (None, 0)
        await rig.shown(corner=1)
        failed = await rig.shown(fell=1)
        assert failed.last is not None
        assert (failed.last.outcome, failed.last.step) == (Outcome.FAILED, "turn")
        assert (failed.last.began_frame, failed.last.frames) == (1, 2)
        assert where(failed) == ("running", "to the corner", 1, 0)
        await rig.shown(fell=0)
        await rig.shown(turned=1)
        done = await rig.shown(door=1, corner=0)
        assert done.last is not None
        assert (done.ended, [way.outcome for way in done.recent]) == (
            2,
            [Outcome.FAILED, Outcome.SUCCESS],
        )
        assert (done.last.outcome, done.last.frames) == (Outcome.SUCCESS, 3)
        assert where(done) == ("running", "to the corner", 1, 0)
        assert where(await rig.shown()) == ("running", "to the corner", 1, 1)
    assert rig.keeper.begun == rig.keeper.ends == []


async def test_attempts_alone(tmp_path: Path) -> None:
    attempts = ATTEMPTS.replace("reset", 'success = "door"\nreset')
    rig = Rig(tmp_path, attempts)
    async with rig.running():
        await rig.shown()
        running = await rig.shown(room=1)
        assert (running.phase, running.step, running.steps) == (Phase.RUNNING, "", 0)
        await rig.shown()
        assert (await rig.shown()).attempt_frames == 2
        assert (await rig.shown(door=1)).phase is Phase.BETWEEN
    assert [(a.outcome, a.frames) for a in rig.keeper.ends] == [(Outcome.SUCCESS, 3)]


async def test_all_steps_done_waits_for_the_success(tmp_path: Path) -> None:
    text = STEPS.replace('begin = "lamp.oil > 0"', "")
    rig = Rig(tmp_path, text + ATTEMPTS.replace("reset", 'success = "token == 7"\nreset'))
    async with rig.running():
        await rig.shown()
        await rig.shown(room=1)
        done = await rig.shown(corner=1, turned=1, door=1)
        assert where(done) == ("done", "", 0, 0)
        assert (await rig.shown(token=7)).phase is Phase.BETWEEN
    assert [s.frames for s in rig.keeper.ends[0].steps] == [1, 0, 0]


async def test_tallies_are_told_with_their_build(tmp_path: Path) -> None:
    rig = Rig(tmp_path, '[[watches]]\nname = "t"\nexpr = "tally(half, corner == 1)"\n')
    async with rig.running():
        frame = await rig.frame(token=0x2B6D)
        assert frame.practice is None
        assert "practice" not in frame.as_json()
        frame = await rig.frame(corner=1)
        assert frame.readings[-1].value == 0x2B6D
        await rig.frame(corner=0, token=0x77)
        await rig.frame(corner=1)
    text = "tally(half, corner == 1)"
    assert rig.keeper.moments == [(text, "print", 0x2B6D), (text, "print", 0x77)]


async def test_the_json_of_a_frame(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    async with rig.running():
        await rig.frame()
        frame = await rig.frame(room=1)
    assert frame.as_json()["practice"] == {
        "phase": "running",
        "step": "to the corner",
        "index": 1,
        "steps": 3,
        "frames": 0,
        "hint": "hug the wall",
        "reason": "",
        "last": None,
        "attempt": 1,
        "attempt_frames": 0,
        "attempts": 0,
        "successes": 0,
        "rate": None,
        "interval": [0.0, 1.0],
        "streak": 0,
        "cut_off": 0,
        "step_rates": [
            {"step": name, "good": 0, "count": 0, "rate": None, "interval": [0.0, 1.0]}
            for name in ("to the corner", "turn", "through the door")
        ],
    }
