"""What the bytes of a leaf mean, as a sheet says it."""

from __future__ import annotations

from bridge.expressions import nodes
from bridge.expressions.leaf_types import value_type
from bridge.sheet.recipe import Stored
from schemas.layout import BitField, Chars, FixedPoint, FlagSet, Leaf, PointerTo, Scalar, name_of

__all__ = ["stored_as", "stored_flag", "stored_part"]


def stored_as(leaf: Leaf) -> Stored:
    """How the value of a leaf is read."""
    kind = value_type(leaf)
    names = tuple(sorted((kind.members or kind.flags).items()))
    type_name = name_of(leaf)
    if isinstance(leaf, BitField):
        return Stored(
            *(leaf.size, "bits", type_name, leaf.lowest, leaf.width),
            signed=leaf.signed,
            names=names,
            by_bit=bool(kind.flags),
        )
    if isinstance(leaf, FixedPoint):
        return Stored(leaf.size, "fixed", type_name, fraction=leaf.fraction_bits)
    if isinstance(leaf, Chars):
        return Stored(leaf.size, "text", type_name)
    if isinstance(leaf, Scalar) and leaf.floating:
        return Stored(leaf.size, f"binary{8 * leaf.size}", type_name)
    signed = kind.signed and not isinstance(leaf, FlagSet | PointerTo)
    return Stored(
        *(leaf.size, "signed" if signed else "unsigned", type_name),
        names=names,
        by_bit=bool(kind.flags),
    )


def stored_part(read: nodes.Stored) -> Stored:
    """How a half, a byte or the pattern of a leaf is read: unsigned."""
    return Stored(read.size, "unsigned", f"u{8 * read.size}")


def stored_flag(read: nodes.FlagRead) -> Stored:
    """How one flag of a set is read."""
    leaf = read.leaf
    lowest = read.bit
    name = read.text.rpartition(".")[2]
    return Stored(leaf.size, "flag", name_of(leaf), lowest, 1, names=((1, name),))
