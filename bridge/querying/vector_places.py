"""Reads of guest memory in many frames at once: the checks of ``bridge.evaluation.access_code``."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from bridge.evaluation.access_code import alignment
from bridge.expressions import nodes
from bridge.querying.rows import objects, whole_numbers
from bridge.querying.vector_slots import Values, VectorSlots
from bridge.values.status import Status
from schemas.layout import BitField, Chars, FixedPoint, Leaf, Scalar

__all__ = ["address_of", "stored"]

_UNSIGNED = {1: "B", 2: "H", 4: "I", 8: "Q"}


@dataclass(frozen=True, slots=True)
class _Address:
    """A guest address: a pointer's value in each frame (None where no frame changes it) and an
    offset.  ``followed`` is whether a null pointer is told of, ``step`` as in ``Address``."""

    base: Values | None
    offset: int
    followed: bool = False
    step: int = 0


def address_of(slots: VectorSlots, node: nodes.AddressOf) -> Values:
    """The guest address of a place."""
    address = _address(slots, node.place)
    if address.base is None:
        return np.full(slots.count, address.offset, np.int64)
    _not_null(slots, address)
    found: Values = address.base + address.offset
    return found


def stored(slots: VectorSlots, node: nodes.Read | nodes.Stored | nodes.FlagRead) -> Values:
    """What is stored at a place."""
    address = _address(slots, node.place)
    leaf = node.leaf
    if isinstance(node, nodes.Read):
        return _value(slots, address, leaf)
    if isinstance(node, nodes.FlagRead):
        unit = _unit(slots, address, 0, leaf, leaf.packing.format.upper())
        return np.asarray((unit >> np.uint64(node.bit) & np.uint64(1)) == 1)
    order = leaf.packing.format[0]
    return _whole(_unpacked(slots, address, node.offset, leaf, order + _UNSIGNED[node.size]))


def _value(slots: VectorSlots, address: _Address, leaf: Leaf) -> Values:
    if isinstance(leaf, Chars):
        data = _bytes(slots, address, 0, leaf, leaf.size)
        # equal ones, as most are from frame to frame, are made once
        texts, which = np.unique(data.view(f"V{leaf.size}").reshape(-1), return_inverse=True)
        return objects([leaf.value(text.tobytes()) for text in texts])[which.reshape(-1)]
    if isinstance(leaf, BitField):
        mask = np.uint64((1 << leaf.width) - 1)
        unit = _unit(slots, address, 0, leaf, leaf.packing.format)
        part = unit >> np.uint64(leaf.lowest) & mask
        if not leaf.signed:
            return _whole(part)
        spare = 64 - leaf.width
        return np.asarray((part << np.uint64(spare)).view(np.int64) >> np.int64(spare))
    found = _unpacked(slots, address, 0, leaf, leaf.packing.format)
    if isinstance(leaf, FixedPoint):
        return found.astype(np.float64) / float(1 << leaf.fraction_bits)
    if isinstance(leaf, Scalar) and leaf.floating:
        return slots.finite(found.astype(np.float64))
    return _whole(found)


def _whole(found: Values) -> Values:
    """Stored whole numbers as they are computed with."""
    if found.dtype.kind == "u" and found.dtype.itemsize == 8:
        return whole_numbers(found.tolist())
    return found.astype(np.int64)


def _unit(slots: VectorSlots, address: _Address, offset: int, leaf: Leaf, form: str) -> Values:
    return _unpacked(slots, address, offset, leaf, form).astype(np.uint64)


def _unpacked(slots: VectorSlots, address: _Address, offset: int, leaf: Leaf, form: str) -> Values:
    """The numbers stored in a format of ``struct``."""
    kind = np.dtype(form)
    data = _bytes(slots, address, offset, leaf, kind.itemsize)
    found: Values = np.ascontiguousarray(data).view(kind).reshape(-1)
    return found


def _bytes(slots: VectorSlots, address: _Address, offset: int, leaf: Leaf, size: int) -> Any:
    """Bytes at an offset from an address, after the checks of an access."""
    align = alignment(slots.layout, leaf)
    total = address.offset + offset
    if address.base is None:
        return slots.bytes_at(slots.fixed(total, size), size)
    _not_null(slots, address)
    aligned = address.followed and address.offset % align == 0 and address.step % align == 0
    if aligned and align > 1:
        slots.fail(address.base & (align - 1) != 0, Status.MISALIGNED)
    return slots.bytes_at(slots.flat(address.base + total, size), size)


def _not_null(slots: VectorSlots, address: _Address) -> None:
    if address.followed and address.base is not None:
        slots.fail(address.base == 0, Status.NULL)


def _address(slots: VectorSlots, place: nodes.Place) -> _Address:
    if isinstance(place, nodes.Fixed):
        return _Address(None, place.address)
    if isinstance(place, nodes.Offset):
        base = _address(slots, place.base)
        return replace(base, offset=base.offset + place.offset)
    if isinstance(place, nodes.Followed):
        leaf = place.pointer.node
        assert isinstance(leaf, Leaf)
        return _Address(_value(slots, _address(slots, place.pointer), leaf), 0, followed=True)
    if isinstance(place, nodes.AtAddress):
        return _Address(slots.number(place.address), 0, followed=True)
    assert isinstance(place, nodes.Indexed)
    return _element(slots, place)


def _element(slots: VectorSlots, place: nodes.Indexed) -> _Address:
    base = _address(slots, place.base)
    index = slots.number(place.index)
    if place.count is not None:
        slots.fail((index < 0) | (index >= place.count), Status.ERROR)
    if base.base is None:
        return _Address(index * place.stride + base.offset, 0)
    _not_null(slots, base)
    moved = base.base + index * place.stride
    return replace(base, base=moved, step=math.gcd(base.step, place.stride))
