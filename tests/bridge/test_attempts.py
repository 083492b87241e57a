"""Attempts: scripted frames, and an independent model that is told all frames at once."""

from __future__ import annotations

from dataclasses import dataclass, replace

from hypothesis import given
from hypothesis import strategies as st

from bridge.practice.attempts import AGAIN, Attempt, Attempts, Outcome, Seen
from bridge.practice.steps import Step, StepOutcome, StepSeen

CORNER, DOOR = Step("corner"), Step("door")
IDLE = Seen(steps=(StepSeen(), StepSeen()))
START = replace(IDLE, begins=True)


def play(machine: Attempts, *frames: Seen, first: int = 1) -> list[Attempt]:
    """Frames in a row; gives the attempts that ended.  A frame takes a quarter of a second."""
    ended = [
        machine.take(seen, number, number / 4, "export", ticks=9 + number / 4)
        for number, seen in enumerate(frames, first)
    ]
    return [attempt for attempt in ended if attempt is not None]


def steps(*seen: StepSeen) -> Seen:
    return Seen(steps=seen)


DONE_1 = steps(StepSeen(done=True), StepSeen())
DONE_2 = steps(StepSeen(), StepSeen(done=True))
FAIL_1 = steps(StepSeen(fail=True), StepSeen())


def two() -> Attempts:
    return Attempts([CORNER, DOOR], succeeds=False)


def alone() -> Attempts:
    return Attempts([], succeeds=True)


def test_all_steps_done_is_the_success() -> None:
    machine = two()
    (ended,) = play(machine, IDLE, START, IDLE, DONE_1, IDLE, DONE_2, IDLE)
    assert ended.outcome is Outcome.SUCCESS
    assert (ended.number, ended.build, ended.began_frame, ended.began_time) == (1, "export", 2, 0.5)
    assert (ended.frames, ended.seconds, ended.step) == (4, 1.0, "")
    assert [(s.name, s.outcome, s.frames) for s in ended.steps] == [
        ("corner", StepOutcome.DONE, 2),
        ("door", StepOutcome.DONE, 2),
    ]
    assert machine.open is None


def test_a_failed_step_fails_the_attempt() -> None:
    (ended,) = play(two(), IDLE, START, IDLE, FAIL_1, DONE_1, DONE_2)
    assert (ended.outcome, ended.step, ended.frames) == (Outcome.FAILED, "corner", 2)
    assert [s.outcome for s in ended.steps] == [StepOutcome.FAILED]


def test_what_is_true_from_the_first_frame_on_did_not_become_true() -> None:
    machine = alone()
    assert play(machine, Seen(begins=True), Seen(begins=True)) == []
    assert machine.open is None
    play(machine, Seen(), Seen(begins=True), first=3)
    assert machine.open is not None
    assert machine.open.began_frame == 4


def test_a_condition_that_stays_true_starts_and_ends_nothing_twice() -> None:
    machine = alone()
    held = Seen(begins=True, succeeds=True)
    ended = play(machine, Seen(), held, held, Seen(begins=True), held, held)
    # success was true in the frame of the start: it must become true again
    assert [(a.outcome, a.frames) for a in ended] == [(Outcome.SUCCESS, 3)]


def test_the_frame_of_the_start_belongs_to_what_was_before() -> None:
    machine = two()
    start_and_done = replace(
        START, steps=(StepSeen(done=True, fail=True), StepSeen()), succeeds=True, given_up=True
    )
    assert play(machine, IDLE, start_and_done) == []
    assert machine.way is not None
    assert machine.way.current == CORNER


def test_starting_again_ends_what_was_open() -> None:
    machine = two()
    (ended,) = play(machine, IDLE, START, DONE_1, START)
    assert (ended.outcome, ended.reason, ended.step) == (Outcome.GIVEN_UP, AGAIN, "door")
    assert [s.outcome for s in ended.steps] == [StepOutcome.DONE, StepOutcome.GIVEN_UP]
    assert machine.open is not None
    assert (machine.open.number, machine.open.began_frame) == (2, 4)


def test_which_of_several_counts() -> None:
    """failed, success, giving up, beginning again: in this order; the last forgives a failure."""
    everything = Seen(True, True, True, (StepSeen(fail=True), StepSeen()))
    for frame, outcome, reason in [
        (replace(everything, begins=False), Outcome.FAILED, ""),
        (everything, Outcome.SUCCESS, ""),
        (replace(everything, succeeds=False), Outcome.GIVEN_UP, ""),
        (replace(everything, succeeds=False, given_up=False), Outcome.GIVEN_UP, AGAIN),
        (replace(everything, steps=IDLE.steps), Outcome.SUCCESS, ""),
        (replace(everything, steps=IDLE.steps, succeeds=False), Outcome.GIVEN_UP, ""),
        (START, Outcome.GIVEN_UP, AGAIN),
    ]:
        machine = Attempts([CORNER, DOOR], succeeds=True)
        (ended,) = play(machine, IDLE, START, IDLE, frame)
        assert (ended.outcome, ended.reason) == (outcome, reason)
        assert (machine.open is not None) is frame.begins


def test_starting_again_is_no_failure_and_does_nothing() -> None:
    """A loaded state makes fail true of what it leaves behind, in the frame in which it starts."""
    again = replace(START, steps=(StepSeen(done=True, fail=True), StepSeen(done=True)))
    machine = two()
    (ended,) = play(machine, IDLE, START, IDLE, again)
    assert (ended.outcome, ended.reason, ended.step) == (Outcome.GIVEN_UP, AGAIN, "corner")
    assert [(s.name, s.outcome) for s in ended.steps] == [("corner", StepOutcome.GIVEN_UP)]
    # fail of a step that is reached in that frame counts no more than the current one's
    again = replace(START, steps=(StepSeen(done=True), StepSeen(fail=True)))
    (ended,) = play(two(), IDLE, START, IDLE, again)
    assert (ended.outcome, ended.step) == (Outcome.GIVEN_UP, "door")
    assert [s.outcome for s in ended.steps] == [StepOutcome.DONE, StepOutcome.GIVEN_UP]
    # without a start it is what it was
    (ended,) = play(two(), IDLE, START, IDLE, replace(again, begins=False))
    assert (ended.outcome, ended.step) == (Outcome.FAILED, "door")


def test_all_steps_done_is_not_enough_where_success_has_an_expression() -> None:
    machine = Attempts([CORNER], succeeds=True)
    done = steps(StepSeen(done=True))
    assert play(machine, Seen(steps=(StepSeen(),)), replace(done, begins=True), done, done) == []
    assert machine.way is not None
    assert machine.way.finished
    (ended,) = play(machine, replace(done, succeeds=True), first=5)
    assert (ended.outcome, ended.frames) == (Outcome.SUCCESS, 3)


def test_success_without_all_steps_leaves_the_step_unfinished() -> None:
    machine = Attempts([CORNER, DOOR], succeeds=True)
    (ended,) = play(machine, IDLE, START, DONE_1, replace(IDLE, succeeds=True))
    assert (ended.outcome, ended.step) == (Outcome.SUCCESS, "")
    assert [s.outcome for s in ended.steps] == [StepOutcome.DONE, StepOutcome.UNFINISHED]


def test_a_cut_ends_at_the_last_frame_that_was_taken() -> None:
    machine = two()
    play(machine, IDLE, START, DONE_1, IDLE)
    ended = machine.cut_off("the source was lost")
    assert ended is not None
    assert (ended.outcome, ended.reason, ended.frames) == (
        Outcome.CUT_OFF,
        "the source was lost",
        2,
    )
    assert ended.step == "door"
    assert [s.outcome for s in ended.steps] == [StepOutcome.DONE, StepOutcome.UNFINISHED]
    assert machine.cut_off("again") is None
    # what was true before the cut is not known after it
    assert play(machine, START, START, first=50) == []
    assert machine.open is None


def test_where_nobody_counts_frames_it_is_not_known_whether_all_were_seen() -> None:
    (ended,) = play(two(), IDLE, START, DONE_1, DONE_2)
    assert (ended.frames, ended.frames_seen, ended.whole) == (2, None, None)
    assert [s.whole for s in ended.steps] == [None, None]


def test_what_rose_in_a_gap() -> None:
    machine = alone()
    machine.take(Seen(), 1, 0.0, "export", 0, ticks=1.0)
    machine.take(Seen(begins=True), 2, 0.0, "export", 0, ticks=2.0)
    # true before and behind the gap, but a counter tells that success became true twice in it
    rose = Seen(begins=True, succeeds=True, rises=(0, 2, 0))
    machine.take(Seen(begins=True, succeeds=True), 3, 0.0, "export", 0, ticks=3.0)
    machine.take(Seen(), 4, 0.0, "export", 0, ticks=4.0)
    machine.take(Seen(begins=True), 5, 0.0, "export", 0, ticks=5.0)
    ended = machine.take(rose, 9, 0.0, "export", 3, ticks=9.0)
    assert ended is not None
    assert (ended.number, ended.outcome, ended.frames, ended.frames_seen) == (
        *(2, Outcome.SUCCESS, 4, 1),
    )
    # giving up likewise, and beginning three times
    rose = Seen(begins=True, rises=(3, 0, 1))
    assert machine.take(rose, 14, 0.0, "export", 4, ticks=14.0) is None
    assert [(a.number, a.began_frame, a.frames, a.unseen_before) for a in machine.unseen] == [
        (3, 10, 4, 4),
        (4, 10, 4, 0),
    ]
    assert machine.open is not None
    assert (machine.open.number, machine.open.began_frame) == (5, 10)
    assert machine.take(Seen(), 15, 0.0, "export", 0, ticks=15.0) is None
    assert machine.unseen == ()


def test_doubt_goes_with_the_attempt_that_was_judged_in_it() -> None:
    machine = two()
    unsure = replace(IDLE, doubtful=True)
    # begins was doubtful while none was open: it may have become true before
    play_whole = [IDLE, unsure, START, FAIL_1, IDLE, START, FAIL_1]
    ended = [
        machine.take(seen, n, 0.0, "export", 0, ticks=n) for n, seen in enumerate(play_whole, 1)
    ]
    first, second = (attempt for attempt in ended if attempt is not None)
    assert (first.doubtful, first.whole, first.unseen_before) == (True, False, 2)
    assert (second.doubtful, second.whole, second.unseen_before) == (False, True, 0)


def test_numbers_go_on() -> None:
    machine = Attempts([], succeeds=True, number=41)
    play(machine, Seen(), Seen(begins=True))
    assert machine.open is not None
    assert machine.open.number == 42


# an independent model


@dataclass(frozen=True)
class Told:
    """A frame as a test writes it; ``cut`` says that a cut comes before it."""

    begins: bool
    succeeds: bool
    given_up: bool
    steps: tuple[tuple[bool, bool, bool], ...]
    cut: bool
    skipped: int


COUNT = 3
TOLD = st.lists(
    st.builds(
        Told,
        st.booleans(),
        st.integers(0, 5).map(lambda n: n == 0),
        st.integers(0, 9).map(lambda n: n == 0),
        st.tuples(
            *[st.tuples(*[st.booleans()] * 2, st.integers(0, 9).map(lambda n: n == 0))] * COUNT
        ),
        st.integers(0, 29).map(lambda n: n == 0),
        st.integers(1, 3),
    ),
    max_size=60,
)


def model(
    frames: list[Told], waits: tuple[bool, ...], explicit: bool
) -> list[tuple[Outcome, int, int, str, list[tuple[str, StepOutcome, int, int]]]]:
    """Outcome, first frame, length, step and steps of each attempt, from the whole story at once.

    Written from the rules in the documentation: first all starts and cuts are looked up, then each
    stretch between them is judged by itself.
    """
    numbers = []
    number = 0
    for told in frames:
        number += told.skipped
        numbers.append(number)

    def rose(index: int, name: str) -> bool:
        if index == 0 or frames[index].cut:
            return False
        return getattr(frames[index], name) and not getattr(frames[index - 1], name)

    found = []
    index = 0
    while index < len(frames):
        if not rose(index, "begins"):
            index += 1
            continue
        first, at, entered = index, 0, numbers[index]
        began: int | None = None if waits[0] else entered
        done: list[tuple[str, StepOutcome, int, int]] = []
        end: tuple[Outcome, int] | None = None
        index += 1
        while index < len(frames) and end is None:
            told, now = frames[index], numbers[index]
            if told.cut:
                end = Outcome.CUT_OFF, numbers[index - 1]
                break
            failed = False
            while at < COUNT:
                begin, is_done, fails = told.steps[at]
                if began is None and begin:
                    began = now
                if began is None:
                    break
                if fails and rose(index, "begins"):
                    break
                if fails:
                    failed = True
                    break
                if not is_done:
                    break
                done.append((str(at), StepOutcome.DONE, began - entered, now - began))
                at, entered = at + 1, now
                began = None if at < COUNT and waits[at] else now
            if failed:
                end = Outcome.FAILED, now
            elif rose(index, "succeeds") if explicit else at == COUNT:
                end = Outcome.SUCCESS, now
            elif rose(index, "given_up") or rose(index, "begins"):
                end = Outcome.GIVEN_UP, now
            else:
                index += 1
        if end is None:
            end = Outcome.CUT_OFF, numbers[-1]
        outcome, last = end
        stood = str(at) if at < COUNT and outcome is not Outcome.SUCCESS else ""
        if at < COUNT:
            how = {
                Outcome.FAILED: StepOutcome.FAILED,
                Outcome.GIVEN_UP: StepOutcome.GIVEN_UP,
            }.get(outcome, StepOutcome.UNFINISHED)
            since = last if began is None else began
            done.append((str(at), how, since - entered, last - since))
        found.append((outcome, numbers[first], last - numbers[first], stood, done))
        # a start in the frame in which an attempt ended begins the next one
    return found


@given(TOLD, st.tuples(*[st.booleans()] * COUNT), st.booleans())
def test_against_a_model(frames: list[Told], waits: tuple[bool, ...], explicit: bool) -> None:
    machine = Attempts([Step(str(n), "", wait) for n, wait in enumerate(waits)], succeeds=explicit)
    ended: list[Attempt | None] = []
    opened = number = 0
    for told in frames:
        if told.cut:
            ended.append(machine.cut_off("a cut"))
        number += told.skipped
        seen = Seen(
            told.begins,
            told.succeeds,
            told.given_up,
            tuple(StepSeen(done, begin, fail) for begin, done, fail in told.steps),
        )
        ended.append(machine.take(seen, number, 0.0, "export", ticks=number))
        if machine.open is not None and machine.open.began_frame == number:
            opened += 1
    ended.append(machine.cut_off("the end"))
    attempts = [attempt for attempt in ended if attempt is not None]
    assert len(attempts) == opened == machine.number
    assert [attempt.number for attempt in attempts] == list(range(1, opened + 1))
    assert [
        (a.outcome, a.began_frame, a.frames, a.step, [_told(s) for s in a.steps]) for a in attempts
    ] == model(frames, waits, explicit)
    for attempt in attempts:
        assert attempt.seconds == attempt.frames
        assert len(attempt.steps) <= COUNT
        assert sum(s.waited + s.frames for s in attempt.steps) <= (attempt.frames or 0)


def _told(step: object) -> tuple[str, StepOutcome, int, int]:
    from bridge.practice.steps import StepResult

    assert isinstance(step, StepResult)
    return step.name, step.outcome, step.waited, step.frames
