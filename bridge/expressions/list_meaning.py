"""What a list means, so that equal lists of different watches can be told to be equal.

Two lists are equal where they are written alike, quotation marks and spaces aside, and where the
watches that they use are.  (Reasons name what a user wrote, so lists that only differ in the names
of their variables are two.)  A list that uses a function over frames has a state of its own and is
equal to none outside its program.
"""

from __future__ import annotations

import ast
import functools
from collections.abc import Hashable, Sequence

from bridge.expressions import nodes
from bridge.expressions.node_walks import parts
from bridge.expressions.program import Slot
from bridge.expressions.syntax import parse
from schemas.errors import ExpressionError

__all__ = ["meaning", "of_an_explanation", "variables", "written_alike"]


def meaning(listing: nodes.Listing, slots: Sequence[Slot]) -> Hashable:
    """The key of a list among all lists of a build; *slots* are those of its program."""
    used: set[tuple[str, Hashable]] = set()
    pending = [number for node in parts(listing) for number in _slots_of(node)]
    seen: set[int] = set()
    while pending:
        number = pending.pop()
        if number in seen:
            continue
        seen.add(number)
        slot = slots[number]
        if slot.over_frames is not None:
            used.add((slot.text, id(slots)))
        else:
            used.add((slot.name, written_alike(slot.text)))
            pending += [number for node in parts(slot.number) for number in _slots_of(node)]
    return type(listing).__name__, written_alike(listing.text), frozenset(used)


def variables(listing: nodes.Listing) -> set[str]:
    """The variables of lists that stand anywhere in a list."""
    kinds = nodes.LoopPlace | nodes.LoopNumber | nodes.LoopBlock
    return {node.variable for node in parts(listing) if isinstance(node, kinds)}


def of_an_explanation(listing: nodes.Listing) -> bool:
    """Whether it is made of what an explanation has walked, which its text does not tell."""
    kinds = nodes.SlotListing | nodes.Position | nodes.Extreme
    return any(isinstance(node, kinds) for node in parts(listing))


@functools.lru_cache(512)
def written_alike(text: str) -> str:
    """The text of an expression with Python's own spaces and quotation marks."""
    try:
        return ast.unparse(parse(text))
    except ExpressionError:  # a text of our own, which nobody wrote otherwise
        return text


def _slots_of(node: nodes.Expr) -> tuple[int, ...]:
    return (node.slot,) if isinstance(node, nodes.SlotValue) else ()
