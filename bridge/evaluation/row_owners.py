"""What lives in a block, by its row: the name of its kind, or of its size."""

from __future__ import annotations

from collections.abc import Callable

from bridge.heap.blocks import FREE, UNKNOWN, Row
from schemas.heap_types import HeapOwner

__all__ = ["owner_words", "run_words"]


def owner_words(owner: HeapOwner) -> Callable[[Row], str]:
    """What a row's owner is called."""
    numbers: dict[int, str] = {}
    if owner.leaf is not None:
        names = owner

        def by_kind(row: Row) -> str:
            if not row[3]:
                return FREE
            kind = row[4]
            if kind is None:
                return UNKNOWN
            word = numbers.get(kind)
            if word is None:
                word = numbers[kind] = names.name(kind)
            return word

        return by_kind
    sizes = owner.sizes

    def by_size(row: Row) -> str:
        return sizes.get(row[2], UNKNOWN) if row[3] else FREE

    return by_size


def run_words(row: Row) -> str:
    """What is in a run is not known, and its size tells nothing."""
    return UNKNOWN if row[3] else FREE
