"""How many bits a whole number may have, from the types of what it is made of.

A result that cannot be wider than ``arithmetic.MAX_BITS`` needs no look when it is made, and so
costs what it costs in Python.  One that can is looked at, and is an error where it is wider: so no
number inside an expression grows without limit, in whatever list or branch it stands.
"""

from __future__ import annotations

from collections.abc import Sequence

from bridge.expressions import nodes
from bridge.expressions.arithmetic import MAX_BITS
from bridge.expressions.program import Slot
from bridge.values.value_type import Kind, ValueType

__all__ = ["Widths", "place_bits"]

_LENGTH = 32
"""Bits that counts, indices and sizes surely stay within."""
_MAX_LIST = 24
"""Bits of the length of a list: longer ones take more steps than there are."""


class Widths:
    """Widths of the numbers of one program; *pointer* is that of a stored address."""

    def __init__(self, slots: Sequence[Slot], pointer: int) -> None:
        self._slots = slots
        self._pointer = pointer
        self._known: dict[int, int] = {}
        self._of_slot: dict[int, int] = {}
        self._variables: dict[str, int] = {}

    def bounded(self, node: nodes.Number) -> int:
        """The most bits of a number that was looked at where it had to be."""
        return min(self.unbounded(node), MAX_BITS)

    def unbounded(self, node: nodes.Number) -> int:
        """The most bits of a number as it is made, of parts that were looked at."""
        known = self._known.get(id(node))
        if known is None:
            known = self._known[id(node)] = self._width(node)
        return known

    def _width(self, node: nodes.Number) -> int:
        if node.type.kind is Kind.BOOLEAN:
            return 1
        if node.type.kind is not Kind.INTEGER:
            return MAX_BITS
        if isinstance(node, nodes.Literal):
            return int(node.value).bit_length()
        if isinstance(node, nodes.Read | nodes.Stored | nodes.FlagRead):
            return 8 * node.leaf.size
        if isinstance(node, nodes.AddressOf):
            return self._address(node.place)
        if isinstance(node, nodes.LoopNumber):
            return self._variables.get(node.variable, MAX_BITS)
        if isinstance(node, nodes.Unary):
            return self.bounded(node.operand) + 1
        if isinstance(node, nodes.Arithmetic):
            return self._arithmetic(node)
        if isinstance(node, nodes.Choice):
            return max(self.bounded(node.chosen), self.bounded(node.otherwise))
        if isinstance(node, nodes.Apply):
            return self._apply(node)
        if isinstance(node, nodes.SlotValue):
            return self._slot(node)
        if isinstance(node, nodes.Length | nodes.OfBlocks):
            return _LENGTH
        if isinstance(node, nodes.Fold | nodes.FirstNumber):
            wide = self._element(node.listing)
            return wide + _MAX_LIST if node.type.kind and _adds(node) else wide
        if isinstance(node, nodes.BlockField):
            if isinstance(node.block, nodes.BlockOf):
                return max(self.bounded(node.block.address), self._pointer) + 1
            return self._pointer + 1
        return MAX_BITS

    def _arithmetic(self, node: nodes.Arithmetic) -> int:
        left, right = self.bounded(node.left), self.bounded(node.right)
        if node.op == "*":
            return left + right
        if node.op == "%":
            return right
        if node.op == ">>":
            return left
        if node.op in ("<<", "**"):  # these look at their results themselves
            return MAX_BITS
        if node.op == "&":
            for part in (node.left, node.right):
                if isinstance(part, nodes.Literal):
                    return self.bounded(part)
        return max(left, right) + 1

    def _apply(self, node: nodes.Apply) -> int:
        if node.bits is not None:
            return node.bits
        if any(part.type.kind is Kind.FLOAT for part in node.arguments):
            return MAX_BITS
        return max(map(self.bounded, node.arguments), default=MAX_BITS)

    def _slot(self, node: nodes.SlotValue) -> int:
        """What another watch can be: it was looked at when it was made."""
        if node.type.bits:
            return node.type.bits
        known = self._of_slot.get(node.slot)
        if known is None:
            number = self._slots[node.slot].number
            known = MAX_BITS if number is None else self.bounded(number)
            self._of_slot[node.slot] = known
        return known

    def _element(self, listing: nodes.Listing) -> int:
        """The most bits of a list's numbers, or of its places' addresses."""
        if not isinstance(listing, nodes.Comprehension):
            if isinstance(listing, nodes.SlotListing) and isinstance(listing.element, ValueType):
                return listing.element.bits or MAX_BITS
            return self._pointer
        outer = self._variables.get(listing.variable)
        self._variables[listing.variable] = self._element(listing.source)
        result = listing.result
        if isinstance(result, nodes.Number):
            found = self.bounded(result)
        elif isinstance(result, nodes.Place):
            found = self._address(result)
        else:
            found = self._pointer
        if outer is None:
            del self._variables[listing.variable]
        else:
            self._variables[listing.variable] = outer
        return found

    def enter(self, listing: nodes.Comprehension) -> None:
        """The list's variable stands for one of its elements from now on."""
        self._variables[listing.variable] = self._element(listing.source)

    def _address(self, place: nodes.Place) -> int:
        if isinstance(place, nodes.Offset):
            return max(self._address(place.base), place.offset.bit_length()) + 1
        if isinstance(place, nodes.Indexed):
            step = self.bounded(place.index) + place.stride.bit_length()
            return max(self._address(place.base), step) + 1
        if isinstance(place, nodes.AtAddress):
            return self.bounded(place.address)
        if isinstance(place, nodes.LoopPlace):
            return self._variables.get(place.variable, MAX_BITS)
        if isinstance(place, nodes.FirstPlace):
            return self._element(place.listing)
        return self._pointer if isinstance(place, nodes.Followed) else place_bits(place)


def place_bits(place: nodes.Place) -> int:
    """The bits of an address that does not change."""
    return place.address.bit_length() if isinstance(place, nodes.Fixed) else MAX_BITS


def _adds(node: nodes.Number) -> bool:
    return isinstance(node, nodes.Fold) and node.function == "sum"
