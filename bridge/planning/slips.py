"""What seems to have been done where a game left its plan, and a plan from where it stands.

All actions are tried on the last moment that agreed, alone and two in a row, and the next ones of
the plan in other orders.  Those after which the heap and the states are as they are, or that are
under way to it, are what may have been done; nothing else is told from.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import permutations, product

from bridge.heap.shape_words import name
from bridge.planning.actions import Action
from bridge.planning.arena import Arena
from bridge.planning.course import HELD, Course, Shape, Spot, shape_of
from bridge.planning.model import Start, Task
from bridge.planning.simulation import Moment, NotPossible, stages

__all__ = [
    "MAX_GUESSES",
    "Guess",
    "difference",
    "difference_from",
    "guess_words",
    "guesses",
    "task_from",
]

MAX_GUESSES = 3
_IN_OTHER_ORDER = 4
"""Steps of the plan that are tried in every order."""
_MAX_PERFORMED = 2_000
"""Actions that are tried at most."""


@dataclass(frozen=True, slots=True)
class Guess:
    """Actions that lead from the last moment that agreed to what is there.

    ``after`` is the moment at their end; ``whole`` is False where the last is still under way.
    """

    actions: tuple[str, ...]
    after: Moment
    whole: bool


def difference(course: Course, spot: Spot, shape: Shape, states: Mapping[str, int]) -> str:
    """The first difference, in words, from what the heap was to be like after the next step that
    can be seen.

    What is as it was before that step is no difference, unless there is no other.
    """
    step = spot.step
    while step + 1 < len(course.actions) and course.unseen(step):
        step += 1
    wanted = Spot(min(step + 1, len(course.actions)))
    return difference_from(course, wanted, shape, states, dict(course.shape(spot)))


def difference_from(
    course: Course,
    wanted: Spot,
    shape: Shape,
    states: Mapping[str, int],
    before: Mapping[int, str] | None = None,
) -> str:
    """The first difference, in words, of a heap and states from those that a plan has somewhere.

    *before* is the heap that it comes from.
    """
    expected, found = dict(course.shape(wanted)), dict(shape)
    differs = [at for at in {*expected, *found} if expected.get(at) != found.get(at)]
    if before is not None:
        differs = [at for at in differs if found.get(at) != before.get(at)] or differs
    for at in sorted(differs):
        kind, stands_there = expected.get(at), found.get(at)
        stands = "nothing" if stands_there is None else _a(stands_there)
        to_be = "nothing" if kind is None else _a(kind)
        return f"{stands} stands where {to_be} was to be, at 0x{at:08X}"
    for state, value in course.told(course.moment(wanted)).items():
        mine = states.get(state, value)
        if mine == value:
            continue
        if state == HELD:
            named = [_a(found[at]) if at in found else "nothing" for at in (mine, value)]
            return f"{named[0]} is held, where {named[1]} was to be"
        return f"{state} is {mine}, where {value} was to be"
    return ""


def _a(kind: str) -> str:
    words = name(kind)
    return f"{'an' if words[:1].lower() in tuple('aeiou') else 'a'} {words}"


def guesses(
    course: Course, spot: Spot, shape: Shape, states: Mapping[str, int]
) -> tuple[Guess, ...]:
    """What may have been done since ``spot``: the fewest actions that lead there, or are under way.

    What is under way is told only where nothing whole leads there.
    """
    begun: list[Guess] = []
    whole: list[Guess] = []
    performed = 0
    for length, tried in _sequences(course, spot):
        if (whole or begun) and length > len((whole or begun)[0].actions):
            break
        if performed > _MAX_PERFORMED:
            break
        performed += length
        guess = _tried(course, spot, tried, shape, states)
        if guess is not None and len(guess.actions) == length:
            (whole if guess.whole else begun).append(guess)
    found = whole or begun
    return tuple(found[:MAX_GUESSES])


def _sequences(course: Course, spot: Spot) -> Iterator[tuple[int, tuple[Action, ...]]]:
    """What is tried, the shortest first."""
    actions = course.task.actions
    for action in actions:
        yield 1, (action,)
    planned = course.actions[spot.step : spot.step + _IN_OTHER_ORDER]
    for pair in product(actions, repeat=2):
        yield 2, pair
    for length in range(3, len(planned) + 1):
        for order in permutations(planned, length):
            yield length, order


def _tried(
    course: Course,
    spot: Spot,
    tried: Sequence[Action],
    shape: Shape,
    states: Mapping[str, int],
) -> Guess | None:
    moment = course.moments[spot.step]
    for action in tried[:-1]:
        try:
            moment = stages(action, moment, course.task)[-1]
        except NotPossible:
            return None
    try:
        way = stages(tried[-1], moment, course.task)
    except NotPossible:
        return None
    names = tuple(action.name for action in tried)
    after = way[-1]
    alike = [shape_of(each.arenas[course.build], course.policy) == shape for each in way]
    told = [course.told(each) for each in (moment, *way)]
    if alike[-1] and all(told[-1].get(name) == value for name, value in states.items()):
        return Guess(names, after, True)
    midway = all(value in {each.get(n) for each in told} for n, value in states.items())
    return Guess(names, after, False) if midway and any(alike) else None


def guess_words(course: Course, spot: Spot, found: Sequence[Guess]) -> str:
    """A question to the runner, or that nothing explains what is there."""
    if not found:
        return "no action, and no two in a row, of the schema's lead there from the last step"
    planned = [action.name for action in course.actions[spot.step :]]
    before = course.actions[spot.step - 1].name if spot.step else ""
    told = [_question(guess.actions, planned, before) for guess in found]
    return " or ".join(dict.fromkeys(told)) + "?"


def _question(done: tuple[str, ...], planned: list[str], before: str) -> str:
    if planned and len(done) > 1 and done[0] == planned[0]:
        return _question(done[1:], planned[1:], done[0])
    if not planned:
        return f"was {' and then '.join(done)} done after the plan's end"
    if len(done) > 1 and sorted(done) == sorted(planned[: len(done)]):
        return f"was {done[0]} done before {planned[0]}"
    if len(done) == 1 and done[0] == before and done[0] not in planned[:1]:
        return f"was {before} done once more"
    if done[0] in planned[1:]:
        skipped = planned[: planned.index(done[0])]
        words = f"was {done[0]} done before {_and(skipped)}"
        return words if len(done) == 1 else f"{words}, and then {_and(done[1:])}"
    return f"was {' and then '.join(done)} done in place of {planned[0]}"


def _and(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def task_from(
    course: Course,
    spot: Spot,
    found: Sequence[Guess],
    arena: Arena | None,
    states: Mapping[str, int],
) -> tuple[Task, tuple[str, ...]] | None:
    """What a new plan is asked for, from where the game stands, and which actions come first.

    Where one guess alone explains what is there, ages, the rover and what is held are known by it,
    and an action that is under way is taken to be done; else *arena* is what the heap alone tells,
    None where that contradicts the allocator's rules.
    """
    (start,) = course.task.starts
    uses: Mapping[str, int] = course.moments[spot.step].uses
    first: tuple[str, ...] = ()
    if len(found) == 1:
        (guess,) = found
        arena, states, uses = guess.after.arenas[course.build], guess.after.states, guess.after.uses
        first = () if guess.whole else guess.actions[-1:]
    elif arena is None:
        return None
    actions = tuple(
        action if action.limit is None else replace(action, limit=action.limit - used)
        for action in course.task.actions
        if (used := uses.get(action.name, 0)) < (action.limit or used + 1)
    )
    states = {name: value for name, value in states.items() if name != HELD}
    return Task((Start(start.game, arena),), states, actions, course.task.goals), first
