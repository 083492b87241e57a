"""Windows of steps: scripted frames, and a model that is told all frames at once.

No source: the rule is the project's own, as ``bridge.practice.steps`` tells it.  The model knows no
state: it looks for each frame in the whole list, as the rule is written.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.practice.attempts import AGAIN, Attempt, Attempts, Outcome, Seen
from bridge.practice.steps import Step, StepOutcome, StepResult, StepSeen, Way
from bridge.practice.windows import BEFORE_IT_COULD_BE, StepTiming, Verdict, Window
from tests.bridge.judge import as_truth, judge
from tests.bridge.made_story import Watched
from tests.bridge.test_practice_truth import CONDITIONS, FRAMES, _any_frames

WINDOW = Window(11, 14)
TURN = Step("turn", window=WINDOW)
NO, DONE, AFTER = StepSeen(), StepSeen(done=True), StepSeen(after=True)
BOTH = StepSeen(done=True, after=True)


def way(*steps: Step, before: StepSeen | None = NO) -> Way:
    """One that begins in frame 100, of which all frames are counted."""
    return Way(steps, 100, 0.0, 0, None if before is None else [before] * len(steps))


def take(found: Way, frame: int, *seen: StepSeen, missed: int | None = 0) -> Way:
    found.take(seen, frame, frame / 60, missed)
    return found


def timing(found: Way) -> StepTiming:
    assert found.results[-1].timing is not None
    return found.results[-1].timing


@pytest.mark.parametrize(
    ("frames", "verdict", "by"),
    [
        *((0, "early", 11), (9, "early", 2), (10, "early", 1), (11, "right", 0)),
        *((14, "right", 0), (15, "late", 1), (17, "late", 3), (400, "late", 386)),
    ],
)
def test_early_right_and_late(frames: int, verdict: str, by: int) -> None:
    found = take(way(TURN), 150, AFTER if frames else BOTH)
    if frames:
        assert found.since(150) == 0
        assert found.since(149 + frames) == frames - 1
        take(found, 150 + frames, DONE)
    assert timing(found) == StepTiming(Verdict(verdict), by, frames, (11, 14), 0)
    assert found.failed is (verdict != "right")
    assert found.finished is (verdict == "right")
    assert found.results[-1].outcome is (
        StepOutcome.DONE if verdict == "right" else StepOutcome.FAILED
    )
    assert found.reason == ("" if verdict == "right" else f"{verdict} by {by}")


def test_the_window_s_end_alone_fails_nothing() -> None:
    found = take(way(TURN), 101, AFTER)
    for frame in range(102, 200):
        take(found, frame, AFTER)
    assert not found.failed
    assert found.since(199) == 98


def test_before_the_moment_came() -> None:
    found = take(way(TURN), 150, DONE)
    assert timing(found) == StepTiming(Verdict.EARLY, None, None, (11, 14), 0)
    assert (found.failed, found.reason) == (True, BEFORE_IT_COULD_BE)


def test_after_and_done_in_one_frame_is_frame_0() -> None:
    at_once = Step("turn", window=Window(0, 0))
    assert take(way(at_once), 101, BOTH).finished
    assert take(take(way(at_once), 101, AFTER), 102, BOTH).reason == "late by 1"


def test_in_the_first_frame_nothing_becomes_true() -> None:
    at_once = Step("turn", window=Window(0, 5))
    assert take(way(at_once, before=AFTER), 101, BOTH).reason == BEFORE_IT_COULD_BE
    assert take(take(way(at_once, before=None), 101, AFTER), 102, BOTH).reason == (
        BEFORE_IT_COULD_BE
    )
    found = take(way(at_once, before=None), 101, AFTER)
    assert found.since(101) is None
    assert take(take(found, 102, NO), 103, BOTH).finished


def test_what_was_done_before_the_way_began_is_not_done_by_the_runner() -> None:
    found = way(Step("turn", window=Window(0, 5)), before=DONE)
    take(take(take(found, 101, DONE), 102, BOTH), 103, BOTH)
    assert (found.current is not None, found.since(103)) == (True, 1)
    take(found, 104, AFTER)
    assert take(found, 105, BOTH).finished
    assert timing(found).frames == 3
    # where none is known of before, the first frame that is taken stands for it
    found = take(take(way(TURN, before=None), 101, DONE), 102, DONE)
    assert not found.failed
    # frames in which it may have been done anew leave it in doubt
    found = take(
        take(way(Step("corner"), TURN, before=DONE), 103, NO, DONE, missed=2), 104, NO, BOTH
    )
    take(take(found, 105, DONE, BOTH), 106, NO, AFTER)
    assert take(found, 115, NO, DONE).results[-1].whole is False
    # and so do frames that were missed as the way began, and a done that is made of missed ones
    found = Way([Step("corner"), TURN], 100, 0.0, 3, [DONE, DONE])
    take(take(found, 104, NO, DONE), 105, DONE, DONE)
    take(found, 106, NO, AFTER)
    assert take(found, 117, NO, DONE).results[-1].whole is False
    found = take(way(Step("corner"), TURN, before=DONE), 101, NO, replace(NO, doubtful=True))
    take(found, 102, DONE, AFTER)
    assert take(found, 113, NO, DONE).results[-1].whole is False
    # without a window it is a state as ever
    assert take(way(Step("corner"), before=DONE), 101, DONE).finished


def test_the_newest_moment_counts() -> None:
    found = take(take(take(way(TURN), 101, AFTER), 110, NO), 120, AFTER)
    assert found.since(121) == 1
    assert take(found, 131, DONE).finished
    assert timing(found).frames == 11


def test_a_moment_before_the_step_was_reached_or_begun_counts() -> None:
    corner, waits = Step("corner"), replace(TURN, waits=True)
    found = take(way(corner, TURN), 101, NO, AFTER)
    assert found.since(105) is None  # the corner has no window
    take(found, 106, DONE, AFTER)
    assert found.since(106) == 5
    assert take(found, 113, NO, DONE).finished
    assert timing(found).frames == 12
    found = take(take(way(waits), 101, AFTER), 110, replace(NO, begin=True))
    assert take(found, 112, DONE).finished
    # all in one frame: the moment, the step before, begin and done
    at_once = replace(waits, window=Window(0, 0))
    everything = StepSeen(done=True, begin=True, after=True)
    assert take(way(corner, at_once), 101, DONE, everything).finished


def test_fail_outweighs_a_window() -> None:
    found = take(take(way(TURN), 101, AFTER), 103, StepSeen(done=True, fail=True))
    assert (found.failed, found.reason, found.results[-1].timing) == (True, "", None)


def test_where_an_attempt_begins_no_step_is_early_or_late() -> None:
    idle, start = Seen(steps=(NO,)), Seen(begins=True, steps=(NO,))
    machine = Attempts([TURN], succeeds=False)
    frames = [idle, start, idle, replace(start, begins=False), Seen(begins=True, steps=(DONE,))]
    ended = [
        machine.take(seen, number, number, "", 0, ticks=number)
        for number, seen in enumerate(frames, 1)
    ]
    assert ended[:-1] == [None] * 4
    attempt = ended[-1]
    assert attempt is not None
    assert (attempt.outcome, attempt.reason) == (Outcome.GIVEN_UP, AGAIN)
    assert attempt.timed is None
    # what became true in the frame in which it began is not the new one's
    machine = Attempts([replace(TURN, window=Window(0, 99))], succeeds=False)
    for number, seen in enumerate([idle, replace(start, steps=(AFTER,)), idle], 1):
        machine.take(seen, number, number, "", 0, ticks=number)
    done = machine.take(Seen(steps=(DONE,)), 4, 4, "", 0, ticks=4)
    assert done is not None
    assert (done.outcome, done.reason, done.step) == (Outcome.FAILED, BEFORE_IT_COULD_BE, "turn")


def test_a_window_that_counts_from_the_attempt_s_begin() -> None:
    """Its moment is what began the attempt, also in missed frames; one begun by hand has none."""
    machine = Attempts([replace(TURN, from_begin=True)], succeeds=False)
    start = Seen(begins=True, steps=(AFTER,))
    ended = [
        machine.take(seen, number, 0, "", missed, ticks=number)
        for number, missed, seen in [
            (1, 0, Seen(steps=(NO,))),
            (5, 3, start),
            (18, 0, Seen(steps=(DONE,))),
            (19, 0, Seen(steps=(NO,))),
        ]
    ]
    assert ended[2] is not None
    assert ended[2].timed is not None
    assert ended[2].timed.timing == WINDOW.judge(13, 3)
    machine.begin_by_hand(0, "", ticks=19, fresh=True)
    done = machine.take(Seen(steps=(DONE,)), 31, 0, "", 0, ticks=31)
    assert done is not None
    assert done.reason == BEFORE_IT_COULD_BE


def test_a_cut_forgets_the_moment() -> None:
    machine = Attempts([TURN], succeeds=False)
    for number, seen in enumerate([NO, NO, AFTER], 1):
        machine.take(Seen(begins=number == 2, steps=(seen,)), number, 0, "", 0, ticks=number)
    assert machine.way is not None
    assert machine.way.since(3) == 0
    machine.cut_off("the guest was reset")
    # the first frame behind it knows of nothing before
    machine.take(Seen(steps=(AFTER,)), 4, 0, "", 0, ticks=4)
    machine.take(Seen(begins=True, steps=(AFTER,)), 5, 0, "", 0, ticks=5)
    machine.take(Seen(steps=(AFTER,)), 6, 0, "", 0, ticks=6)
    assert machine.way.since(6) is None


# too soon


def test_done_before_the_step_began() -> None:
    waits = Step("turn", waits=True)
    found = take(way(waits), 103, NO)
    assert found.too_soon(103) is None
    take(found, 104, DONE)
    assert (found.too_soon(104), found.begun, found.failed) == (0, False, False)
    take(found, 105, DONE)
    assert found.too_soon(105) == 1
    take(take(found, 106, NO), 107, DONE)
    assert found.too_soon(107) == 0
    take(take(found, 108, NO), 109, replace(NO, begin=True))
    assert found.too_soon(109) is None
    take(found, 110, DONE)
    assert found.results[-1].too_soon == 2
    assert found.results[-1].as_json()["too_soon"] == 2


def test_what_was_done_before_the_step_was_reached_is_not_too_soon() -> None:
    corner, waits = Step("corner"), Step("turn", waits=True)
    found = take(take(way(corner, waits), 101, NO, DONE), 102, DONE, DONE)
    assert found.too_soon(102) is None
    # in the very frame in which it is reached it became true: it waits already
    found = take(way(corner, waits), 101, DONE, DONE)
    assert found.too_soon(101) == 0
    (_, ended) = found.stop(StepOutcome.GIVEN_UP, 105, 2.0)
    assert (ended.too_soon, ended.waited) == (1, 4)


def test_begin_and_done_in_one_frame_is_not_too_soon() -> None:
    found = take(way(Step("turn", waits=True)), 101, StepSeen(done=True, begin=True))
    assert (found.finished, found.results[-1].too_soon) == (True, 0)


# frames that were missed


def test_missed_frames_around_either_end_are_told() -> None:
    found = take(take(way(TURN), 105, AFTER, missed=3), 117, DONE)
    assert (timing(found).frames, timing(found).unsure) == (12, 3)
    assert found.results[-1].whole is False
    found = take(take(way(TURN), 101, AFTER), 113, DONE, missed=2)
    assert (timing(found).frames, timing(found).unsure) == (12, 2)
    # both in the same missed frames: which came first is not known
    found = take(way(Step("turn", window=Window(0, 9))), 105, BOTH, missed=4)
    assert (timing(found).frames, timing(found).unsure) == (0, None)
    # a gap in between leaves both ends where they were, but another moment may have come in it
    found = take(take(take(way(TURN), 101, AFTER), 105, AFTER, missed=2), 113, DONE)
    assert (timing(found).unsure, found.results[-1].whole) == (0, False)
    # before the moment came: it may have come and gone
    found = take(take(way(TURN), 105, NO, missed=2), 113, DONE)
    assert (timing(found).frames, timing(found).unsure) == (None, None)
    assert found.results[-1].whole is False


def test_a_gap_in_the_step_before_is_one_of_the_window_too() -> None:
    found = take(way(Step("corner"), TURN), 101, NO, AFTER)
    take(take(found, 105, NO, AFTER, missed=3), 106, DONE, AFTER)
    assert take(found, 113, NO, DONE).results[-1].whole is False
    # also where the moment itself came in it
    found = take(way(Step("corner"), TURN), 105, NO, AFTER, missed=3)
    take(take(found, 106, DONE, AFTER), 117, NO, DONE)
    assert (timing(found).unsure, found.results[-1].whole) == (3, False)
    # one that was over before the moment came says nothing of it
    found = take(way(Step("corner"), TURN), 105, NO, NO, missed=3)
    take(take(found, 106, NO, AFTER), 107, DONE, AFTER)
    assert take(found, 118, NO, DONE).results[-1].whole is True
    assert timing(found).unsure == 0


def test_where_nobody_counts_frames_it_is_not_known() -> None:
    found = Way([TURN], 100, 0.0, None, [NO])
    take(take(found, 101, AFTER, missed=None), 113, DONE, missed=None)
    assert (timing(found).verdict, timing(found).unsure) == (Verdict.RIGHT, None)
    assert found.results[-1].whole is None


def test_a_counter_tells_of_moments_in_a_gap() -> None:
    """The frame behind the gap is the last in which it may have come; it may rise anew at once."""
    found = take(way(TURN), 101, AFTER)
    take(found, 110, replace(AFTER, rises=(0, 2)), missed=8)
    assert found.since(110) == 0
    take(found, 122, DONE)
    assert (timing(found).frames, timing(found).unsure) == (12, 8)
    found = take(take(way(TURN), 110, replace(AFTER, rises=(0, 1)), missed=9), 111, AFTER)
    assert found.since(111) == 0


def test_a_moment_made_of_earlier_frames_that_lack_some() -> None:
    found = take(take(way(TURN), 101, replace(AFTER, after_doubtful=True)), 113, DONE)
    assert (timing(found).unsure, found.results[-1].whole) == (None, False)
    # where it shows in a frame behind the moment, that may not be the newest one
    found = take(take(way(TURN), 101, AFTER), 102, replace(AFTER, after_doubtful=True))
    assert timing(take(found, 113, DONE)).unsure is None
    # it is over before the newest moment
    found = take(way(TURN), 101, replace(AFTER, after_doubtful=True))
    take(take(take(found, 102, NO), 103, AFTER), 115, DONE)
    assert (timing(found).unsure, found.results[-1].whole) == (0, True)


# a model


@dataclass(frozen=True)
class Told:
    outcome: StepOutcome
    waited: int
    frames: int
    since: int | None  # what the window was judged by, -1 without one
    too_soon: int


def model(steps: list[Step], frames: list[list[StepSeen]]) -> list[Told]:
    """``frames[0]`` is the one in which the way begins; the last step that is told has ended."""
    told: list[Told] = []
    reached, entered = 1, 0
    for i, step in enumerate(steps):
        mine = [each[i] for each in frames]
        begun = reached
        if step.waits:
            begun = next((n for n in range(reached, len(mine)) if mine[n].begin), len(mine))
        # what was done from the beginning on is not done by the runner
        old = 0
        while step.window is not None and old < len(mine) and mine[old].done:
            old += 1
        over = [n for n in range(begun, len(mine)) if mine[n].fail or (mine[n].done and n >= old)]
        if not over:
            return told
        end = over[0]
        soon = sum(mine[n].done and not mine[n - 1].done for n in range(reached, begun))
        began = entered if not step.waits else begun
        since: int | None = -1
        good = not mine[end].fail
        if good and step.window is not None:
            rises = [n for n in range(1, end + 1) if mine[n].after and not mine[n - 1].after]
            since = end - rises[-1] if rises else None
            good = since is not None and step.window.first <= since <= step.window.last
        outcome = StepOutcome.DONE if good else StepOutcome.FAILED
        told.append(Told(outcome, began - entered, end - began, since, soon))
        if not good:
            return told
        reached = entered = end
    return told


def as_told(result: StepResult) -> Told:
    since = -1 if result.timing is None else result.timing.frames
    return Told(result.outcome, result.waited, result.frames, since, result.too_soon)


SEEN = st.builds(
    StepSeen, done=st.booleans(), begin=st.booleans(), fail=st.just(False)
) | st.builds(
    StepSeen, after=st.booleans(), done=st.booleans(), fail=st.sampled_from([False] * 7 + [True])
)
WINDOWS = st.none() | st.builds(
    lambda first, more: Window(first, first + more), st.integers(0, 6), st.integers(0, 6)
)
STEPS = st.lists(
    st.builds(Step, st.just("s"), waits=st.booleans(), window=WINDOWS), min_size=1, max_size=3
)


def drawn(data: st.DataObject) -> tuple[list[Step], list[list[StepSeen]]]:
    steps = data.draw(STEPS)
    row = st.lists(SEEN, min_size=len(steps), max_size=len(steps))
    return steps, data.draw(st.lists(row, min_size=2, max_size=24))


@given(st.data())
def test_it_is_what_the_whole_list_says(data: st.DataObject) -> None:
    steps, frames = drawn(data)
    found = Way(steps, 0, 0.0, 0, frames[0])
    for number, seen in enumerate(frames[1:], 1):
        found.take(seen, number, number, 0)
    assert [as_told(result) for result in found.results] == model(steps, frames)
    assert all(r.whole and (r.timing is None or r.timing.unsure == 0) for r in found.results)


@given(st.data())
def test_what_is_told_as_whole_is_so_whatever_was_missed(data: st.DataObject) -> None:
    steps, frames = drawn(data)
    true = model(steps, frames)
    found, before = Way(steps, 0, 0.0, 0, frames[0]), 0
    for number, seen in enumerate(frames[1:], 1):
        if data.draw(st.sampled_from([True] * 5 + [False])):
            found.take(seen, number, number, number - before - 1)
            before = number
    for place, result in enumerate(found.results):
        if not all(each.whole for each in found.results[: place + 1]):
            break
        assert as_told(result) == true[place]


@given(st.integers(1, 20), st.integers(1, 20), st.sets(st.integers(1, 22)))
def test_unsure_holds_the_truth(moment: int, done: int, missed: set[int]) -> None:
    """Where each became true once and stays so, it lies within the frames that are told."""
    step = Step("s", window=Window(3, 5))
    frames = [[StepSeen(done=n >= done, after=n >= moment)] for n in range(24)]
    found, before = Way([step], 0, 0.0, 0, frames[0]), 0
    for number in sorted(set(range(1, 24)) - missed):
        found.take(frames[number], number, number, number - before - 1)
        before = number
    (true,), told = model([step], frames), timing(found)
    if told.unsure is None:
        assert missed
    elif told.frames is None or true.since is None:
        assert (told.frames, told.unsure) == (true.since, 0)
    else:
        assert abs(told.frames - true.since) <= told.unsure


@given(st.sets(st.integers(1, 11)), st.integers(1, 20), st.sets(st.integers(1, 22)))
def test_unsure_holds_the_truth_where_a_counter_tells_of_moments(
    halves: set[int], done: int, missed: set[int]
) -> None:
    """Each moment is over in the next frame; none that comes in a gap is dropped."""
    step, moments = Step("s", window=Window(3, 5)), {2 * half for half in halves}
    frames = [[StepSeen(done=n >= done, after=n in moments)] for n in range(24)]
    found, before = Way([step], 0, 0.0, 0, frames[0]), 0
    for number in sorted(set(range(1, 24)) - missed):
        gap = number - before - 1
        rises = len(moments & set(range(before + 1, number + 1))) if gap else 0
        seen = replace(frames[number][0], rises=(0, rises))
        found.take([replace(seen, after=seen.after or rises > 0)], number, number, gap)
        before = number
    (true,), told = model([step], frames), timing(found)
    if told.unsure is None:
        assert missed
    elif told.frames is None or true.since is None:
        assert (told.frames, told.unsure) == (true.since, 0)
    else:
        assert abs(told.frames - true.since) <= told.unsure


# with expressions, over frames of which some are missed


def _any_windows(chance: random.Random) -> str:
    tables = []
    for number in range(chance.randrange(1, 3)):
        first = chance.randrange(6)
        tables.append(
            f'[[steps]]\nname = "{number}"\ndone = "{chance.choice(CONDITIONS)}"\n'
            f'window = {{ after = "{chance.choice(CONDITIONS)}", '
            f"frames = [{first}, {first + chance.randrange(20)}] }}"
        )
        if chance.random() < 0.4:
            tables.append(f'begin = "{chance.choice(CONDITIONS)}"')
    tables.append(f'[attempts]\nbegins = "{chance.choice(CONDITIONS)}"')
    return "\n".join(tables)


def _timings(attempt: Attempt) -> list[StepTiming | None]:
    return [step.timing for step in attempt.steps]


@pytest.mark.parametrize(
    "seed", [*range(6), *(pytest.param(n, marks=pytest.mark.full) for n in range(6, 100))]
)
def test_no_window_is_wrong_and_unmarked(tmp_path: Path, seed: int) -> None:
    chance = random.Random(seed)
    watched, frames = Watched(tmp_path, _any_windows(chance)), _any_frames(chance)
    all_told = watched.told(frames, ())
    assert all(attempt.whole for attempt in all_told)
    true = {attempt.began_frame: attempt for attempt in all_told}
    for share in (0.02, 0.2):
        missed = {n for n in range(3, FRAMES - 4) if chance.random() < share}
        told = watched.told(frames, missed)
        last = told[-1].began_frame if told else 0
        assert judge(told, [as_truth(attempt) for attempt in all_told], last).wrong == ()
        for attempt in told:
            if attempt.whole and attempt.outcome is not Outcome.CUT_OFF:
                assert _timings(attempt) == _timings(true[attempt.began_frame])
