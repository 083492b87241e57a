"""What was seen, held against what a schema already says of the allocator and of actions."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from bridge.planning.actions import Action, Alloc, Effect, Free
from bridge.planning.learning.effects import LearnedAction
from bridge.planning.learning.hidden import unknown
from bridge.planning.learning.learned import Learned
from bridge.planning.learning.models import Model, policy_words
from bridge.planning.learning.occurrences import Occurrence
from bridge.planning.learning.orders import followed, seen
from bridge.planning.learning.tables import effects_text, ways_of
from bridge.planning.model import GameModel
from bridge.planning.policy import Fit, HoleOrder, WhenFull

__all__ = ["disagreements"]

_MOST_TIMES = 24


def disagreements(
    learned: Learned, games: Mapping[str, GameModel], actions: Sequence[Action]
) -> Iterator[str]:
    """Sentences that each tell what in a schema what was seen contradicts.

    *games* are by build what the schema says of its allocator, *actions* what it says of these.
    """
    for build in learned.geometries:
        if build in games:
            yield from _allocator(learned, build, games[build])
    for action in actions:
        yield from _action(learned, action)


def _allocator(learned: Learned, build: str, game: GameModel) -> Iterator[str]:
    sizes, policy = learned.geometries[build], game.policy
    if policy.header != sizes.header:
        yield (
            f"{build}: header is 0x{policy.header:X} in the schema, payloads begin "
            f"0x{sizes.header:X} bytes behind the beginning of a block"
        )
    for kind, size in game.sizes.items():
        stride = sizes.strides.get(kind)
        if stride is not None and policy.stride(size) != stride:
            yield (
                f"{build}: {kind} takes 0x{policy.stride(size):X} bytes by the schema, "
                f"0x{stride:X} were seen"
            )
    bare = replace(policy, header=0, alignment=1, least_rest=1, when_full=WhenFull.IMPOSSIBLE)
    if bare.fit is Fit.NEXT:
        bare = replace(bare, order=HoleOrder.ADDRESS)
    for model in learned.models:
        if model.policy == bare:
            most = policy.least_rest if model.most is None else model.most
            if not model.least <= policy.least_rest <= most:
                yield (
                    f"{build}: least_rest is 0x{policy.least_rest:X} in the schema, "
                    f"0x{model.least:X} to 0x{most:X} was seen"
                )
            return
    words = f"{build}: the schema's allocator, {policy_words(bare)}"
    for out in learned.sifted.ruled_out:
        if out.policy == bare:
            yield f"{words}, does not explain frame {out.frame} of {out.recording}"
            return
    if any(model.policy == bare for model in learned.inconsistent):
        yield f"{words}, would have an action not do the same each time"


def _action(learned: Learned, action: Action) -> Iterator[str]:
    """An action that under no model that is left gives what was seen each time."""
    occurrences = [o for o in learned.occurrences.by_action.get(action.name, ()) if o.changes]
    effects = [each for each in action.effects if isinstance(each, Alloc | Free)]
    furthest: Occurrence | None = None
    for model in learned.models:
        missed = _first_missed(learned, model, effects, occurrences[:_MOST_TIMES])
        if missed is None:
            return
        if furthest is None or (missed.play, missed.frame) > (furthest.play, furthest.frame):
            furthest = missed
    if furthest is not None:
        ways = ways_of(learned.action(action.name) or LearnedAction(action.name))
        instead = f"; {effects_text(ways[0])} does" if ways else ""
        yield (
            f"{action.name} is {effects_text(action.effects)} in the schema, which does not give "
            f"frame {furthest.frame} of {learned.plays[furthest.play].name}{instead}"
        )


def _first_missed(
    learned: Learned, model: Model, effects: Sequence[Effect], occurrences: Sequence[Occurrence]
) -> Occurrence | None:
    for each in occurrences:
        time = seen(each, learned.plays, learned.geometries)
        before = model.before.get((each.play, each.changes[0]))
        hidden = before or unknown(time.steps[0].before)
        if not followed(time, effects, model, learned.ages, hidden):
            return each
    return None
