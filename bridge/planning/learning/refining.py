"""Models and effects held against the whole of recorded play together.

What a model says of a change hangs on what the heap did not show before it, and that on what the
actions before did.  So each model goes through all plays once more, now by what is known of the
actions: what does not go with any of that is out, effects and models alike, until no more is.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from bridge.planning.learning.ages import Ages, Known
from bridge.planning.learning.effects import LearnedAction, join_candidates
from bridge.planning.learning.geometry import Geometry
from bridge.planning.learning.hidden import Hidden, unknown, widest
from bridge.planning.learning.models import Model
from bridge.planning.learning.observed import Play, cells_of
from bridge.planning.learning.occurrences import Occurrence
from bridge.planning.learning.orders import Order, Seen, followed, seen
from bridge.planning.learning.tracking import (
    MAX_HIDDEN,
    Explained,
    Operations,
    Tracker,
    operations,
)

__all__ = ["refine"]

_ROUNDS = 4


def refine(
    models: Sequence[Model],
    actions: Sequence[LearnedAction],
    by_action: Mapping[str, Sequence[Occurrence]],
    plays: Sequence[Play],
    geometries: Mapping[str, Geometry],
    ages: Ages,
    tell: Callable[[int, int], bool] = lambda left, effects: True,
) -> tuple[list[Model], list[Model]]:
    """The models that are left, and those that are out; the actions' candidates are narrowed.

    *tell* is told how many models and effects are left, before each model is gone through; False
    ends it.
    """
    ready = _Ready(actions, by_action, plays, geometries)
    left, out = list(models), list[Model]()
    for _ in range(_ROUNDS):
        count = _count(actions)
        by_model = [_known(actions, number) for number in range(len(left))]
        ages.learn(set.intersection(*by_model) if by_model else ())
        numbers = []
        for number, model in enumerate(left):
            if not tell(len(left), _count(actions)):
                break
            if ready.follow(number, model, ages.further(by_model[number])):
                numbers.append(number)
            else:
                out.append(model)
        else:
            left = [left[number] for number in numbers]
            for action in actions:
                if action.by_model:
                    action.by_model = [action.by_model[number] for number in numbers]
            if not left or (len(numbers), _count(actions)) == (len(left), count):
                break
            continue
        break
    for action in actions:
        join_candidates(action)
    return left, out


def _count(actions: Sequence[LearnedAction]) -> int:
    return sum(len(each.found) for action in actions for each in action.by_model)


def _known(actions: Sequence[LearnedAction], number: int) -> set[Known]:
    """Which block came first, where all that is left of a model's orders agrees."""
    known: set[Known] = set()
    for action in actions:
        own = action.by_model[number] if action.by_model else None
        if own is not None and own.found and own.complete:
            known |= frozenset.intersection(*(order.within for order in own.found))
    return known


class _Ready:
    """The plays, with which action each change belongs to."""

    def __init__(
        self,
        actions: Sequence[LearnedAction],
        by_action: Mapping[str, Sequence[Occurrence]],
        plays: Sequence[Play],
        geometries: Mapping[str, Geometry],
    ) -> None:
        self._plays = plays
        self._asked: list[list[Operations]] = [
            [operations(change, geometries[play.build].strides) for change in play.changes]
            for play in plays
        ]
        self._times: dict[tuple[int, int], tuple[LearnedAction, Seen]] = {}
        for action in actions:
            for each in by_action[action.name]:
                if each.changes and action.by_model and not action.why:
                    time = seen(each, plays, geometries)
                    self._times[each.play, each.changes[0]] = action, time

    def follow(self, number: int, model: Model, ages: Ages) -> bool:
        """Go through all plays by one model; whether it is left.

        Of its actions only those orders are kept that go with all that was seen.
        """
        tracker = Tracker(model.policy, both_ends=model.both_ends)
        before: dict[tuple[int, int], frozenset[Hidden]] = {}
        now: dict[int, frozenset[Hidden]] = {}
        alive: dict[str, list[Order]] = {}
        for action, _ in self._times.values():
            alive[action.name] = list(action.by_model[number].found)
        for at, play in enumerate(self._plays):
            assert play.first is not None
            tracker.forget(cells_of(play.first))
            if not self._play(at, play, model, ages, number, tracker, before, alive):
                return False
            now[at] = frozenset(tracker.hidden)
        for action in {id(a): a for a, _ in self._times.values()}.values():
            was = action.by_model[number]
            action.by_model[number] = replace(was, found=tuple(alive[action.name]))
        model.before, model.now = before, now
        model.least, model.most = widest(tracker.hidden)
        return True

    def _play(
        self,
        at: int,
        play: Play,
        model: Model,
        ages: Ages,
        number: int,
        tracker: Tracker,
        before: dict[tuple[int, int], frozenset[Hidden]],
        alive: dict[str, list[Order]],
    ) -> bool:
        gaps = iter([*play.gaps, 1 << 80])
        gap = next(gaps)
        change = 0
        while change < len(play.changes):
            asked = self._asked[at][change]
            while gap < play.changes[change].frame:
                tracker.forget(asked.before)
                gap = next(gaps)
            if not play.changes[change].gapless:
                tracker.forget(asked.after)
                change += 1
                continue
            before[at, change] = frozenset(tracker.hidden)
            named = self._times.get((at, change))
            if named is None or not named[0].by_model[number].complete:
                if tracker.step(asked) is Explained.NO:
                    return False
                change += 1
                continue
            action, time = named
            if not self._done(action, time, model, ages, tracker, alive):
                return False
            change += len(time.steps)
        if gap < 1 << 80:
            assert play.last is not None
            tracker.forget(cells_of(play.last))
        return True

    def _done(
        self,
        action: LearnedAction,
        time: Seen,
        model: Model,
        ages: Ages,
        tracker: Tracker,
        alive: dict[str, list[Order]],
    ) -> bool:
        """Go on behind one time that an action was done."""
        found: set[Hidden] = set()
        left: list[Order] = []
        for order in alive[action.name]:
            after = followed(time, order.effects, model, ages, tracker.hidden)
            if after:
                left.append(order)
                found |= after
        alive[action.name] = left
        if not found:
            return False
        if len(found) > MAX_HIDDEN:
            found = unknown(time.steps[-1].after, tracker.hidden)
        tracker.hidden = found
        return True
