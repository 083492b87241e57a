"""Which of a heap's blocks are newer, as far as that is known and some action asks for it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from bridge.heap.blocks import Age, Block, Heap
from bridge.planning.actions import Action, Free, Hold, Which
from bridge.planning.policy import Policy
from bridge.planning.simulation import order_matters

__all__ = ["ages_of", "newest_holes", "unknown_ages"]


def ages_of(heap: Heap, policy: Policy, actions: Sequence[Action]) -> dict[int, int]:
    """Payload's address of a block → its age, from 0 on, a greater one for a newer block.

    Only kinds that one action asks for together are ever compared.  Where the order of two of
    their blocks is not known and it matters, all of them have the same age, which says just that.
    """
    ages: dict[int, int] = {}
    for kinds in _groups(actions, order_matters(policy)):
        ages |= _ages(heap, _blocks(heap, kinds)) or _alike(_blocks(heap, kinds))
    for kinds in _groups(actions, True):  # in which order, where it is told although none matters
        ages |= _ages(heap, _blocks(heap, kinds))
    return ages


def _ages(heap: Heap, blocks: Sequence[Block]) -> dict[int, int]:
    """The ages of some blocks where all can be compared, else nothing."""
    known = [heap.ages[block.start] for block in blocks if block.start in heap.ages]
    if len(known) < len(blocks) or len({age.among for age in known}) > 1:
        return {}
    order = sorted({age.rank for age in known}, reverse=True)
    number = {rank: place for place, rank in enumerate(order)}
    return {block.start: number[heap.ages[block.start].rank] for block in blocks}


def _alike(blocks: Sequence[Block]) -> dict[int, int]:
    return {block.start: 0 for block in blocks}


def newest_holes(heap: Heap) -> list[int]:
    """The payloads' addresses of free blocks that one list of the game's has, in its order."""
    ages = [
        (heap.ages[b.start], b.start) for b in heap.blocks if not b.used and b.start in heap.ages
    ]
    return [] if len({age.among for age, _ in ages}) > 1 else [start for _, start in sorted(ages)]


def unknown_ages(heap: Heap, policy: Policy, actions: Sequence[Action]) -> dict[str, str]:
    """Action → what it might ask for that is not known of the blocks that are there, in words."""
    found: dict[str, str] = {}
    for action in actions:
        for kinds, which in _asked(action, order_matters(policy)):
            fault = _first_unknown(heap, _blocks(heap, kinds))
            if fault and action.name not in found:
                found[action.name] = (
                    f"which {' or '.join(sorted(kinds))} is the {which.value} is not known: {fault}"
                )
    return found


def _asked(action: Action, of_all: bool) -> Iterator[tuple[frozenset[str], Which]]:
    """Kinds of which an action asks for the newest or oldest, *of_all* also as an order."""
    for effect in action.effects:
        if not isinstance(effect, Free | Hold):
            continue
        which = effect.which
        if of_all and isinstance(effect, Free) and which is Which.ALL:
            which = effect.order
        if which in (Which.NEWEST, Which.OLDEST):
            yield frozenset(effect.kinds), which


def _groups(actions: Sequence[Action], of_all: bool) -> list[frozenset[str]]:
    """Kinds that are compared with each other, by one action or through several."""
    groups: list[frozenset[str]] = []
    for action in actions:
        for kinds, _ in _asked(action, of_all):
            apart = [group for group in groups if not group & kinds]
            joined = kinds.union(*(group for group in groups if group & kinds))
            groups = [*apart, joined]
    return groups


def _blocks(heap: Heap, kinds: frozenset[str]) -> list[Block]:
    return [block for block in heap.blocks if block.used and block.owner in kinds]


def _first_unknown(heap: Heap, blocks: Sequence[Block]) -> str:
    """What is not known of the order of these blocks; empty where all is."""
    if len(blocks) < 2:
        return ""
    if heap.ageless:
        return heap.ageless
    if not heap.ages:
        return "[heap] tells no age; add age or newest_first to it"
    seen: dict[Age, Block] = {}
    for block in blocks:
        age = heap.ages.get(block.start)
        if age is None:
            return f"the {block.owner} at 0x{block.start:08X} has no age"
        if age in seen:
            return f"those at 0x{seen[age].start:08X} and 0x{block.start:08X} have the same age"
        other = next((b for a, b in seen.items() if a.among != age.among), None)
        if other is not None:
            return (
                f"those at 0x{other.start:08X} and 0x{block.start:08X} are in different lists of "
                "newest_first"
            )
        seen[age] = block
    return ""
