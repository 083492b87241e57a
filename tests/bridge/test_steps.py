"""The way through the steps: what is done, failed and waited for, frame by frame."""

from __future__ import annotations

from bridge.practice.steps import Step, StepOutcome, StepResult, StepSeen, Way

CORNER, TURN, DOOR = Step("corner"), Step("turn", "half a turn", waits=True), Step("door")
NO, DONE, FAIL = StepSeen(), StepSeen(done=True), StepSeen(fail=True)
BOTH = StepSeen(done=True, fail=True)
BEGIN = StepSeen(begin=True)


def way(*steps: Step) -> Way:
    return Way(steps, 100, 10.0)


def test_one_after_the_other() -> None:
    found = way(CORNER, DOOR)
    assert (found.current, found.begun, found.frames(100)) == (CORNER, True, 0)
    found.take([NO, NO], 101, 10.1)
    assert found.current == CORNER
    assert found.frames(101) == 1
    found.take([DONE, NO], 105, 10.5)
    assert (found.current, found.index, found.frames(105)) == (DOOR, 1, 0)
    found.take([NO, DONE], 112, 11.25)
    assert found.finished
    assert found.current is None
    assert found.results == [
        StepResult("corner", StepOutcome.DONE, 0, 5, 0.5),
        StepResult("door", StepOutcome.DONE, 0, 7, 0.75),
    ]


def test_several_in_one_frame() -> None:
    found = way(CORNER, DOOR)
    found.take([DONE, DONE], 103, 10.5)
    assert found.finished
    assert [(r.name, r.frames) for r in found.results] == [("corner", 3), ("door", 0)]


def test_a_later_step_is_not_looked_at_before_its_turn() -> None:
    found = way(CORNER, DOOR)
    found.take([NO, BOTH], 101, 10.1)
    assert found.current == CORNER
    found.take([DONE, NO], 102, 10.2)
    assert found.current == DOOR
    assert not found.failed


def test_a_step_waits_for_its_begin() -> None:
    found = way(TURN)
    assert not found.begun
    found.take([BOTH], 104, 10.5)
    assert found.current == TURN
    assert found.frames(104) == 4
    found.take([BEGIN], 106, 11.0)
    assert found.begun
    assert found.frames(106) == 0
    # it stays begun
    found.take([NO], 107, 11.5)
    assert found.frames(107) == 1
    found.take([DONE], 108, 12.0)
    assert found.results == [StepResult("turn", StepOutcome.DONE, 6, 2, 1.0)]


def test_begin_and_done_in_one_frame() -> None:
    found = way(CORNER, TURN)
    found.take([DONE, StepSeen(done=True, begin=True)], 102, 10.2)
    assert [(r.name, r.waited, r.frames) for r in found.results] == [
        ("corner", 0, 2),
        ("turn", 0, 0),
    ]


def test_fail_outweighs_done() -> None:
    found = way(CORNER, DOOR)
    found.take([BOTH, DONE], 101, 10.1)
    assert found.failed
    assert found.current == CORNER
    assert [r.outcome for r in found.results] == [StepOutcome.FAILED]
    found.take([DONE, DONE], 102, 10.2)
    assert len(found.results) == 1


def test_a_step_that_is_reached_may_fail_at_once() -> None:
    found = way(CORNER, DOOR)
    found.take([DONE, FAIL], 101, 10.1)
    assert [r.outcome for r in found.results] == [StepOutcome.DONE, StepOutcome.FAILED]


def test_stopping_tells_of_the_current_step() -> None:
    found = way(CORNER, TURN, DOOR)
    found.take([DONE, NO, NO], 101, 10.5)
    results = found.stop(StepOutcome.GIVEN_UP, 109, 12.0)
    assert results[1:] == (StepResult("turn", StepOutcome.GIVEN_UP, 8, 0, 0.0),)
    done = way(CORNER)
    done.take([DONE], 101, 10.1)
    assert [r.outcome for r in done.stop(StepOutcome.GIVEN_UP, 109, 12.0)] == [StepOutcome.DONE]


def test_without_steps_there_is_nothing_to_finish() -> None:
    found = way()
    found.take([], 101, 10.1)
    assert found.current is None
    assert not found.finished
    assert found.stop(StepOutcome.GIVEN_UP, 102, 10.2) == ()
