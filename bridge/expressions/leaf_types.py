"""The value type of what a leaf stores."""

from __future__ import annotations

from bridge.values.value_type import Kind, ValueType
from schemas.layout import (
    BitField,
    Chars,
    Enumeration,
    FixedPoint,
    FlagSet,
    Leaf,
    PointerTo,
    Scalar,
    name_of,
)

__all__ = ["value_type"]


def value_type(leaf: Leaf) -> ValueType:
    """The value type of what a leaf stores."""
    bits, name = leaf.size * 8, name_of(leaf)
    if isinstance(leaf, Scalar):
        kind = Kind.FLOAT if leaf.floating else Kind.INTEGER
        return ValueType(kind, bits, leaf.signed, leaf.angle, name=name)
    if isinstance(leaf, FixedPoint):
        return ValueType(Kind.FLOAT, bits, True, name=name, fraction=leaf.fraction_bits)
    if isinstance(leaf, Chars):
        return ValueType(Kind.TEXT, name=name)
    if isinstance(leaf, PointerTo):
        return ValueType(Kind.INTEGER, bits, address=True, name=name)
    unit: Leaf = leaf
    signed = False
    if isinstance(leaf, BitField):
        unit, bits, signed = leaf.unit, leaf.width, leaf.signed
    members: dict[int, str] = {}
    flags: dict[int, str] = {}
    if isinstance(unit, Enumeration):
        signed = unit.base.signed
        for member, number in unit.members.items():
            members.setdefault(number, member)
    elif isinstance(unit, FlagSet):
        lowest = leaf.lowest if isinstance(leaf, BitField) else 0
        flags = {
            bit - lowest: flag for flag, bit in unit.bits.items() if lowest <= bit < lowest + bits
        }
    return ValueType(Kind.INTEGER, bits, signed, members=members, flags=flags, name=name)
