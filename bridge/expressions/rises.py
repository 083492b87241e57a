"""Conditions that a counter of the game's stands behind, so that a gap hides none of their moments.

``change(laps) > 0`` is true in a frame in which ``laps`` has risen.  Behind a gap it is true once,
however often that was; but ``laps`` itself tells.  What this looks for are comparisons of the
change of a whole number with nothing, or of such a number with its previous value:

    change(n) > 0    change(n) != 0    change(n) >= 1    change(n) == 1    change(n)
    n > previous(n)  n != previous(n)

the same turned about, and ``and`` of such a one with others.  Numbers that are no counts can be
compared so too, such as a room's: see ``Counted``, which finds out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from bridge.expressions import nodes
from bridge.expressions.program import Slot
from bridge.values.value_type import Kind

__all__ = ["RISES_TO_SHOW", "Counted", "counted"]

_TURNED = {">": "<", "<": ">", ">=": "<=", "<=": ">=", "==": "==", "!=": "!="}
RISES_TO_SHOW = 3
"""Rises by one, with no fall between them, after which a number that fell is taken for a count."""
_RISES = {(">", 0), ("!=", 0), (">=", 1), ("==", 1)}


@dataclass(slots=True)
class Counted:
    """How the counter behind a condition goes up, as far as whole frames show.

    ``change`` is the slot of the function that compares it with the frame before, ``counter`` that
    of the counter; ``alone`` says that nothing else makes the condition true.  What rises by more
    than one from a frame to the next is no count.  What falls may be one that begins again, as a
    state is loaded, or a number such as a room's: it has to rise by one a few times first.
    """

    change: int
    counter: int
    alone: bool
    jumps: bool = False
    to_show: int = 0

    @property
    def is_count(self) -> bool:
        """Whether it goes up by one each time, as far as is known."""
        return not self.jumps and not self.to_show

    def times(self, rise: int | None, missed: int, holds: bool) -> int | None:
        """How often the condition became true over a gap; None where that cannot be told.

        *rise* is the counter's over the gap of *missed* frames; *holds* says whether the condition
        is true behind it.
        """
        if rise is None or rise < 0 or not (self.alone or holds):
            return None
        if not self.is_count:
            return 1 if rise and holds else None
        return min(rise, missed + 1)

    def learn(self, rise: int | None) -> None:
        """Two frames in a row were taken."""
        if rise is None:
            return
        if rise < 0:
            self.to_show = RISES_TO_SHOW
        elif rise > 1:
            self.jumps = True
        elif rise and self.to_show:
            self.to_show -= 1


def counted(slots: Sequence[Slot], place: int) -> Counted | None:
    """The counter behind the condition in the slot at *place*; None where there is none."""
    slot = slots[place]
    if slot.over_frames is not None:
        return _of_change(slots, place)
    return None if slot.number is None else _of(slots, slot.number)


def _of(slots: Sequence[Slot], number: nodes.Number) -> Counted | None:
    if isinstance(number, nodes.SlotValue):
        return counted(slots, number.slot)
    if isinstance(number, nodes.Logic) and number.op == "and":
        found = [each for part in number.operands if (each := _of(slots, part)) is not None]
        if len(found) != 1:
            return None
        found[0].alone = False
        return found[0]
    if not isinstance(number, nodes.Comparison) or len(number.ops) != 1:
        return None
    left, right = number.operands
    (op,) = number.ops
    return _compared(slots, left, op, right) or _compared(slots, right, _TURNED.get(op, ""), left)


def _compared(
    slots: Sequence[Slot], left: nodes.Number, op: str, right: nodes.Number
) -> Counted | None:
    if isinstance(right, nodes.Literal) and isinstance(left, nodes.SlotValue):
        return _of_change(slots, left.slot) if (op, right.value) in _RISES else None
    if op not in (">", "!=") or not isinstance(right, nodes.SlotValue):
        return None
    spec = slots[right.slot].over_frames
    if spec is None or spec.function != "previous":
        return None
    same = slots[spec.arguments[0]].text == left.text
    return _with_counter(slots, right.slot, spec.arguments[0]) if same else None


def _of_change(slots: Sequence[Slot], place: int) -> Counted | None:
    spec = slots[place].over_frames
    if spec is None or spec.function != "change":
        return None
    return _with_counter(slots, place, spec.arguments[0])


def _with_counter(slots: Sequence[Slot], change: int, counter: int) -> Counted | None:
    kind = slots[counter].type
    plain = kind.kind is Kind.INTEGER and not (
        kind.address or kind.angle or kind.members or kind.flags
    )
    return Counted(change, counter, alone=True) if plain else None
