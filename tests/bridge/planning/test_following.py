"""Plans followed frame by frame: every way in which effects may come, slips, gaps, loaded states.

What is fed is made by the plain simulation of ``bridge.planning.simulation``, which other tests
hold against the running game.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping, Sequence

import pytest

from bridge.planning.actions import Action, Alloc, Free, Hold, Interval, Which
from bridge.planning.course import HELD, Course, NotFollowable, Shape, Spot, shape_of
from bridge.planning.following import JUST_NOW, MOMENT, PATIENCE, Place, Stand, follow
from bridge.planning.model import Start, Task
from bridge.planning.simulation import Moment, NotPossible, perform, stages
from bridge.planning.slips import difference, difference_from, guess_words, guesses, task_from
from tests.bridge.planning.made_plan import ACTIONS, FIRST_PRINT, THINGS, start

MORE = (
    *ACTIONS,
    Action(
        "stairs",
        80,
        needs={"room": (Interval(1, 1),)},
        sets={"room": 0},
        effects=(
            Free(THINGS, Which.ALL, order=Which.NEWEST), Alloc("crate"), Alloc("lantern"),
            Alloc("buoy"),
        ),
    ),
    Action("shoo_gull", 30, effects=(Free(("gull",), Which.NEWEST),)),
    Action("take_lantern", 20, effects=(Hold(("lantern",), Which.NEWEST),)),
    Action("drop_crate", 25, effects=(Alloc("crate"),)),
)  # fmt: skip
BY_NAME = {action.name: action for action in MORE}


def task(*kinds: str) -> Task:
    kinds = kinds or ("crate", "crate", "lantern", "gull", "buoy")
    return Task((start(FIRST_PRINT, *kinds),), {"room": 0}, MORE, ())


def course(*names: str) -> Course:
    return Course("held", task(), [BY_NAME[name] for name in names])


PLAN = ("light_mist", "gallery_door", "break_crate", "call_gull")


class Played:
    """A game that is followed; ``frame`` counts its frames."""

    def __init__(self, of: Course) -> None:
        self.course = of
        self.moment = of.moments[0]
        self.frame = 100
        self.place: Place | None = None

    def see(self, moment: Moment | None = None, frames: int = 1, missed: int = 0) -> Place:
        self.moment = moment or self.moment
        shape = shape_of(self.moment.arenas[self.course.build], self.course.policy)
        return self.see_heap(shape, self.moment.states, frames, missed)

    def see_heap(
        self, shape: Shape, states: Mapping[str, int], frames: int = 1, missed: int = 0
    ) -> Place:
        for _ in range(frames):
            self.frame += 1 + missed
            self.place = follow(self.course, self.place, shape, states, self.frame, missed)
        assert self.place is not None
        return self.place

    def do(self, name: str, keep: Sequence[int] | None = None) -> Place:
        """An action whose stages each take a frame, or only some of them."""
        way = stages(BY_NAME[name], self.moment, self.course.task)
        for number, moment in enumerate(way):
            if keep is None or number in keep or number == len(way) - 1:
                self.see(moment)
        assert self.place is not None
        return self.place


def test_each_stage_is_under_way_and_then_the_step_is_done() -> None:
    played = Played(course(*PLAN))
    place = played.see()
    assert (place.stand, place.spot, place.value) == (Stand.ON, Spot(0), 0)
    assert played.do("light_mist").spot == Spot(1)
    way = stages(BY_NAME["gallery_door"], played.moment, played.course.task)
    assert len(way) == 8
    for number, moment in enumerate(way[:-1], 1):
        place = played.see(moment, frames=3)
        assert (place.stand, place.spot) == (Stand.UNDER_WAY, Spot(1, number))
    assert played.see(way[-1]).spot == Spot(2)
    played.do("break_crate")
    place = played.do("call_gull")
    assert (place.stand, place.spot, place.value) == (Stand.DONE, Spot(4), 4)
    # whatever comes then: it was done
    assert played.do("light_mist").stand is Stand.DONE
    assert played.see(played.course.moments[3], frames=JUST_NOW).stand is Stand.DONE
    place = played.see()  # a saved state was loaded, from before the last step
    assert (place.stand, place.spot, place.back) == (Stand.ON, Spot(3), True)


def test_a_step_that_is_left_out_may_change_nothing() -> None:
    # the door releases all, the mist too: without mist the heap behind it is the same
    played = Played(course(*PLAN))
    played.see()
    place = played.do("gallery_door")
    assert (place.stand, place.spot, place.unseen) == (Stand.ON, Spot(2), (0,))


def random_plan(chance: random.Random, length: int) -> tuple[str, ...]:
    moment, of = Course("", task(), ()).moments[0], task()
    names: list[str] = []
    while len(names) < length:
        action = chance.choice(MORE)
        try:
            moment = perform(action, moment, of)
        except NotPossible:
            continue
        names.append(action.name)
    return tuple(names)


@pytest.mark.parametrize("seed", range(30))
def test_any_effects_in_any_frames_are_the_plans(seed: int) -> None:
    chance = random.Random(seed)
    names = random_plan(chance, chance.randrange(1, 9))
    of = course(*names)
    played = Played(of)
    assert played.see().stand in (Stand.ON, Stand.DONE)
    done = 0
    for name in names:
        way = stages(BY_NAME[name], played.moment, of.task)
        last = way[-1]
        for moment in way:
            if chance.random() < 0.4 and moment is not last:
                continue  # comes with the next one
            states = chance.choice([moment.states, last.states])  # set early, or with the last
            shape = shape_of(moment.arenas[of.build], of.policy)
            place = played.see_heap(shape, states, chance.randrange(1, 4))
            assert place.stand not in (Stand.OFF, Stand.WAITS), (names, name, place)
            if place.back:  # a heap of before, such as a gull called and shooed: as good a place
                done = place.spot.step
            assert place.spot.step >= done - 1  # what looked done may have been under way
            done = place.spot.step
        played.see(last)
    assert played.place is not None
    assert played.place.stand in (Stand.DONE, Stand.ON)
    of_end = shape_of(played.moment.arenas[of.build], of.policy)
    assert of.shape(Spot(played.place.spot.step)) == of_end


@pytest.mark.parametrize("seed", range(20))
def test_steps_in_a_gap_are_told(seed: int) -> None:
    chance = random.Random(seed)
    of = course(*PLAN)
    played = Played(of)
    played.see()
    first, last = sorted(chance.sample(range(5), 2))
    for name in PLAN[:first]:
        played.do(name)
    moment = of.moments[last]
    place = played.see(moment, missed=50)
    assert place.spot == Spot(last)
    assert place.unseen == tuple(range(first, last - 1))
    assert place.missed == (50 if place.unseen else 0)


def test_what_cannot_be_seen_may_have_been_done() -> None:
    played = Played(course("take_lantern", "call_gull"))
    assert played.see().spot == Spot(0)
    played.moment = perform(BY_NAME["take_lantern"], played.moment, played.course.task)
    assert played.see().spot == Spot(0)  # nothing that is read has changed
    place = played.do("call_gull")
    assert (place.stand, place.unseen) == (Stand.DONE, (0,))


def test_what_is_held_is_seen_where_the_game_tells_it() -> None:
    names = ("take_lantern", "call_gull", "light_mist")
    of = Course("held", task(), [BY_NAME[name] for name in names], sees_held=True)
    played = Played(of)
    start = of.shape(Spot(0))
    (lantern,) = (at for at, kind in start if kind == "lantern")
    assert of.held(start, lantern + 0x40) == lantern
    assert of.held(start, 0x8020_F000) == 0
    nothing, held = {"room": 0, HELD: 0}, {"room": 0, HELD: lantern}
    assert played.see_heap(start, nothing).spot == Spot(0)
    place = played.see_heap(start, held)
    assert (place.stand, place.spot, place.unseen) == (Stand.ON, Spot(1), ())
    # put down again: that is how it stood before
    assert played.see_heap(start, nothing, JUST_NOW).stand is Stand.UNDER_WAY
    place = played.see_heap(start, nothing)
    assert (place.stand, place.spot, place.back) == (Stand.ON, Spot(0), True)
    played.see_heap(start, held)
    place = played.see_heap(of.shape(Spot(2)), held)
    assert (place.stand, place.spot) == (Stand.ON, Spot(2))
    # nothing in hand, and a heap that is right: off, and it is said why
    place = played.see_heap(of.shape(Spot(3)), nothing, MOMENT + 1)
    assert place.stand is Stand.OFF
    words = difference(of, place.spot, place.shape, place.states)
    assert words == "nothing is held, where a lantern was to be"
    # a pointer that is stale says nothing: here to what was thrown away
    gulls = Course("stale", task(), [BY_NAME["call_gull"]], sees_held=True)
    stale = Played(gulls)
    assert stale.see_heap(gulls.shape(Spot(0)), held).spot == Spot(0)
    half = (*gulls.shape(Spot(0)), (gulls.shape(Spot(1))[-1][0], "unknown"))
    assert stale.see_heap(half, held, PATIENCE).stand is Stand.UNDER_WAY
    assert stale.see_heap(gulls.shape(Spot(1)), held).stand is Stand.DONE


def test_half_a_block_is_under_way_and_does_not_stay_so() -> None:
    played = Played(course(*PLAN))
    place = played.see()
    gull = (played.course.shape(Spot(1))[-1][0], "unknown")
    half = (*place.shape, gull)
    assert played.see_heap(half, place.states, PATIENCE).stand is Stand.UNDER_WAY
    assert played.see_heap(half, place.states).stand is Stand.OFF
    assert played.see().stand is Stand.ON
    other = (*place.shape, (gull[0], "gull"))  # what was there before, or what should not be
    assert played.see_heap(other, place.states, MOMENT).stand is Stand.UNDER_WAY
    assert played.see_heap(other, place.states).stand is Stand.OFF
    far = (*place.shape, (0x8020_F000, "gull"))  # where nothing is to change
    assert played.see().stand is Stand.ON
    assert played.see_heap(far, place.states).stand is Stand.OFF


def test_a_loaded_state_begins_again_where_it_matches() -> None:
    of = course(*PLAN)
    played = Played(of)
    assert played.see(of.moments[4]).stand is Stand.DONE
    assert played.see(of.moments[1], frames=JUST_NOW).stand is Stand.DONE
    place = played.see()
    assert (place.stand, place.spot, place.back) == (Stand.ON, Spot(1), True)
    played.see(perform(BY_NAME["drop_crate"], of.moments[1], of.task), frames=5)
    assert played.place is not None
    assert played.place.stand is Stand.OFF
    # it might be the door's first effect, the mist that goes; but nothing follows
    place = played.see(of.moments[0], frames=PATIENCE)
    assert (place.stand, place.spot) == (Stand.UNDER_WAY, Spot(1, 1))
    place = played.see()
    assert (place.stand, place.spot, place.back) == (Stand.ON, Spot(0), True)
    assert not played.do("light_mist").back


def test_nobody_begins_in_the_middle_of_an_action() -> None:
    of = course(*PLAN)
    played = Played(of)
    place = played.see(of.ways[1][2])
    assert (place.stand, place.value) == (Stand.WAITS, -1)
    assert played.see(of.moments[2]).spot == Spot(2)


def test_a_plan_that_cannot_be_done_is_refused() -> None:
    with pytest.raises(NotFollowable) as fault:
        course("stairs")
    assert str(fault.value) == "step 1, stairs: room is 0, needed is 1"


# slips: what was done, in place of or before what was planned, and the question that names it
SLIPS = [
    ((), ("call_gull",), "was call_gull done before light_mist, gallery_door and break_crate?"),
    ((), ("drop_crate",), "was drop_crate done in place of light_mist?"),
    ((), ("shoo_gull",), "was shoo_gull done in place of light_mist?"),
    ((), ("break_crate",), "was break_crate done before light_mist and gallery_door?"),
    (("light_mist",), ("light_mist",), "was light_mist done once more?"),
    (("light_mist",), ("drop_crate",), "was drop_crate done in place of gallery_door?"),
    (("light_mist",), ("break_crate",), "was break_crate done before gallery_door?"),
    (PLAN[:2], ("drop_crate",), "was drop_crate done in place of break_crate?"),
    (PLAN[:2], ("stairs",), "was stairs done in place of break_crate?"),
    (PLAN[:2], ("light_mist",), "was light_mist done in place of break_crate?"),
    (PLAN[:3], ("break_crate",), "was break_crate done once more?"),
    (PLAN[:3], ("stairs",), "was stairs done in place of call_gull?"),
    (PLAN[:3], ("light_mist",), "was light_mist done in place of call_gull?"),
    ((), ("drop_crate", "light_mist"), "was drop_crate done in place of light_mist?"),
    (PLAN[:2], ("light_mist", "drop_crate"), "was light_mist done in place of break_crate?"),
]


@pytest.mark.parametrize(("right", "wrong", "question"), SLIPS)
def test_a_slip_is_named_and_a_plan_from_there_is_asked_for(
    right: Sequence[str], wrong: Sequence[str], question: str
) -> None:
    of = course(*PLAN)
    played = Played(of)
    played.see()
    for name in right:
        played.do(name)
        played.see(frames=JUST_NOW + 1)
    assert played.place is not None
    agreed = played.place.spot
    assert agreed == Spot(len(right))
    named: list[str] = []
    for name in wrong:
        played.do(name)
        place = played.see(frames=MOMENT + 1)
        assert place.stand is Stand.OFF
        found = guesses(of, place.spot, place.shape, place.states)
        named.append(guess_words(of, place.spot, found))
        assert difference(of, place.spot, place.shape, place.states)
        # gulls can be called or whistled for, which nothing tells apart
        for guess in found:
            assert shape_of(guess.after.arenas[of.build], of.policy) == place.shape
        made = task_from(of, place.spot, found, None, place.states)
        if len(found) == 1:
            assert made is not None
            assert made[0].states == played.moment.states
            assert made[0].starts[0].arena == played.moment.arenas[of.build]
    assert question.rstrip("?") in named[0]


def slips(seed: int) -> Iterator[tuple[Course, Played, str]]:
    chance = random.Random(seed)
    names = random_plan(chance, 5)
    of = course(*names)
    played = Played(of)
    played.see()
    for name in names[: chance.randrange(5)]:
        played.do(name)
    assert played.place is not None
    at = played.place.spot.step
    wrong = chance.choice(MORE)
    yield of, played, wrong.name if at < 5 else ""


@pytest.mark.parametrize("seed", range(40))
def test_random_slips_are_named(seed: int) -> None:
    for of, played, wrong in slips(seed):
        if not wrong:
            return
        try:
            played.do(wrong)
        except NotPossible:
            return
        place = played.see(frames=PATIENCE + 1)
        if place.stand is not Stand.OFF:
            # it leads to a heap of the plan, so that the plan goes on
            assert of.shape(place.spot) == place.shape
            return
        found = guesses(of, place.spot, place.shape, place.states)
        assert wrong in {name for guess in found for name in guess.actions}
        assert found[0].whole
        assert guess_words(of, place.spot, found).endswith("?")


def test_the_first_difference_is_told() -> None:
    of = course(*PLAN)
    played = Played(of)
    played.see()
    played.do("light_mist")
    played.do("drop_crate")
    place = played.see(frames=MOMENT + 1)
    words = difference(of, place.spot, place.shape, place.states)
    assert words == "a crate stands where nothing was to be, at 0x80200B80"
    states = {"room": 3}
    assert difference(of, Spot(1), of.shape(Spot(2)), states) == "room is 3, where 1 was to be"
    start = of.shape(Spot(0))
    assert difference_from(of, Spot(0), start, {"room": 0}) == ""
    assert difference_from(of, Spot(0), start[1:], {"room": 0}) == (
        "nothing stands where a crate was to be, at 0x80200010"
    )


def test_what_no_action_explains_is_said_to_be_so() -> None:
    of = course(*PLAN)
    shape = ((0x8020_F000, "gull"),)
    found = guesses(of, Spot(1), shape, {"room": 0})
    assert found == ()
    assert guess_words(of, Spot(1), found) == (
        "no action, and no two in a row, of the schema's lead there from the last step"
    )
    assert task_from(of, Spot(1), found, None, {"room": 0}) is None
    arena = of.arena(Spot(1))
    made = task_from(of, Spot(1), found, arena, {"room": 0})
    assert made is not None
    assert made[0].starts == (Start(FIRST_PRINT, arena),)
    limits = {action.name: action.limit for action in made[0].actions}
    assert limits["light_mist"] == 2  # one of three was done
