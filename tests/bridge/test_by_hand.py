"""Attempts that the runner counts: between frames, while the source is gone, and taken back."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.ports.counting_by_hand import CountingByHand
from bridge.practice.attempts import AGAIN, Attempt, Kept, Outcome
from bridge.practice.progress import Practice
from bridge.practice.steps import StepOutcome
from bridge.practice.totals import Rate
from bridge.values.status import Status
from schemas.errors import OutputError
from tests.bridge.made_practice import ATTEMPTS, STEPS, Remembering, Rig

BY_HAND = '[attempts]\nby_hand = true\nkeep = ["half"]\n'


def hand_of(rig: Rig) -> CountingByHand:
    assert rig.tracker.by_hand is not None
    return rig.tracker.by_hand


def newest(rig: Rig) -> Practice:
    practice = rig.output.frames[-1].practice
    assert practice is not None
    return practice


def rates(practice: Practice) -> tuple[Rate, int]:
    assert practice.score is not None
    return practice.score.all, practice.score.streak


async def test_an_attempt_by_hand_alone(tmp_path: Path) -> None:
    rig = Rig(tmp_path, BY_HAND)
    async with rig.running():
        assert (await rig.shown(token=0x1234_2B6D)).attempt == 0
        count = len(rig.output.frames)
        assert hand_of(rig).again() == "attempt 1 begins"
        # told at once, with the frame that was taken last
        told = await rig.published(count)
        assert (told.number, told.practice and told.practice.attempt) == (1, 1)
        for _ in range(6):
            await rig.shown()
        rig.clock.seconds += 0.5
        assert hand_of(rig).count() == "attempt 1 is a success"
        practice = newest(rig)
        assert (practice.attempt, rates(practice)) == (0, (Rate(1, 1), 1))
        assert practice.score is not None
        assert (practice.score.best, practice.score.median) == (6, 6)
        assert practice.as_json()["last"]["by_hand"] is True
    (ended,) = rig.keeper.ends
    assert (ended.outcome, ended.frames, ended.frames_seen, ended.seconds, ended.by_hand) == (
        *(Outcome.SUCCESS, 6, 6, 2.0, True),
    )
    assert (ended.build, ended.session, ended.whole) == ("print", 1, True)
    assert ended.kept == (Kept("half", "ok", 0x2B6D, "0x2B6D"),)
    assert [each.number for each in rig.keeper.begun] == [1]


async def test_a_success_of_which_nothing_is_known(tmp_path: Path) -> None:
    rig = Rig(tmp_path, BY_HAND)
    async with rig.running():
        await rig.shown()
        assert hand_of(rig).count() == "attempt 1 is a success; how long it took is not known"
        assert rates(newest(rig)) == (Rate(1, 1), 1)
    (ended,) = rig.keeper.ends
    assert (ended.frames, ended.seconds, ended.whole, ended.by_hand) == (None, None, None, True)


async def test_again_gives_up_what_is_open(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    async with rig.running():
        await rig.shown()
        await rig.shown(room=1)
        await rig.shown(corner=1)
        # an expression began it, a hand ends it
        assert hand_of(rig).again() == "attempt 2 begins; 1 is given up"
        assert rates(newest(rig)) == (Rate(0, 1), 0)
        assert newest(rig).step == "to the corner"
        # and the other way round
        after = await rig.shown(corner=0)
        assert (after.attempt, after.attempt_frames) == (2, 1)
        await rig.shown(room=9)
    first, second = rig.keeper.ends
    assert (first.outcome, first.reason, first.by_hand) == (Outcome.GIVEN_UP, AGAIN, True)
    assert [step.outcome for step in first.steps] == [StepOutcome.DONE, StepOutcome.GIVEN_UP]
    assert (second.outcome, second.reason, second.by_hand) == (Outcome.GIVEN_UP, "", True)
    assert second.frames == 2


async def test_steps_of_a_success_by_hand_are_neither_done_nor_failed(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    async with rig.running():
        await rig.shown()
        await rig.shown(room=1)
        await rig.shown(corner=1)
        hand_of(rig).count()
        assert newest(rig).score is not None
    (ended,) = rig.keeper.ends
    assert [(s.name, s.outcome) for s in ended.steps] == [
        ("to the corner", StepOutcome.DONE),
        ("turn", StepOutcome.UNFINISHED),
    ]
    assert ended.step == ""


async def test_undo_takes_back_one_after_the_other(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    async with rig.running():
        await rig.shown()
        for outcome in ("room", "count", "room"):
            await rig.shown(room=1)
            if outcome == "count":
                await rig.shown(room=0)
                hand_of(rig).count()
            else:  # judged by the expressions
                await rig.shown(room=9)
        await rig.shown(room=1)  # open, and goes on
        assert rates(newest(rig)) == (Rate(1, 3), 0)
        hand = hand_of(rig)
        assert hand.undo() == "attempt 3, given-up, does not count any more"
        assert rates(newest(rig)) == (Rate(1, 2), 1)
        last = newest(rig).last
        assert last is not None
        assert last.number == 2
        assert newest(rig).attempt == 4
        assert hand.undo() == "attempt 2, success, does not count any more"
        assert rates(newest(rig)) == (Rate(0, 1), 0)
        practice = newest(rig)
        assert practice.score is not None
        assert (practice.score.best, practice.score.median) == (None, None)
        assert practice.session_score == practice.score
        assert hand.undo() == "attempt 1, given-up, does not count any more"
        assert newest(rig).last is None
        with pytest.raises(OutputError, match="no attempt is left that could be taken back"):
            hand.undo()
    # kept, and marked: each is written over
    assert [(each.number, each.undone) for each in rig.keeper.ends] == [
        *((1, False), (2, False), (3, False), (3, True), (2, True), (1, True)),
        (4, False),  # cut off at the end
    ]


async def test_what_was_cut_off_is_not_taken_back(tmp_path: Path) -> None:
    kept = [
        Attempt(1, "print", 5, 900.0, Outcome.SUCCESS, frames=70, seconds=1.0),
        Attempt(2, "print", 9, 950.0, Outcome.CUT_OFF, frames=7, seconds=1.0),
    ]
    rig = Rig(tmp_path, BY_HAND, Remembering(kept))
    async with rig.running():
        await rig.shown()
        assert rates(newest(rig)) == (Rate(1, 1), 1)
        # of a run before this one
        assert hand_of(rig).undo() == "attempt 1, success, does not count any more"
        assert rates(newest(rig)) == (Rate(0, 0), 0)
        last = newest(rig).last
        assert last is not None
        assert last.number == 2


async def test_while_the_source_is_gone(tmp_path: Path) -> None:
    rig = Rig(tmp_path, BY_HAND)
    async with rig.running():
        await rig.shown()
        rig.source.lose("went dark")
        rig.source.frame(2)
        while rig.output.frames[-1].readings[0].status is not Status.OFFLINE:
            await rig.published(len(rig.output.frames))
        count = len(rig.output.frames)
        hand_of(rig).again()
        told = await rig.published(count)
        assert told.readings[0].status is Status.OFFLINE
        assert told.practice is not None
        assert told.practice.attempt == 1
        rig.clock.seconds += 4
        # it is tried again and again meanwhile, which cuts off nothing
        while len(rig.output.frames) < count + 5:
            await rig.published(len(rig.output.frames))
        assert newest(rig).attempt == 1
        hand_of(rig).count()
        assert rates(newest(rig)) == (Rate(1, 1), 1)
        hand_of(rig).again()
        rig.source.restore()
        while newest(rig).attempt_frames != 3:
            rig.clock.seconds += 0.25
            await rig.shown()
        practice = newest(rig)
        assert (practice.attempt, practice.attempt_whole) == (2, False)
        hand_of(rig).count()
    first, second = rig.keeper.ends
    assert (first.frames, first.seconds, first.outcome) == (None, 4.0, Outcome.SUCCESS)
    # where it began among the frames is not known
    assert (second.frames, second.outcome, second.whole) == (None, Outcome.SUCCESS, False)


@pytest.mark.parametrize(("number", "frames"), [(2, 1), (9, None)])
async def test_where_frames_are_few_the_next_one_tells(
    tmp_path: Path, number: int, frames: int | None
) -> None:
    """A game that stood still goes on with the next frame; one that did not has gone on unseen."""
    rig = Rig(tmp_path, BY_HAND)
    async with rig.running():
        await rig.shown()
        rig.clock.seconds += 60
        hand_of(rig).again()
        rig.clock.seconds += 1
        await rig.shown(number)
        hand_of(rig).count()
        # and at the end nothing comes behind it that tells
        hand_of(rig).again()
        rig.clock.seconds += 5
        hand_of(rig).count()
    first, second = rig.keeper.ends
    assert (first.frames, first.seconds) == (frames, 1.25)
    assert (second.frames, second.seconds, second.whole) == (None, 5.0, None)


async def test_numbers_go_on_from_those_that_are_kept(tmp_path: Path) -> None:
    """Before they are read nothing is counted: it would be written over one of them."""
    rig = Rig(
        tmp_path,
        STEPS + ATTEMPTS,
        Remembering([Attempt(41, "print", 5, 900.0, Outcome.GIVEN_UP)]),
    )
    with pytest.raises(OutputError, match="lowhalf starts, or ends"):
        hand_of(rig).count()
    async with rig.running():
        await rig.shown()
        assert hand_of(rig).again() == "attempt 42 begins"
    with pytest.raises(OutputError, match="lowhalf starts, or ends"):
        hand_of(rig).again()
    assert [each.number for each in rig.keeper.ends] == [42]


async def test_half_an_hour_without_an_attempt_begins_a_session(tmp_path: Path) -> None:
    rig = Rig(tmp_path, BY_HAND)
    async with rig.running():
        shown = await rig.shown()
        assert (shown.session, shown.session_score and shown.session_score.all) == (1, Rate(0, 0))
        hand_of(rig).count()
        rig.clock.day += 1800
        assert (await rig.shown()).session == 2  # 0.25 s more than half an hour
        assert newest(rig).as_json()["session"]["attempts"] == 0
        hand_of(rig).again()
        rig.clock.day += 4000  # long, but open
        rig.clock.seconds += 4000
        assert (await rig.shown()).session == 2
        hand_of(rig).count()
        hand_of(rig).count()
        practice = newest(rig)
        assert (practice.session, rates(practice)) == (2, (Rate(3, 3), 3))
        assert practice.as_json()["session"]["attempts"] == 2
        hand_of(rig).undo()
        hand_of(rig).undo()
        hand_of(rig).undo()
        assert newest(rig).as_json()["session"]["attempts"] == 0
        assert rates(newest(rig)) == (Rate(0, 0), 0)
    assert [each.session for each in rig.keeper.ends[:3]] == [1, 2, 2]


async def test_cut_off_before_a_frame_tells_how_long_it_was(tmp_path: Path) -> None:
    rig = Rig(tmp_path, BY_HAND)
    async with rig.running():
        await rig.shown()
        rig.clock.seconds += 60
        hand_of(rig).again()
        rig.clock.seconds += 9
    (ended,) = rig.keeper.ends
    assert (ended.outcome, ended.frames, ended.whole) == (Outcome.CUT_OFF, None, None)


async def test_a_session_lasts_over_a_restart(tmp_path: Path) -> None:
    kept = Attempt(
        *(7, "print", 5, 900.0, Outcome.SUCCESS), frames=70, seconds=60.0, session=3, by_hand=True
    )
    rig = Rig(tmp_path, BY_HAND, Remembering([kept]))
    rig.clock.day = 960.0 + 1799
    async with rig.running():
        shown = await rig.shown()
        assert (shown.session, shown.session_score and shown.session_score.all) == (3, Rate(1, 1))
        hand_of(rig).count()
        assert newest(rig).as_json()["session"]["attempts"] == 2
        # and behind it the next one begins
        rig.clock.day += 1801
        await rig.shown()
        hand_of(rig).count()
        assert newest(rig).as_json()["session"]["attempts"] == 1
    assert [(each.number, each.session) for each in rig.keeper.ends] == [(8, 3), (9, 4)]
