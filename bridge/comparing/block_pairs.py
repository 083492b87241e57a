"""Which blocks of two heaps are the same thing.

First those that begin at the same address and hold the same kind; of the others, what is in the
same order by kind and size, and then by kind, so that a heap in which something was allocated
earlier is still told by its blocks.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from difflib import SequenceMatcher

from bridge.heap.blocks import Block

__all__ = ["paired"]


def paired(a: Sequence[Block], b: Sequence[Block], *, by_address: bool) -> list[tuple[int, int]]:
    """Indices of used blocks that belong together, in *a*'s order.

    Without *by_address*, as between builds, where a block lies says nothing.
    """
    left = [block.index for block in a if block.used]
    right = [block.index for block in b if block.used]
    found: list[tuple[int, int]] = []
    if by_address:
        starts = {b[index].start: index for index in right}
        for index in left:
            other = starts.get(a[index].start)
            if other is not None and b[other].owner == a[index].owner:
                found.append((index, other))
    for key in (_kind_and_size, _kind):
        taken_a, taken_b = {i for i, _ in found}, {i for _, i in found}
        left = [index for index in left if index not in taken_a]
        right = [index for index in right if index not in taken_b]
        found += _in_order(a, b, left, right, key)
    return sorted(found)


def _kind_and_size(block: Block) -> Hashable:
    return block.owner, block.size


def _kind(block: Block) -> Hashable:
    return block.owner


def _in_order(
    a: Sequence[Block],
    b: Sequence[Block],
    left: Sequence[int],
    right: Sequence[int],
    key: Callable[[Block], Hashable],
) -> list[tuple[int, int]]:
    matcher = SequenceMatcher(
        None, [key(a[i]) for i in left], [key(b[i]) for i in right], autojunk=False
    )
    return [
        (left[run.a + n], right[run.b + n])
        for run in matcher.get_matching_blocks()
        for n in range(run.size)
    ]
