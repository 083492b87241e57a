"""What each action does to the heap, under each model that is left of the allocator."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median_low

from bridge.planning.actions import Effect, Free, Which
from bridge.planning.learning.ages import Ages
from bridge.planning.learning.geometry import Geometry
from bridge.planning.learning.in_hand import in_hand
from bridge.planning.learning.models import Model
from bridge.planning.learning.observed import Label, Play
from bridge.planning.learning.occurrences import Occurrence
from bridge.planning.learning.orders import Orders, orders, seen
from bridge.planning.learning.release_rules import MAX_RULES, release_rules

__all__ = ["LearnedAction", "Variant", "join_candidates", "learn_actions"]

_MOST_TIMES = 24
"""As many times of an action are looked at for its order; rules and counts are of all."""


@dataclass(frozen=True, slots=True)
class Variant:
    """What an action did some of the times, by how many blocks of which kinds went and came."""

    released: tuple[tuple[str, int], ...]
    allocated: tuple[tuple[str, int], ...]
    count: int


@dataclass(slots=True)
class LearnedAction:
    """What is known of an action.

    ``done`` counts how often it was, ``without`` those times in which the heap stayed as it was.
    ``by_model`` has, in the models' order, every order of effects that gives what was seen;
    ``candidates`` all of them together, each once.  ``complete`` is whether there are no more.
    ``least`` and ``typical`` are frames since the action before it, None where it never followed
    one.  ``variants`` are what it did, where that was not the same each time; ``frames`` are where
    it was seen, with the play's number.  ``alone`` are kinds of which all went, and of which there
    never was more than one, or as many each time; ``why`` says why there are no effects.
    ``sets`` and ``adds`` are what it makes of states, and ``done_at`` the values of those in which
    it was seen to be done.
    """

    name: str
    done: int = 0
    without: int = 0
    by_model: list[Orders] = field(default_factory=list)
    candidates: list[tuple[Effect, ...]] = field(default_factory=list)
    complete: bool = True
    least: int | None = None
    typical: int | None = None
    variants: list[Variant] = field(default_factory=list)
    frames: list[tuple[int, int]] = field(default_factory=list)
    alone: tuple[str, ...] = ()
    why: str = ""
    sets: dict[str, int] = field(default_factory=dict)
    adds: dict[str, int] = field(default_factory=dict)
    done_at: dict[str, tuple[int, ...]] = field(default_factory=dict)


def learn_actions(
    by_action: Mapping[str, Sequence[Occurrence]],
    plays: Sequence[Play],
    geometries: Mapping[str, Geometry],
    models: Sequence[Model],
    ages: Ages,
    tell: Callable[[str], bool] = lambda name: True,
) -> list[LearnedAction]:
    """What is known of each action, by its name.

    *tell* is asked before each; False leaves out the rest.
    """
    found: list[LearnedAction] = []
    for name, occurrences in sorted(by_action.items()):
        action = _counted(name, occurrences, plays, ages)
        found.append(action)
        if action.why or action.candidates:
            continue
        if tell(name):
            _order(action, occurrences, plays, geometries, models, ages)
        else:
            action.why, action.complete = "there was no time for it", False
    return found


def _counted(
    name: str, occurrences: Sequence[Occurrence], plays: Sequence[Play], ages: Ages
) -> LearnedAction:
    """What can be said without a model."""
    took = [each.took for each in occurrences if each.took is not None]
    action = LearnedAction(
        name,
        done=len(occurrences),
        without=sum(not each.changes for each in occurrences),
        least=min(took, default=None),
        typical=median_low(took) if took else None,
        frames=[(each.play, each.frame) for each in occurrences],
    )
    _note_states(action, [label for play in plays for label in play.labels])
    changed = [each for each in occurrences if each.changes]
    if not changed:
        action.candidates = in_hand(name, plays, ages)
        if not action.candidates:
            action.why = "the heap stayed as it was each time"
            action.candidates = [()]
        return action
    came = Counter(_kinds(b.owner for b in each.allocated(plays)) for each in changed)
    if len(came) > 1:
        seen_variants = Counter(
            (
                _kinds(b.owner for b in each.released(plays)),
                _kinds(b.owner for b in each.allocated(plays)),
            )
            for each in changed
        )
        action.variants = [
            Variant(went, got, count) for (went, got), count in seen_variants.most_common()
        ]
        action.why = "not the same blocks came each time"
    return action


def _note_states(action: LearnedAction, labels: Sequence[Label]) -> None:
    """What it makes of states, where that was the same each time, and the states it was done in.

    Of a state that it leaves as it was the latter is told where others were done in more.
    """
    own = [label for label in labels if label.action == action.name]
    names = sorted({name for label in own for name in label.after})
    for name in names:
        pairs = [
            (x.before[name], x.after[name]) for x in own if name in x.before and name in x.after
        ]
        if len(pairs) < len(own):
            continue
        done_at = tuple(sorted({before for before, _ in pairs}))
        if all(before == after for before, after in pairs):
            if len(done_at) < len({x.before[name] for x in labels if name in x.before}):
                action.done_at[name] = done_at
            continue
        after = {value for _, value in pairs}
        changes = {value - before for before, value in pairs}
        if len(after) == 1:
            action.sets[name] = after.pop()
        elif len(changes) == 1:
            action.adds[name] = changes.pop()
        action.done_at[name] = done_at


def _kinds(owners: object) -> tuple[tuple[str, int], ...]:
    return tuple(sorted(Counter(owners).items()))  # type: ignore[call-overload]


def _order(
    action: LearnedAction,
    occurrences: Sequence[Occurrence],
    plays: Sequence[Play],
    geometries: Mapping[str, Geometry],
    models: Sequence[Model],
    ages: Ages,
) -> None:
    """Find rules and orders."""
    changed = [each for each in occurrences if each.changes]
    rules = release_rules(changed, plays, ages)
    if not rules:
        action.why = "no rule says which blocks went"
        return
    kinds = Counter(block.owner for block in changed[0].allocated(plays))
    times = [seen(each, plays, geometries) for each in _telling(changed, plays)]
    action.by_model = [orders(times, rules, kinds, model, ages) for model in models]
    action.complete = len(rules) < MAX_RULES and all(each.complete for each in action.by_model)
    action.alone = _alone(rules, changed, plays)
    if models and not any(each.found for each in action.by_model):
        action.why = "no order of what it does gives what was seen each time"


def _telling(changed: Sequence[Occurrence], plays: Sequence[Play]) -> list[Occurrence]:
    """Those of which most can be learned first: each heap once, and those with most holes."""
    by_shape: dict[object, Occurrence] = {}
    for each in changed:
        change = each.first(plays)
        shape = tuple((b.start, b.size, b.owner) for b in change.before.blocks)
        by_shape.setdefault((each.play, shape), each)
    holes = {
        id(each): sum(not b.used for b in each.first(plays).before.blocks)
        for each in by_shape.values()
    }
    return sorted(by_shape.values(), key=lambda each: -holes[id(each)])[:_MOST_TIMES]


def _alone(
    rules: Sequence[tuple[Free, ...]], changed: Sequence[Occurrence], plays: Sequence[Play]
) -> tuple[str, ...]:
    """Kinds of which all went and of which there were as many each time."""
    kinds = {kind for rule in rules[0] if rule.which is Which.ALL for kind in rule.kinds}
    counts = {
        kind: {sum(b.owner == kind for b in each.released(plays)) for each in changed}
        for kind in kinds
    }
    return tuple(sorted(kind for kind, each in counts.items() if len(each) == 1))


def join_candidates(action: LearnedAction) -> None:
    """The candidates of all models that are left, the simplest first."""
    if action.by_model:
        together = {order.effects: None for each in action.by_model for order in each.found}
        action.candidates = sorted(together, key=_simple)


def _simple(effects: tuple[Effect, ...]) -> tuple[int, int, int]:
    """Simple ones first, and of these that release before they allocate."""
    late = sum(
        isinstance(effect, Free) and any(not isinstance(e, Free) for e in effects[:at])
        for at, effect in enumerate(effects)
    )
    groups = sum(isinstance(effect, Free) for effect in effects)
    return late, groups, len(effects)
