"""Which step of a plan comes next, frame by frame, and where the game left the plan.

    waits ──▶ on ──▶ under way ──▶ on ──▶ … ──▶ done
      ▲        └───────┴──▶ off ──▶ (wherever the heap and the states are the plan's again)

The heap and the states of a frame are looked up among the plan's.  What comes next there is meant,
with steps that cannot be seen; behind frames that were not seen, whatever comes later.  An action's
effects are accepted one by one, in whatever frames they come, and its states at any time meanwhile.
What is found elsewhere between two steps has to stay JUST_NOW frames, since another action may pass
through it.  Further back it is a saved state that was loaded, or a reset: the plan begins again
there.

Between two stages a game may have written half of a block.  So what differs only where these two
differ is *under way*: for PATIENCE frames where all that is there is there before or after, and for
MOMENT where something else is, as the kind that a block had before.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from bridge.heap.blocks import UNKNOWN
from bridge.planning.course import HELD, Course, Shape, Spot

__all__ = ["JUST_NOW", "MOMENT", "PATIENCE", "Place", "Stand", "follow"]

PATIENCE = 60
MOMENT = 2
"""Game frames that half an effect may take, and one that does not look like it."""
JUST_NOW = 10
"""Game frames in which a step that looked done may turn out to be under way, and for which what is
further back in the plan must stay: another action may pass through it."""


class Stand(StrEnum):
    """How the game stands to the plan."""

    WAITS = "waits"
    """Neither heap nor states were the plan's yet."""
    ON = "on"
    """The last step is whole, the next has not begun."""
    UNDER_WAY = "under way"
    """Some effects of the next step have come."""
    OFF = "off"
    """What is there is not the plan's."""
    DONE = "done"


@dataclass(frozen=True, slots=True)
class Place:
    """Where a game stands in a plan.

    ``spot`` is where both agreed last, in frame ``agreed``; ``since`` is the frame since which it
    stands as it does.  ``half`` is the frame in which half an effect was first seen, None where all
    are whole; it may take ``patience`` frames.  ``shape`` and ``states`` are the game's.
    ``unseen`` are numbers of steps that were done without being seen by themselves, and ``missed``
    how many frames were not seen when that was last so.  ``back`` says that the plan began again
    further back: at ``spot`` then.
    """

    stand: Stand
    spot: Spot
    shape: Shape
    states: Mapping[str, int]
    agreed: int | None = None
    since: int = 0
    half: int | None = None
    patience: int = 0
    unseen: tuple[int, ...] = ()
    missed: int = 0
    back: bool = False

    @property
    def value(self) -> int:
        """Steps done; -1 where the game is not on the plan."""
        return -1 if self.stand in (Stand.OFF, Stand.WAITS) else self.spot.step


def follow(
    course: Course,
    before: Place | None,
    shape: Shape,
    states: Mapping[str, int],
    frame: int,
    missed: int = 0,
) -> Place:
    """Where the game stands in a frame, by where it stood in the last one that was seen."""
    if before is not None and before.shape == shape and before.states == states:
        return _same(course, before, frame)
    seen = states
    spot = _spot(course, before, shape, seen, seen_all=not missed)
    if states.get(HELD) and not (spot is not None and _follows(course, before, spot, missed)):
        # a pointer to what was held may be stale: then nothing is held
        stale = {**states, HELD: 0}
        other = _spot(course, before, shape, stale, seen_all=not missed)
        if other is not None and (spot is None or _follows(course, before, other, missed)):
            spot, seen = other, stale
    if before is None and spot is None:
        return Place(Stand.WAITS, Spot(0), shape, states, since=frame)
    if spot is not None and _follows(course, before, spot, missed):
        whole = _are(course, spot, seen)
        return _agreed(course, before, spot, shape, states, frame, missed, whole=whole)
    assert before is not None
    same = replace(before, shape=shape, states=states, half=None)
    if spot is not None:  # elsewhere in the plan; or what an action passes through
        stand = Stand.UNDER_WAY if before.stand is Stand.ON else before.stand
        return replace(same, stand=stand, half=frame, patience=JUST_NOW, missed=missed)
    if before.stand in (Stand.WAITS, Stand.DONE):
        return same  # what is done stays so, whatever the game does then
    if before.stand is Stand.OFF:
        return replace(same, since=frame)
    began = frame if before.half is None else before.half
    if states.get(HELD) and not _midway(course, before.spot, states):
        seen = {**states, HELD: 0}
    if (again := _not_over(course, before, shape, seen, frame)) is not None:
        return replace(
            same, stand=Stand.UNDER_WAY, spot=again, since=frame, half=began, patience=PATIENCE
        )
    earlier, patience = _half(course, before.spot, shape, seen)
    if frame - began >= patience:
        return replace(same, stand=Stand.OFF, since=frame, half=None, missed=missed)
    spot = max(before.spot, earlier)
    return replace(same, stand=Stand.UNDER_WAY, spot=spot, half=began, patience=patience)


def _same(course: Course, before: Place, frame: int) -> Place:
    """Nothing has changed; but an effect does not stay half, and what stays may be no stage."""
    began, patience = before.half, before.patience
    if began is None and before.stand is Stand.UNDER_WAY:
        began, patience = before.since, PATIENCE
    if began is None or frame - began < patience:
        return before
    spot = _elsewhere(course, before, before.shape, before.states)
    if spot is not None:
        at = before.shape, before.states
        return _agreed(course, before, spot, *at, frame, before.missed, whole=True)
    if before.half is None:
        return before
    return replace(before, stand=Stand.OFF, since=frame, half=None)


def _follows(course: Course, before: Place | None, spot: Spot, missed: int) -> bool:
    """Whether a place comes next after another, so that it need not be seen to stay."""
    if before is None or before.agreed is None:
        return True
    return spot >= before.spot and (bool(missed) or spot.step <= _reach(course, before.spot))


def _reach(course: Course, spot: Spot) -> int:
    """The last step that one action, and those that cannot be seen, can lead to."""
    step = spot.step
    while step < len(course.actions) and course.unseen(step):
        step += 1
    return step + 1


def _agreed(
    course: Course,
    before: Place | None,
    spot: Spot,
    shape: Shape,
    states: Mapping[str, int],
    frame: int,
    missed: int,
    *,
    whole: bool,
) -> Place:
    whole = whole and not spot.stage
    done = whole and spot.step == len(course.actions)
    stand = Stand.DONE if done else Stand.ON if whole else Stand.UNDER_WAY
    place = Place(stand, spot, shape, states, frame, frame)
    if before is None or before.agreed is None:
        return place
    if spot < before.spot:
        return replace(place, back=True)
    # of the steps that are done by now the first was seen if it was begun, the last if by its end
    last = spot.step if spot.stage else spot.step - 1
    passed = set(range(before.spot.step + (before.spot.stage > 0), last))
    unseen = tuple(sorted({*before.unseen, *passed}))
    missed = missed if passed else before.missed
    since = before.since if before.stand is stand and before.spot == spot else frame
    return replace(place, unseen=unseen, missed=missed, since=since)


def _spot(
    course: Course,
    before: Place | None,
    shape: Shape,
    states: Mapping[str, int],
    *,
    seen_all: bool,
) -> Spot | None:
    """Where the plan has this heap and these states: the next such place, else the last before.

    Where all frames were seen it is within an action only where that one may be under way.
    """
    whole = _whole(course, shape, states)
    going = [
        s
        for s in course.spots.get(shape, ())
        if s not in whole and Spot(s.step + 1) not in whole and _midway(course, s, states)
    ]
    if before is None or before.agreed is None:
        return whole[0] if whole else None  # nobody begins in the middle of an action
    reach = _reach(course, before.spot) if seen_all else len(course.actions)
    ahead = [
        s
        for s in (*whole, *going)
        if before.spot <= s
        and s.step <= reach
        and (s.stage or s in whole or s.step == before.spot.step)
    ]
    return min(ahead) if ahead else _elsewhere(course, before, shape, states)


def _elsewhere(
    course: Course, before: Place, shape: Shape, states: Mapping[str, int]
) -> Spot | None:
    """The next place between two actions that is so, else the last one before."""
    whole = _whole(course, shape, states)
    return next((s for s in whole if s >= before.spot), whole[-1] if whole else None)


def _whole(course: Course, shape: Shape, states: Mapping[str, int]) -> list[Spot]:
    """The places between two actions with this heap and these states."""
    found = course.spots.get(shape, ())
    return [s for s in found if not s.stage and _are(course, s, states)]


def _are(course: Course, spot: Spot, states: Mapping[str, int]) -> bool:
    """Whether the states are those between two actions."""
    told = course.told(course.moments[spot.step])
    return all(told.get(name) == value for name, value in states.items())


def _midway(course: Course, spot: Spot, states: Mapping[str, int]) -> bool:
    """Whether each state is as it is before the step that is under way, or after it."""
    if spot.step == len(course.actions):
        return False
    passed = course.passed[spot.step]
    return all(value in passed[name] for name, value in states.items())


def _not_over(
    course: Course, before: Place, shape: Shape, states: Mapping[str, int], frame: int
) -> Spot | None:
    """The stage of a step that looked done, just now, and is not: its states came first."""
    if before.spot.stage or not before.spot.step or before.agreed is None:
        return None
    if frame - before.agreed > JUST_NOW:
        return None
    step = before.spot.step - 1
    found = (s for s in course.spots.get(shape, ()) if s.step == step and s.stage)
    return next((s for s in found if _midway(course, s, states)), None)


def _half(course: Course, spot: Spot, shape: Shape, states: Mapping[str, int]) -> tuple[Spot, int]:
    """The stage of the next step from which half of an effect has come, and how long it may take.

    That is no time where it cannot be one.
    """
    best = spot, 0
    if spot.step == len(course.actions) or not _midway(course, spot, states):
        return best
    for stage in range(spot.stage, len(course.ways[spot.step])):
        earlier, later = Spot(spot.step, stage), Spot(spot.step, stage + 1)
        patience = _patience(course.shape(earlier), course.shape(later), shape)
        if patience > best[1]:
            best = earlier, patience
    return best


def _patience(old: Shape, new: Shape, shape: Shape) -> int:
    changed, kinds = _changed(old, new)
    mine, found = _changed(old, shape)
    if not mine <= changed:
        return 0
    return PATIENCE if found <= kinds | {UNKNOWN} else MOMENT


def _changed(old: Shape, new: Shape) -> tuple[set[int], set[str]]:
    """The payloads of which two heaps say otherwise, and the kinds there in either."""
    parts = set(old) ^ set(new)
    return {at for at, _ in parts}, {kind for _, kind in parts}
