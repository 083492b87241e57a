"""Steps and attempts in a daemon that runs: what frames show, what is kept, what cuts off."""

from __future__ import annotations

import asyncio
import logging
from pathlib import Path

import pytest

from bridge.ports.source import Consistency
from bridge.practice.attempts import Attempt, Kept, Outcome
from bridge.practice.progress import Phase, Practice
from bridge.practice.steps import StepOutcome
from bridge.practice.totals import Rate
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
        assert [(s.name, s.waited, s.frames) for s in at_door.finished] == [
            ("to the corner", 0, 9),
            ("turn", 2, 2),
        ]
        done = await rig.shown(door=1)
        assert where(done) == ("between", "", 0, 0)
        assert done.finished == ()
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


async def test_giving_up_keeps_no_values(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    async with rig.running():
        await rig.shown()
        await rig.shown(room=1)
        given_up = await rig.shown(room=9)
    (ended,) = rig.keeper.ends
    assert (ended.outcome, ended.step, ended.kept) == (Outcome.GIVEN_UP, "to the corner", ())
    assert given_up.phase is Phase.BETWEEN


async def test_an_expression_without_a_value_is_not_true_and_says_so(tmp_path: Path) -> None:
    rig = Rig(tmp_path, STEPS + ATTEMPTS.replace('"room == 1"', '"lamp.oil == 3"'))
    async with rig.running():
        absent = await rig.shown()
        assert absent.reason == "begins: lamp is null"
        rig.source.poke(LAMP, (3).to_bytes(4, "big"))
        # it had no value before: it was not true
        assert (await rig.shown(lamp=LAMP)).attempt == 1
        away = await rig.shown(lamp=0x7000_0000)
        assert away.reason == ""
        away = await rig.shown(corner=1)
        assert away.reason == "begin: lamp.oil: 0x70000000 is outside ram"
    assert [attempt.outcome for attempt in rig.keeper.ends] == [Outcome.CUT_OFF]


GAME_STEPS = STEPS.replace('begin = "lamp.oil > 0"', "")


async def test_missed_frames_mark_the_attempt_and_its_steps(tmp_path: Path) -> None:
    rig = Rig(tmp_path, GAME_STEPS + ATTEMPTS)
    async with rig.running():
        await rig.shown()
        await rig.shown(room=1)
        open_one = await rig.shown()
        assert (open_one.attempt_frames, open_one.attempt_frames_seen) == (1, 1)
        assert open_one.attempt_whole is True
        await rig.shown(corner=1)
        # 5 to 7 are missed; the turn was done somewhere in them, or now
        turned = await rig.shown(8, turned=1)
        assert (turned.attempt_frames, turned.attempt_frames_seen) == (6, 3)
        assert turned.attempt_whole is False
        await rig.shown(door=1)
        rig.poke(corner=0, door=0)
        await rig.shown(room=0)
        await rig.shown(room=1)
        clean = await rig.shown(corner=1, turned=2, door=1)
    marked, whole = rig.keeper.ends
    assert (marked.outcome, marked.frames, marked.frames_seen) == (Outcome.SUCCESS, 7, 4)
    assert (marked.whole, marked.unseen_before) == (False, 0)
    assert [(s.name, s.frames, s.frames_seen, s.whole) for s in marked.steps] == [
        ("to the corner", 2, 2, True),
        ("turn", 4, 1, False),
        # it was reached in the gap, or behind it
        ("through the door", 1, 1, False),
    ]
    assert (whole.whole, [s.whole for s in whole.steps]) == (True, [True, True, True])
    assert clean.score is not None
    assert (clean.score.all, clean.score.not_whole) == (Rate(2, 2), 1)
    shown = clean.as_json()
    assert (shown["last"]["frames_seen"], shown["last"]["whole"]) == (1, True)
    assert (shown["not_whole"], shown["attempt_frames_seen"], shown["attempt_whole"]) == (
        *(1, None, None),
    )


async def test_an_attempt_that_began_in_missed_frames_begins_with_the_first_of_them(
    tmp_path: Path,
) -> None:
    rig = Rig(tmp_path, GAME_STEPS + ATTEMPTS)
    async with rig.running():
        await rig.shown()
        # 2 to 4 are missed
        begun = await rig.shown(5, room=1)
        assert (begun.attempt_frames, begun.attempt_frames_seen) == (3, 0)
        await rig.shown(corner=1)
        await rig.shown(fell=1)
    (ended,) = rig.keeper.ends
    assert (ended.began_frame, ended.frames, ended.frames_seen, ended.whole) == (2, 5, 2, False)
    assert ended.unseen_before == 3
    assert [(s.frames, s.frames_seen, s.whole) for s in ended.steps] == [
        (4, 1, False),
        (1, 1, True),
    ]


async def test_missed_frames_between_attempts_are_told_with_the_next(tmp_path: Path) -> None:
    rig = Rig(tmp_path, GAME_STEPS + ATTEMPTS)
    async with rig.running():
        await rig.shown()
        between = await rig.shown(4)
        assert between.score is not None
        assert between.score.unseen_between == 2
        await rig.shown(room=1)
        await rig.shown(room=9)
        after = await rig.shown()
    (ended,) = rig.keeper.ends
    assert (ended.whole, ended.unseen_before) == (True, 2)
    assert after.score is not None
    assert after.score.unseen_between == 2


async def test_a_counter_tells_of_attempts_that_nobody_saw(tmp_path: Path) -> None:
    rig = Rig(tmp_path, GAME_STEPS + ATTEMPTS.replace('"room == 1"', '"change(token) > 0"'))
    async with rig.running():
        await rig.shown()
        await rig.shown(token=1)
        # 3 to 6 are missed, in which two more began
        after = await rig.shown(7, token=3)
        assert after.attempt == 3
        # what rose in the gap may rise again at once
        assert (await rig.shown(token=4)).attempt == 4
        await rig.shown(room=9)
    first, hidden, third, fourth = rig.keeper.ends
    assert [a.outcome for a in rig.keeper.begun] == [Outcome.OPEN] * 3
    assert (first.outcome, first.reason, first.whole) == (Outcome.GIVEN_UP, "started again", False)
    assert (hidden.outcome, hidden.reason) == (Outcome.CUT_OFF, "none of its frames was seen")
    assert (hidden.number, hidden.began_frame, hidden.frames, hidden.frames_seen) == (2, 3, 4, 0)
    assert (hidden.whole, hidden.steps) == (False, ())
    assert (third.number, third.began_frame, third.whole) == (3, 3, False)
    # whether 7 and 8 were two moments or one that lasted is not certain
    assert (fourth.outcome, fourth.frames_seen, fourth.whole) == (Outcome.GIVEN_UP, 1, False)


async def test_starting_again_is_no_failure(tmp_path: Path) -> None:
    """A loaded state makes the step's fail true in the frame in which start becomes true."""
    rig = Rig(tmp_path, GAME_STEPS + ATTEMPTS.replace('"room == 1"', '"change(token) > 0"'))
    async with rig.running():
        await rig.shown()
        await rig.shown(token=1)
        await rig.shown(corner=1)
        again = await rig.shown(token=2, fell=1, corner=0)
        assert again.attempt == 2
        await rig.shown(fell=0)
    first, _ = rig.keeper.ends
    assert (first.outcome, first.reason, first.step) == (Outcome.GIVEN_UP, "started again", "turn")
    assert [s.outcome for s in first.steps] == [StepOutcome.DONE, StepOutcome.GIVEN_UP]
    assert again.score is not None
    assert dict(again.score.steps)["turn"] == Rate(0, 1)


async def test_a_counter_that_jumps_ahead_cuts_off(tmp_path: Path) -> None:
    """Four frames a second are seen, and no time passes that explains thousands."""
    rig = Rig(tmp_path)
    async with rig.running():
        await rig.shown()
        await rig.shown(room=1)
        for _ in range(6):
            await rig.shown()
        after = await rig.shown(9000, fell=1)
        assert after.phase is Phase.BETWEEN
        assert after.last is not None
        assert (after.last.outcome, after.last.reason, after.last.frames) == (
            Outcome.CUT_OFF,
            "the game's frame counter jumped",
            6,
        )
        assert (after.last.whole, rig.output.frames[-1].stats.resets) == (True, 1)
        await rig.shown(room=0)
        assert (await rig.shown(room=1)).attempt == 2
    assert rig.keeper.ends[1].unseen_before == 0


async def test_dumps_that_lie_far_apart_are_no_jump(tmp_path: Path) -> None:
    rig = Rig(tmp_path, '[[watches]]\nname = "moved"\nexpr = "change(token)"\n')
    rig.source.consistency = Consistency.STILL
    async with rig.running():
        for _ in range(8):
            await rig.frame()
        far = await rig.frame(9000, token=7)
        assert (far.readings[2].value, far.stats.resets) == (7, 0)


async def test_frames_that_the_time_explains_are_missed_and_no_jump(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    async with rig.running():
        await rig.shown()
        await rig.shown(room=1)
        for _ in range(6):
            await rig.shown()
        rig.clock.seconds += 60
        after = await rig.shown(3600)
        assert (after.attempt, after.attempt_frames, after.attempt_frames_seen) == (1, 3598, 7)
        assert after.attempt_whole is False


async def test_an_attempt_that_nothing_ends_is_told_to_be_long(tmp_path: Path) -> None:
    good = Attempt(6, "print", 1, 1.0, Outcome.SUCCESS, frames=300, seconds=1.0)
    cut = Attempt(7, "print", 1, 1.0, Outcome.CUT_OFF, frames=50_000, seconds=1.0)
    rig = Rig(tmp_path, keeper=Remembering([good, cut]))
    async with rig.running():
        await rig.shown()
        await rig.shown(room=1)
        assert not (await rig.shown(902)).attempt_long
        assert (await rig.shown(903)).attempt_long
        assert (await rig.shown(904)).as_json()["attempt_long"] is True
    rig = Rig(tmp_path)
    async with rig.running():
        await rig.shown()
        await rig.shown(room=1)
        # none has ended: five minutes at 60 frames a second
        assert not (await rig.shown(18_002)).attempt_long
        assert (await rig.shown(18_003)).attempt_long


async def test_what_a_function_remembers_of_a_gap_marks_later_attempts(tmp_path: Path) -> None:
    """The attempt itself was seen whole, but how long the door had been open was not."""
    tables = STEPS.partition('[[steps]]\nname = "turn"')[0].replace(
        'done = "corner"', 'done = "frames_of(door == 1) >= 20"'
    )
    rig = Rig(tmp_path, tables + ATTEMPTS)
    async with rig.running():
        await rig.shown()
        await rig.shown(6, door=1)
        await rig.shown(room=1)
        await rig.shown()
        await rig.shown(room=9)
        await rig.shown(door=0)
        await rig.shown(door=1)
        await rig.shown(room=1)
        await rig.shown(room=9)
    doubted, sure = rig.keeper.ends
    assert (doubted.frames, doubted.frames_seen) == (2, 2)
    assert (doubted.doubtful, doubted.whole, doubted.steps[0].whole) == (True, False, False)
    assert (sure.doubtful, sure.whole) == (False, True)


async def test_a_watch_over_missed_frames_says_so(tmp_path: Path) -> None:
    tables = (
        '[[watches]]\nname = "often"\nexpr = "count(corner == 1)"\ntarget = { equals = 2 }\n'
        '[[watches]]\nname = "moved"\nexpr = "change(token)"\n'
    )
    rig = Rig(tmp_path, tables)
    said = "of the frames that it is made of some were missed"
    async with rig.running():
        await rig.frame(corner=0)
        seen = await rig.frame(corner=1)
        gap = await rig.frame(9, corner=1)
        after = await rig.frame()
        reset = await rig.frame(1)
    found = [
        [(reading.status.value, reading.reason) for reading in frame.readings[2:]]
        for frame in (seen, gap, after)
    ]
    assert found == [
        [("ok", ""), ("ok", "")],
        [("ok", said), ("ok", said)],
        [("ok", said), ("ok", "")],
    ]
    assert [reading.as_json()["reason"] for reading in gap.readings[2:]] == [said, said]
    assert reset.readings[2].reason == ""
    # a watch that spans no frames says nothing
    assert [reading.reason for reading in gap.readings[:1]] == [""]


async def test_steps_alone_are_marked_too(tmp_path: Path) -> None:
    rig = Rig(tmp_path, GAME_STEPS)
    async with rig.running():
        await rig.shown()
        await rig.shown(corner=1)
        failed = await rig.shown(6, fell=1)
        assert failed.last is not None
        assert (failed.last.frames, failed.last.frames_seen, failed.last.whole) == (5, 2, False)
        await rig.shown(fell=0)
        again = await rig.shown(fell=1)
        assert again.last is not None
        assert (again.last.frames, again.last.frames_seen) == (2, 2)


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
        assert [(a.number, str(a.outcome)) for a in now.recent] == [
            (1, "given-up"),
            (2, "given-up"),
        ]
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
    attempts = ATTEMPTS.replace("given_up", 'succeeds = "door"\ngiven_up')
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
    rig = Rig(tmp_path, text + ATTEMPTS.replace("given_up", 'succeeds = "token == 7"\ngiven_up'))
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
        # the corner was reached in one of three frames, with nobody knows which token
        await rig.frame(corner=0)
        await rig.frame(9, corner=1, token=0x99)
    text = "tally(half, corner == 1)"
    assert rig.keeper.apart == [(text, "print", 0x99)]
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
        "show": None,
        "next": {"step": "turn", "hint": ""},
        "window": None,
        "too_soon": None,
        "finished": [],
        "last": None,
        "attempt": 1,
        "attempt_frames": 0,
        "attempt_frames_seen": 0,
        "attempt_whole": True,
        "attempt_long": False,
        "attempts": 0,
        "successes": 0,
        "rate": None,
        "interval": [0.0, 1.0],
        "streak": 0,
        "cut_off": 0,
        "not_whole": 0,
        "unseen_between": 0,
        "best": None,
        "median": None,
        "session": {
            "session": 1,
            "attempts": 0,
            "successes": 0,
            "rate": None,
            "interval": [0.0, 1.0],
            "streak": 0,
            "best": None,
            "median": None,
        },
        "step_rates": [
            {"step": name, "good": 0, "count": 0, "rate": None, "interval": [0.0, 1.0]}
            for name in ("to the corner", "turn", "through the door")
        ],
    }
