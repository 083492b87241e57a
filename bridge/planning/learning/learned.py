"""All that recorded play says: sizes, the models left of the allocator, what each action does."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from bridge.planning.actions import Effect, Free, Which
from bridge.planning.learning.ages import Ages
from bridge.planning.learning.effects import LearnedAction, learn_actions
from bridge.planning.learning.geometry import Geometry, geometry
from bridge.planning.learning.models import Model, Sifted, sift
from bridge.planning.learning.observed import Play
from bridge.planning.learning.occurrences import Occurrences, attributed
from bridge.planning.learning.refining import refine
from bridge.planning.policy import Policy

__all__ = ["Learned", "Telling", "learn", "plain_effects", "policy_of"]

Telling = Callable[[str], bool]
"""Told what is being done; gives whether to go on."""


@dataclass(slots=True)
class Learned:
    """What is learned from some plays.

    ``geometries`` are by build.  ``models`` are those left of the allocator, the simplest first;
    ``inconsistent`` those that explain each change but no order of what some action does.
    ``actions`` are in the order of their names.  ``cut_short`` says that time was over.
    """

    plays: Sequence[Play]
    geometries: Mapping[str, Geometry]
    sifted: Sifted
    models: list[Model] = field(default_factory=list)
    inconsistent: list[Model] = field(default_factory=list)
    actions: list[LearnedAction] = field(default_factory=list)
    occurrences: Occurrences = field(default_factory=Occurrences)
    cut_short: bool = False
    ages: Ages = field(default_factory=lambda: Ages(()))

    def action(self, name: str) -> LearnedAction | None:
        """The action of a name."""
        return next((each for each in self.actions if each.name == name), None)


def learn(
    plays: Sequence[Play],
    sizes: Mapping[str, Mapping[str, int]],
    spread: Mapping[str, int],
    tell: Telling = lambda words: True,
) -> Learned:
    """Learn from recorded play.

    *sizes* are by build the bytes that are asked for by kind, as far as the schema says; *spread*
    is by action how many frames behind it its changes still come.
    """
    plays = [play for play in plays if play.first is not None]
    by_build: dict[str, list[Play]] = {}
    for play in plays:
        by_build.setdefault(play.build, []).append(play)
    geometries = {
        build: geometry(build, each, sizes.get(build, {})) for build, each in by_build.items()
    }

    def sifting(done: int, of: int, left: int) -> bool:
        return tell(f"change {done} of {of}: {left} models of the allocator are left")

    sifted = sift(plays, geometries, sifting)
    learned = Learned(plays, geometries, sifted, cut_short=sifted.cut_short)
    learned.occurrences = attributed(plays, spread)

    def ordering(name: str) -> bool:
        go_on = tell(f"what {name} does")
        learned.cut_short |= not go_on
        return go_on

    ages = Ages(plays)
    learned.actions = learn_actions(
        learned.occurrences.by_action, plays, geometries, sifted.left, ages, ordering
    )

    def refining(left: int, effects: int) -> bool:
        go_on = tell(f"{left} models of the allocator, {effects} orders of effects are left")
        learned.cut_short |= not go_on
        return go_on

    learned.models, learned.inconsistent = refine(
        sifted.left,
        learned.actions,
        learned.occurrences.by_action,
        plays,
        geometries,
        ages,
        refining,
    )
    learned.ages = ages
    return learned


def policy_of(model: Model, seen: Geometry) -> Policy:
    """A model's policy with the sizes of a build; the least rest is the usual one where it may be:
    the header and once the alignment."""
    alignment = max(seen.alignment[1], 1)
    usual = seen.header + alignment
    if usual < model.least or (model.most is not None and usual > model.most):
        usual = model.least if model.most is None else model.most
    return replace(model.policy, header=seen.header, alignment=alignment, least_rest=usual)


def plain_effects(effects: tuple[Effect, ...]) -> tuple[Effect, ...]:
    """Effects without the order in which all are released, and releases of all that follow each
    other made one: what is the same wherever that order does not matter."""
    found: list[Effect] = []
    for effect in effects:
        if isinstance(effect, Free) and effect.which is Which.ALL:
            effect = replace(effect, order=Which.LOWEST)
            last = found[-1] if found else None
            if isinstance(last, Free) and last.which is Which.ALL:
                kinds = tuple(sorted({*last.kinds, *effect.kinds}))
                found[-1] = Free(kinds, Which.ALL)
                continue
        found.append(effect)
    return tuple(found)
