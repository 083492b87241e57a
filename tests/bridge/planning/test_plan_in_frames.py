"""A plan that a bridge file names, in every frame: its readings, slips, gaps, and new plans."""

from __future__ import annotations

import logging
import multiprocessing
from pathlib import Path
from types import SimpleNamespace

import pytest

from adapters.planning.advising import PlanAdvisingProcess
from adapters.sessions.bridge_file import load_bridge
from adapters.sessions.followed_plan import make_plan_tracker
from bridge.planning.following import JUST_NOW, MOMENT
from bridge.ports.plan_adviser import PlanAdvice, PlanQuestion
from bridge.practice.followed_plan import FollowedPlan, NewPlan
from bridge.prepared import prepare
from bridge.readings.frame import Frame
from bridge.sampling.plan_tracker import PlanTracker
from schemas.errors import BridgeFileError, PlanFileError
from tests.bridge.planning.followed_guest import BRIDGE, PLAN, SCHEMA, FollowedGuest, write_files


def said(frame: Frame) -> FollowedPlan:
    assert frame.plan is not None
    return frame.plan


async def test_every_frame_says_which_step_is_next(tmp_path: Path) -> None:
    guest = FollowedGuest(tmp_path)
    frame = await guest.see()
    plan = said(frame)
    assert (plan.name, plan.stand, plan.done) == ("gull", "on", 0)
    assert plan.next is not None
    assert (plan.next.action, plan.next.frames) == ("light_mist", 30)
    assert [frame["steps"].value, frame["twice"].value] == [0, 0]
    for number, name in enumerate(PLAN, 1):
        frame = await guest.do(name)
        plan = said(frame)
        assert plan.done == number
        assert frame["steps"].value == number
        assert plan.difference == plan.guess == plan.reason == ""
        # what the heap is and must be belongs to this frame
        wanted = [(at, size, used, owner) for at, size, used, owner in plan.now]
        if number < len(PLAN):
            assert plan.stand == "on"
            assert wanted != list(plan.wanted)
    assert said(frame).stand == "done"
    assert list(said(frame).now) == list(said(frame).wanted)
    assert not guest.adviser.asked


async def test_effects_one_by_one_are_under_way(tmp_path: Path) -> None:
    guest = FollowedGuest(tmp_path)
    await guest.see()
    await guest.do("light_mist")
    stages = guest.plan.course.ways[1]
    for number, moment in enumerate(stages[:-1], 1):
        plan = said(await guest.see(moment))
        assert (plan.stand, plan.done, plan.stage, plan.stages) == ("under way", 1, number, 8)


SLIPS = [
    ((), "call_gull", "was call_gull done before light_mist, gallery_door and break_crate?"),
    ((), "shoo_gull", "was shoo_gull done in place of light_mist?"),
    ((), "drop_crate", "was drop_crate done in place of light_mist?"),
    ((), "break_crate", "was break_crate done before light_mist and gallery_door?"),
    (PLAN[:1], "light_mist", "was light_mist done once more?"),
    (PLAN[:1], "call_gull", "was call_gull done before gallery_door and break_crate?"),
    (PLAN[:1], "shoo_gull", "was shoo_gull done in place of gallery_door?"),
    (PLAN[:1], "drop_crate", "was drop_crate done in place of gallery_door?"),
    (PLAN[:1], "break_crate", "was break_crate done before gallery_door?"),
    (PLAN[:2], "call_gull", "was call_gull done before break_crate?"),
    (PLAN[:2], "drop_crate", "was drop_crate done in place of break_crate?"),
    (PLAN[:2], "light_mist", "was light_mist done in place of break_crate?"),
    (PLAN[:2], "stairs", "was stairs done in place of break_crate?"),
    (PLAN[:3], "break_crate", "was break_crate done once more?"),
    (PLAN[:3], "light_mist", "was light_mist done in place of call_gull?"),
    (PLAN[:3], "stairs", "was stairs done in place of call_gull?"),
]


@pytest.mark.parametrize(("right", "wrong", "question"), SLIPS)
async def test_a_slip_is_named_with_a_new_plan(
    tmp_path: Path, right: tuple[str, ...], wrong: str, question: str
) -> None:
    guest = FollowedGuest(tmp_path)
    await guest.see()
    for name in right:
        await guest.do(name)
        await guest.see(frames=JUST_NOW + 1)
    await guest.do(wrong)
    frame = await guest.see(frames=MOMENT + 2)
    plan = said(frame)
    assert (plan.stand, frame["steps"].value) == ("off", -1)
    assert plan.guess == question
    assert " was to be" in plan.difference
    assert plan.new is not None
    assert plan.new.steps is not None
    assert plan.new.proved
    # the new plan is right: it leads to the goal from where the game stands
    for step in plan.new.steps:
        frame = await guest.do(step.action)
    blocks = {start: owner for start, _, used, owner in said(frame).now if used}
    assert blocks[0x8020_0010] == "gull"


async def test_back_on_the_plan_nothing_is_said_of_the_slip(tmp_path: Path) -> None:
    guest = FollowedGuest(tmp_path)
    await guest.see()
    await guest.do("drop_crate")
    assert said(await guest.see(frames=MOMENT + 2)).guess
    plan = said(await guest.see(guest.plan.course.moments[0], frames=JUST_NOW + 1))
    assert (plan.stand, plan.guess, plan.difference, plan.new) == ("on", "", "", None)


async def test_a_gap_is_told(tmp_path: Path) -> None:
    guest = FollowedGuest(tmp_path)
    await guest.see()
    plan = said(await guest.see(guest.plan.course.moments[3], missed=40))
    assert (plan.stand, plan.done) == ("on", 3)
    assert (plan.unseen, plan.missed) == (("light_mist", "gallery_door"), 40)


async def test_a_game_that_has_not_begun_is_waited_for(tmp_path: Path) -> None:
    guest = FollowedGuest(tmp_path)
    moment = guest.plan.course.ways[1][2]
    frame = await guest.see(moment, frames=2)
    plan = said(frame)
    assert (plan.stand, plan.done, frame["steps"].value) == ("waits", 0, -1)
    assert plan.difference
    assert plan.guess == ""
    assert plan.new is not None  # from here one may begin as well


async def test_a_damaged_heap_says_why_nothing_is_known(tmp_path: Path) -> None:
    guest = FollowedGuest(tmp_path)
    await guest.see()
    guest.source.poke(0x8021_F000, bytes.fromhex("80200001"))
    guest.number += 1
    guest.source.frame(guest.number)
    assert guest.sampler is not None
    plan = said(await guest.sampler.next())
    assert plan.stand == "waits"
    assert "damaged" in plan.reason
    assert (plan.done, plan.difference, plan.guess, plan.now) == (0, "", "", ())


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("frames = 30\nlimit = 3", "frames = 31\nlimit = 3",
         "plan gull: it was made for other [actions] or [state]; lowhalf plan makes it anew"),
        ("least_rest = 0x20", "least_rest = 0x40",
         "plan gull: it was made for another [allocator] or other sizes of first-print; "
         "lowhalf plan makes it anew"),
        ("[actions.break_crate]", "[actions.brake_crate]",
         "plan gull, step 3: the schema has no action break_crate; did you mean brake_crate?"),
    ],
)  # fmt: skip
def test_a_plan_of_another_schema_is_refused(
    tmp_path: Path, old: str, new: str, message: str
) -> None:
    path = write_files(tmp_path)
    schema = tmp_path / "t.schema.toml"
    assert SCHEMA.count(old) == 1
    schema.write_text(SCHEMA.replace(old, new), "utf-8")
    with pytest.raises(BridgeFileError) as fault:
        prepare(load_bridge(path))
    assert message in str(fault.value)


def test_what_is_wrong_with_the_table_is_told_with_its_line(tmp_path: Path) -> None:
    path = write_files(tmp_path, bridge=BRIDGE.replace('"gull.plan', '"gul.plan'))
    with pytest.raises(BridgeFileError) as fault:
        load_bridge(path)
    assert str(fault.value) == (
        f"{path}:8: plan.file: there is no file {tmp_path / 'gul.plan.toml'}; "
        "lowhalf plan makes one"
    )
    path = write_files(tmp_path, bridge=BRIDGE.replace('plan("gull")\'', 'plan("gul")\'', 1))
    with pytest.raises(BridgeFileError, match=r"unknown plan gul; did you mean gull\?"):
        prepare(load_bridge(path))
    (tmp_path / "gull.plan.toml").write_text("game = 1", "utf-8")
    with pytest.raises(PlanFileError, match=r"gull\.plan\.toml:1: game: expected a text, found 1"):
        load_bridge(path)


def test_on_another_build_it_says_for_which_it_was_made(tmp_path: Path) -> None:
    path = write_files(tmp_path, bridge=BRIDGE.replace('build = "first-print"', 'build = "export"'))
    bridge = load_bridge(path)
    prepared = prepare(bridge)  # another build may be asked for by the same file
    with pytest.raises(BridgeFileError) as fault:
        make_plan_tracker(bridge, prepared)
    assert str(fault.value) == (
        f"{path}:8: plan.file: plan gull was made for first-print, not for export"
    )


async def test_an_answer_is_told_of_a_game_that_is_halted(tmp_path: Path) -> None:
    guest = FollowedGuest(tmp_path)
    guest.adviser.late = True
    await guest.see()
    await guest.do("drop_crate")
    plan = said(await guest.see(frames=MOMENT + 2))
    assert (plan.stand, plan.guess, plan.new) == ("off", "", None)
    assert not guest.tracker.answered()
    guest.adviser.late = False
    assert guest.tracker.answered()
    assert guest.tracker.followed.guess == "was drop_crate done in place of light_mist?"
    assert guest.tracker.followed.new is not None
    assert not guest.tracker.answered()  # each is told once
    assert said(await guest.see()).guess  # and stays with the frames that stand so


async def test_a_process_beside_answers_while_frames_go_on(tmp_path: Path) -> None:
    guest = FollowedGuest(tmp_path)
    process = PlanAdvisingProcess({"first-print": guest.plan}, logging.getLogger("test"))
    guest.tracker = PlanTracker({"first-print": guest.plan}, process)
    try:
        await guest.see()
        await guest.do("drop_crate")
        await guest.see(frames=MOMENT + 2)
        assert process._process is not None
        assert process._process.pipe.poll(60)
        plan = said(await guest.see())
        assert plan.guess == "was drop_crate done in place of light_mist?"
        assert plan.new is not None
        assert plan.new.steps is not None
    finally:
        guest.tracker.close()


def test_an_answer_that_comes_behind_the_next_question_is_not_the_last(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What was asked before is answered, too; what is asked now is then still waited for."""
    here, there = multiprocessing.Pipe()
    made = SimpleNamespace(pipe=here, end=here.close)
    monkeypatch.setattr("adapters.planning.advising.SpawnedProcess", lambda *given: made)
    process = PlanAdvisingProcess({}, logging.getLogger("test"))
    for number in (1, 2):
        process.ask(PlanQuestion(number, "first-print", None, (), {}, None, ""))
    for number in (1, 2):
        answer = PlanAdvice(number, "", NewPlan(None, False, reason="tried"))
        there.send(answer)
        assert process.take() == answer
    assert process.take() is None
    process.close()
