"""Actions that change nothing in the heap but what is held: what they take, and by which rule."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.planning.actions import Effect, Hold, LetGo, Which
from bridge.planning.learning.ages import Ages
from bridge.planning.learning.observed import Play
from bridge.planning.learning.release_rules import fits

__all__ = ["in_hand"]

_RULES = (Which.NEWEST, Which.OLDEST, Which.LOWEST, Which.HIGHEST)


def in_hand(name: str, plays: Sequence[Play], ages: Ages) -> list[tuple[Effect, ...]]:
    """Every way to say what the action of a name does to what is held, where it was seen to do so;
    none where it was not the same each time, or nobody knows what is held.

    Times in which what is held stayed as it was are left out: then it could not be done.
    """
    kinds: set[str] = set()
    rules = set(_RULES)
    let_go = taken = 0
    for number, play in enumerate(plays):
        for label in play.labels:
            before, after = label.held
            if label.action != name or before == after:
                continue
            if after is None:
                let_go += 1
                continue
            change = sum(each.frame < label.frame for each in play.changes)
            heap = play.changes[change].before if change < len(play.changes) else play.last
            there = [block for block in heap.blocks if block.used] if heap is not None else []
            held = [block for block in there if block.start == after]
            if not held:
                return []
            taken += 1
            kinds.add(held[0].owner)
            for rule in list(rules):
                others = [b for b in there if b.owner == held[0].owner and b.start != after]
                if not fits(rule, held, others, (number, change), ages):
                    rules.discard(rule)
    if let_go and not taken:
        return [(LetGo(),)]
    if not taken or let_go:
        return []
    return [(Hold(tuple(sorted(kinds)), rule),) for rule in _RULES if rule in rules]
